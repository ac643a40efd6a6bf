"""What a receiver's health means for a measurement: what, where, and what to do next."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from harness.errors import HarnessError
from harness.measure.emission import LIKELY_IMAGE
from harness.measure.gain_steps import Cause, GainStep
from harness.measure.health import BandHealth, Health
from harness.units import db_from_ratio, mhz_in_words

Severity = Literal["fault", "caution"]

CLIPPED_THROUGH = 0.95
"""With so many samples at a rail there is no signal left to measure. Chosen: a carrier 2.8 dB
above full scale is at a rail in 97 of 100."""
SMALL_HEADROOM_DB = 1.0
"""Chosen."""
LOUD_SPIKE_DBFS = -20.0
"""A spike above it takes room that the signal wants. Chosen: some 25 dB above a usual one."""
CONVERTER_HIDES = 2.0
"""Noise less than so many times the converter's own is mostly that. Chosen: 3 dB."""
STEPS_TOLD = 3
"""So many steps of the gain are told one by one. Chosen."""

_STEP_WORDS: dict[Cause, tuple[str, str]] = {
    "gain": (
        "noise and signals moved together by {step:+.1f} dB at {at:.1f} s: the gain was altered",
        "Switch automatic gain off and leave the gain alone during a run.",
    ),
    "automatic gain": (
        "the noise moved by {step:+.1f} dB against the signal at {at:.1f} s: the gain follows it",
        "Switch automatic gain off, in receiver and tuner.",
    ),
    "gain or noise": (
        "the noise moved by {step:+.1f} dB at {at:.1f} s with no signal to tell why: the gain was"
        " altered, or something noisy was switched",
        "Switch automatic gain off; look again with a steady carrier on.",
    ),
    "noise": (
        "the noise moved by {step:+.1f} dB at {at:.1f} s while the signal stayed: not the gain",
        "Look for what was switched nearby: supplies, chargers, lamps.",
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that would spoil a measurement.

    Parameters
    ----------
    kind : one or two plain words
    severity : a fault leaves nothing to be measured
    what, where, remedy : as of an error
    """

    kind: str
    severity: Severity
    what: str
    where: str
    remedy: str

    @property
    def sentence(self) -> str:
        """Say all three."""
        return str(HarnessError(self.what, self.where, self.remedy))


def findings_of(health: Health) -> tuple[Finding, ...]:
    """Tell what is wrong with a receiver, the worst first."""
    found = [*_of_samples(health), *_of_spectrum(health), *_of_gain(health)]
    return tuple(sorted(found, key=lambda finding: finding.severity != "fault"))


def _of_samples(health: Health) -> Iterator[Finding]:
    where = health.watched.name
    if not health.samples:
        yield Finding(
            kind="dead",
            severity="fault",
            what="no samples came",
            where=where,
            remedy="Plug the receiver in again.",
        )
        return
    if len(health.still_rails) == 2:
        yield Finding(
            kind="dead",
            severity="fault",
            what="all samples are the same: the receiver is dead, or its gain so low that not even"
            " its noise shows",
            where=where,
            remedy="Plug it in again, look at its antenna socket, raise its gain.",
        )
    elif health.still_rails:
        (rail,) = health.still_rails
        yield Finding(
            kind="dead",
            severity="fault",
            what=f"{rail} stands still while the other moves: half of the receiver is dead",
            where=where,
            remedy="Plug it in again; if it stays so, use another.",
        )
    elif health.clipped_share >= CLIPPED_THROUGH:
        yield Finding(
            kind="clipped",
            severity="fault",
            what=f"clipped through and through: {100.0 * health.clipped_share:.0f} % of the samples"
            " are at a rail",
            where=where,
            remedy="Take the signal away at once, then add pads or lower the gain.",
        )
    elif health.clipped_samples:
        worst = max(health.worst_clipped_share, health.clipped_share)
        yield Finding(
            kind="clipped",
            severity="caution",
            what=f"{100.0 * health.clipped_share:.2g} % of the samples are clipped, at worst"
            f" {100.0 * worst:.2g} % of a tenth of a second",
            where=where,
            remedy="Lower the gain or add a pad: levels and products are wrong where it clips.",
        )
    elif health.peak_dbfs is not None and health.peak_dbfs > -SMALL_HEADROOM_DB:
        yield Finding(
            kind="headroom",
            severity="caution",
            what=f"the peaks reach {health.peak_dbfs:.1f} dBFS",
            where=where,
            remedy="Lower the gain a step or two: a little more would clip.",
        )
    if health.lost_samples:
        share = health.lost_samples / (health.samples + health.lost_samples)
        yield Finding(
            kind="lost samples",
            severity="caution",
            what=f"{health.lost_samples} samples ({100.0 * share:.2g} %) are missing",
            where=where,
            remedy="Close other programs, use another USB socket, or a lower sample rate.",
        )


def _of_spectrum(health: Health) -> Iterator[Finding]:
    spectrum, where = health.spectrum, health.watched.name
    if spectrum is None or health.still_rails:
        return
    spike_db = spectrum.spike_dbfs.level_db
    if spectrum.spike_in_channel:
        against = spike_db - spectrum.channel_dbfs
        most = "at most " if spectrum.spike_dbfs.is_bound else ""
        yield Finding(
            kind="DC spike",
            severity="caution",
            what=f"its own centre lies in the channel; what stands there ({most}{spike_db:.1f}"
            f" dBFS, {against:.1f} dB to the channel) cannot be told from the carrier",
            where=where,
            remedy="Tune it beside the channel.",
        )
    elif not spectrum.spike_dbfs.is_bound and spike_db > LOUD_SPIKE_DBFS:
        yield Finding(
            kind="DC spike",
            severity="caution",
            what=f"the DC spike is {spike_db:.1f} dBFS strong and takes room from the signal",
            where=where,
            remedy="Look for a strong carrier at its centre; else use another receiver.",
        )
    yield from _of_image(spectrum, where)
    if spectrum.converter_ratio < CONVERTER_HIDES:
        yield Finding(
            kind="floor",
            severity="caution",
            what="its noise is mostly the converter's own rounding, so that weak signals are"
            " distorted or lost",
            where=where,
            remedy="Raise the gain or take a pad away, while the level plan allows it.",
        )


def _of_image(spectrum: BandHealth, where: str) -> Iterator[Finding]:
    image = spectrum.image_db
    if image is None or spectrum.emission_hz is None or spectrum.image_hz is None:
        return
    emission, at = mhz_in_words(spectrum.emission_hz), mhz_in_words(spectrum.image_hz)
    if spectrum.image_in_channel and not image.is_bound:
        assert spectrum.emission_dbfs is not None
        against = spectrum.emission_dbfs + image.level_db - spectrum.channel_dbfs
        yield Finding(
            kind="image",
            severity="caution",
            what=f"the image of the emission at {emission} falls into the channel, at"
            f" {against:.1f} dB to what is there",
            where=where,
            remedy="Tune it elsewhere, so that the image falls beside the channel.",
        )
    elif not image.is_bound and image.level_db > float(db_from_ratio(LIKELY_IMAGE)):
        yield Finding(
            kind="image",
            severity="caution",
            what=f"the image of {emission} stands at {at}, {-image.level_db:.1f} dB below it",
            where=where,
            remedy="Take it for no signal; I and Q of a sound receiver are matched better.",
        )


def _of_gain(health: Health) -> Iterator[Finding]:
    told: list[GainStep] = list(health.gain_steps[:STEPS_TOLD])
    for step in told:
        what, remedy = _STEP_WORDS[step.cause]
        yield Finding(
            kind="gain step" if step.cause != "noise" else "noise step",
            severity="caution",
            what=what.format(step=step.noise_db, at=step.at_s),
            where=health.watched.name,
            remedy=remedy,
        )
    more = health.gain_step_count - len(told)
    if more > 0:
        yield Finding(
            kind="gain step",
            severity="caution",
            what=f"{more} more steps of the noise",
            where=health.watched.name,
            remedy="Switch automatic gain off.",
        )
