"""JSON form of the health of receivers, and of what a pad told."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from harness.measure.gain_steps import GainStep
from harness.measure.health import BandHealth, Health, Seen
from harness.measure.health_findings import Finding, findings_of
from harness.measure.pad_test import Moved, PadTest
from harness.readings import SCHEMA, RecordingUsed


def health_json(
    healths: Iterable[Health],
    recordings: Sequence[RecordingUsed] = (),
    pads: Sequence[PadTest] = (),
) -> dict[str, Any]:
    """Give one object: ``receivers``, each with its ``findings``; ``pads``, one for each pair."""
    return {
        "schema": SCHEMA,
        "kind": "health",
        "recordings": [
            {"path": used.path, "role": used.role, "sha512": used.sha512} for used in recordings
        ],
        "receivers": [_receiver(health) for health in healths],
        "pads": [_pad(pad) for pad in pads],
        "cautions": [caution for pad in pads for caution in pad.cautions],
    }


def _receiver(health: Health) -> dict[str, Any]:
    watched = health.watched
    return {
        "name": watched.name,
        "seconds": health.samples / watched.sample_rate_hz,
        "samples": health.samples,
        "lost_samples": health.lost_samples,
        "clipped_samples": health.clipped_samples,
        "clipped_share": health.clipped_share,
        "worst_clipped_share": health.worst_clipped_share,
        "peak_dbfs": health.peak_dbfs,
        "level_dbfs": health.level_dbfs,
        "full_scale_port_dbm": watched.scale_dbm,
        "still_rails": list(health.still_rails),
        "band": None if health.spectrum is None else _band(health.spectrum, watched.spacing_hz),
        "gain_judged": health.gain_judged,
        "gain_steps": [_step(step) for step in health.gain_steps],
        "findings": [_finding(finding) for finding in findings_of(health)],
    }


def _band(band: BandHealth, spacing_hz: float) -> dict[str, Any]:
    return {
        "channel_hz": band.channel_hz,
        "channel_spacing_hz": spacing_hz,
        "channel_is_named": band.is_named,
        "channel_dbfs": band.channel_dbfs,
        "noise_dbfs": band.noise_dbfs,
        "dc_spike_dbfs": _seen(band.spike_dbfs),
        "dc_spike_to_channel_db": band.spike_dbfs.level_db - band.channel_dbfs,
        "dc_spike_in_channel": band.spike_in_channel,
        "emission_hz": band.emission_hz,
        "emission_dbfs": band.emission_dbfs,
        "image_hz": band.image_hz,
        "image_db": None if band.image_db is None else _seen(band.image_db),
        "image_in_channel": band.image_in_channel,
    }


def _seen(seen: Seen) -> dict[str, Any]:
    return {"value": seen.level_db, "bound": "upper" if seen.is_bound else None}


def _step(step: GainStep) -> dict[str, Any]:
    return {
        "at_s": step.at_s,
        "noise_db": step.noise_db,
        "emissions_db": step.emissions_db,
        "cause": step.cause,
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "severity": finding.severity,
        "what": finding.what,
        "where": finding.where,
        "remedy": finding.remedy,
    }


def _pad(pad: PadTest) -> dict[str, Any]:
    return {
        "name": pad.name,
        "loss_db": pad.pad_db,
        "emissions": [_moved(each) for each in pad.moved],
    }


def _moved(moved: Moved) -> dict[str, Any]:
    return {
        "frequency_hz": moved.frequency_hz,
        "level_dbfs": moved.level_dbfs,
        "moved_db": moved.moved_db,
        "bound": "lower" if moved.is_bound else None,
        "expanded_uncertainty_db": moved.expanded_uncertainty_db,
        "coverage_factor": moved.coverage_factor,
        "origin": moved.origin,
        "is_centre": moved.is_centre,
    }
