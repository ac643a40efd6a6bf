"""What voltage a sound card's full scale is, and the audio level in volts that follows.

Full scale is a sine whose peaks just reach 1; ``full_scale_v`` is its root mean square voltage, so
that samples with root mean square r are sqrt(2) r ``full_scale_v`` volts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from harness.blocks import Frames
from harness.dsp.tone import fit_tone
from harness.errors import BadInput
from harness.measure.calibrate import known, scale_of, value_of
from harness.measure.calibrated import EDGE_DB, dated, warm
from harness.measure.feed import AUDIO_SUFFIXES, Feed, open_feed
from harness.measure.run import CLIPPED_SHARE, measure_recordings
from harness.measure.select import Wish
from harness.readings import UNCALIBRATED, Findings, Reading, measured, not_measured
from harness.recordings import AudioFile, is_real, open_recording
from harness.uncertainty import Contribution

if TYPE_CHECKING:
    from harness.describe import SoundDescription

FRAME_S = 0.25
LEAST_FRAMES = 4
AGAIN = "Record a steady tone of 1 kHz, two seconds or more."
RAIL = 0.999
"""A sample this near to full scale counts as clipped. Chosen: 33 steps of 16 bit."""
MOST_REST = 0.05
"""Of the tone, what else may be in the audio. Chosen: a voltmeter then shows 0.01 dB more."""
DBU_V = math.sqrt(0.6)
"""0 dBu: 1 mW in 600 ohm, 0.7746 V (common practice; the root computed)."""
PER_DB = math.log(10.0) / 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundFound:
    """Voltage scale by the mean in dB: known = full scale + level shown.

    Parameters
    ----------
    full_scale_v : root mean square voltage of a sine whose peaks reach full scale
    standard_uncertainty_db : half of the 95.45 % uncertainty
    known_v, level_dbfs, residuals_db : one each per recording; the last are the linearity
    tone_hz : of the known voltage. cautions : of the measurements, one plain sentence each
    """

    full_scale_v: float
    standard_uncertainty_db: float
    known_v: tuple[float, ...]
    level_dbfs: tuple[float, ...]
    residuals_db: tuple[float, ...]
    tone_hz: float
    cautions: tuple[str, ...] = ()


def calibrate_sound(
    paths: Sequence[Path], known_v: Sequence[float], uncertainty_db: float
) -> SoundFound:
    """Find the voltage of full scale at a sound card's input.

    Parameters
    ----------
    paths : audio files, or SigMF recordings of audio, of one tone; one per voltage
    known_v : root mean square voltage at the input, one per recording
    uncertainty_db : standard uncertainty of the known voltages, shared by all of them

    Raises
    ------
    BadInput : numbers that do not match, a radio recording, no steady clean tone, clipped or lost
        samples. Damaged : a file is broken.

    Notes
    -----
    The uncertainty is that of a level measured later, as for a receiver (``calibrate_level``).
    """
    if len(paths) != len(known_v):
        raise BadInput(
            f"{len(known_v)} voltages are given for {len(paths)} recordings",
            "--volts",
            "Give one for each recording, with commas between.",
        )
    if any(not one > 0.0 for one in known_v):
        raise BadInput("a voltage is 0 or less", "--volts", "Give root mean square volts.")
    levels_dbfs, repeat_db, tones_hz = [], [], []
    cautions: list[str] = []
    for path in paths:
        if not _is_audio(path):
            raise BadInput(
                "is a radio recording, and a sound card is calibrated by audio",
                path.name,
                "Give the audio file of the tone; harness calibrate level takes a carrier.",
            )
        findings = measure_recordings("audio", [path])
        cautions += findings.cautions
        tone_hz = value_of(known(findings, "tone_frequency", path, AGAIN))
        amplitudes = _tone_amplitudes(path, tone_hz)
        amplitude = float(amplitudes.mean())
        levels_dbfs.append(20.0 * math.log10(amplitude))
        standard = float(amplitudes.std(ddof=1)) / math.sqrt(len(amplitudes))
        repeat_db.append(standard / amplitude / PER_DB)
        tones_hz.append(tone_hz)
    known_db = [20.0 * math.log10(one) for one in known_v]
    scale = scale_of(known_db, levels_dbfs, repeat_db, uncertainty_db)
    return SoundFound(
        full_scale_v=10.0 ** (scale.full_scale / 20.0),
        standard_uncertainty_db=scale.standard_uncertainty_db,
        known_v=tuple(known_v),
        level_dbfs=tuple(levels_dbfs),
        residuals_db=scale.residuals_db,
        tone_hz=float(np.mean(tones_hz)),
        cautions=tuple(dict.fromkeys(cautions)),
    )


def with_audio_level(
    findings: Findings,
    paths: Sequence[Path],
    bench_name: str,
    sound: SoundDescription,
    span_s: tuple[float, float] | None = None,
    *,
    verified: bool = True,
) -> Findings:
    """Put the audio level in volts first.

    Parameters
    ----------
    findings : of these recordings, as ``measure_recordings`` gave them; only audio has a level
    paths : those recorded by the sound card. sound : with its calibration
    span_s : the part that was measured. verified : whether checksums were taken
    """
    if findings.kind != "audio":
        return findings
    readings: list[Reading] = []
    cautions: list[str] = []
    for path in paths:
        reading, told = _audio_level(path, bench_name, sound, span_s)
        if not verified:
            reading = replace(reading, flags=(*reading.flags, "not verified"))
        readings.append(reading)
        cautions += told
    return replace(
        findings,
        readings=(*readings, *findings.readings),
        cautions=(*dict.fromkeys([*cautions, *findings.cautions]),),
    )


def _is_audio(path: Path) -> bool:
    if path.suffix.lower() in AUDIO_SUFFIXES:
        return True
    return path.suffix != ".sigmf-collection" and is_real(open_recording(path).datatype)


def _tone_amplitudes(path: Path, tone_hz: float) -> np.ndarray:
    """Fit the tone in each frame.

    Raises
    ------
    BadInput : it is too short, clipped, gapped, or the tone is not all that is heard.
    """
    feed = open_feed(path, None, None, Wish())
    found, clipped = [], 0
    frames = Frames(round(FRAME_S * feed.channel.sample_rate_hz))
    for block in feed.blocks():
        clipped += _at_the_rails(block.samples)
        found += [
            fit_tone(np.asarray(frame.samples, dtype=np.float64), frame.sample_rate_hz, tone_hz)
            for frame in frames.push(block)
        ]
    if clipped > CLIPPED_SHARE * feed.samples or feed.lost:
        what = "lost samples" if feed.lost else "clipped"
        raise BadInput(
            f"{what}: no calibration may rest on it",
            path.name,
            "Record it again, weaker or on a quieter computer.",
        )
    if len(found) < LEAST_FRAMES:
        raise BadInput(
            f"{len(found) * FRAME_S:g} s are too short", path.name, "Record two seconds or more."
        )
    rest = max(tone.residual_rms * math.sqrt(2.0) / tone.amplitude for tone in found)
    if rest > MOST_REST:
        raise BadInput(
            f"beside its tone there is {100.0 * rest:.0f} % of other audio",
            path.name,
            "Use a clean steady tone, and turn off what alters it.",
        )
    return np.array([tone.amplitude for tone in found])


def _at_the_rails(samples: np.ndarray) -> int:
    return int(np.count_nonzero(np.abs(samples) >= RAIL))


def _audio_level(
    path: Path, bench_name: str, sound: SoundDescription, span_s: tuple[float, float] | None
) -> tuple[Reading, list[str]]:
    """Give the level of one recording, and what speaks against its calibration."""
    scale = sound.level_calibration
    assert scale is not None
    feed = open_feed(path, None, None, Wish(span_s=span_s))
    name = feed.channel.name
    frames = Frames(round(FRAME_S * feed.channel.sample_rate_hz))
    squares, clipped = [], 0
    for block in feed.blocks():
        clipped += _at_the_rails(block.samples)
        squares += [float(np.var(frame.samples)) for frame in frames.push(block)]
    power = np.array(squares)
    if len(power) < LEAST_FRAMES or not power.mean() > 0.0:
        note = "less than a second of audio" if len(power) < LEAST_FRAMES else "silence"
        return not_measured("audio_level", note, recordings=(name,)), []
    value_v = math.sqrt(2.0 * float(power.mean())) * scale.full_scale_v
    share = float(power.std(ddof=1)) / math.sqrt(len(power)) / float(power.mean()) / 2.0
    reading = measured(
        "audio_level",
        value_v,
        [
            Contribution(
                name="audio_level.repeatability",
                standard_uncertainty=share * value_v,
                kind="A",
                degrees_of_freedom=len(power) - 1,
                source="scatter of quarters of a second",
            ),
            Contribution(
                name=f"{bench_name}.sound.full_scale_v",
                standard_uncertainty=scale.full_scale_uncertainty_db,
                sensitivity=value_v * PER_DB,
                source="calibration file",
            ),
        ],
        count=len(power),
        recordings=(name,),
        note=f"{20.0 * math.log10(value_v / DBU_V):+.2f} dBu",
    )
    faults = _faults(feed, sound, value_v)
    flags = {UNCALIBRATED} if faults else set()
    if clipped > CLIPPED_SHARE * feed.samples:
        flags.add("clipped")
        told = f"{name}: {100.0 * clipped / feed.samples:.2g} % of the samples stand at full scale;"
        faults.append(f"{told} turn the card's gain down.")
    if feed.lost:
        flags.add("lost samples")
    return replace(reading, flags=tuple(sorted(flags))), faults


def _faults(feed: Feed, sound: SoundDescription, value_v: float) -> list[str]:
    scale = sound.level_calibration
    assert scale is not None
    name = feed.channel.name
    start_utc = None
    if not isinstance(feed.recording, AudioFile):
        start_utc = feed.recording.segments[0].start_utc
    made = start_utc.astimezone(UTC).date() if start_utc else None
    found = dated(name, "sound card", made, scale.valid_until)
    found += warm(name, scale, "sound card", sound.temperature_degc)
    edge = 10.0 ** (EDGE_DB / 20.0)
    if not scale.lowest_v / edge <= value_v <= scale.highest_v * edge:
        found.append(
            f"{name}: {value_v:.4g} V is outside the calibrated range, {scale.lowest_v:.4g} to"
            f" {scale.highest_v:.4g} V; calibrate at this level."
        )
    return found
