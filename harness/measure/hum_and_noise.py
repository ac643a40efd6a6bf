"""Hum and noise: what is left beside the test tone against standard test modulation.

Standard test modulation is 1 kHz at 60 % of the rated deviation (TIA-603, clause title read, value
from memory). From IQ the deviation of what is left is absolute, so the rated deviation is enough;
audio has no such scale and needs a part of the recording that holds standard test modulation:
a step labelled so, or a span that the user names.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.dsp.weighting import SPEECH_HIGH_HZ
from harness.measure.audio_frame import HARMONICS, HUM_BLOCK_S, AudioFrame
from harness.readings import ConditionValue, Reading, measured, not_measured
from harness.uncertainty import Contribution
from harness.units import db_from_ratio

NAME = "hum_and_noise"
STANDARD_SHARE = 0.6
STANDARD_HZ = 1000.0
STANDARD_WITHIN_HZ = 20.0
"""A tone this near 1 kHz can be standard test modulation. Chosen."""
STANDARD_LABEL = "standard test modulation"
"""Label of the step that holds it."""
HUM_SHARE = 0.1
"""A line below this share of the rated deviation is hum, not a test tone. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standard:
    """Power of standard test modulation, what it is from, and its variance."""

    power: float
    variance: float
    words: str


def from_rated_deviation(rated_deviation_hz: float) -> Standard:
    """Give standard test modulation in demodulated frequency, in Hz squared."""
    return Standard(
        power=(STANDARD_SHARE * rated_deviation_hz) ** 2 / 2.0,
        variance=0.0,
        words=f"1 kHz at 60 % of {rated_deviation_hz:g} Hz",
    )


def from_frames(frames: Sequence[AudioFrame]) -> Standard | None:
    """Give standard test modulation as frames show it; None without 1 kHz in most of them."""
    toned = [f for f in frames if abs(f.tone_hz - STANDARD_HZ) <= STANDARD_WITHIN_HZ]
    toned = [f for f in toned if f.tone_power[0] > f.rest_power[0]]
    if not toned or 2 * len(toned) < len(frames):
        return None
    # At 1 kHz de-emphasis weighs 1: the flat tone is the standard, whatever else was asked for.
    return Standard(
        power=float(np.mean([f.tone_power[0] for f in toned])),
        variance=float(sum(f.tone_power_variance[0] for f in toned)) / len(toned) ** 2,
        words="the part that holds standard test modulation",
    )


def hum_and_noise(
    frames: Sequence[AudioFrame],
    standard: Standard | None,
    rated_deviation_hz: float | None,
    conditions: Mapping[str, ConditionValue],
    recordings: tuple[str, ...],
) -> Reading:
    """Give the power from 50 Hz to 3 kHz against standard test modulation in dB.

    Parameters
    ----------
    rated_deviation_hz : of IQ, so that a line far below it is known for hum; None for audio
    """
    conditions = dict(conditions)
    if standard is None or standard.power <= 0.0:
        note = (
            "no reference: give a unit file with the rated deviation, or the span that holds"
            " standard test modulation"
        )
        return not_measured(NAME, note, conditions=conditions, recordings=recordings)
    if not frames:
        return not_measured(
            NAME, "no audio long enough", conditions=conditions, recordings=recordings
        )
    conditions["reference"] = standard.words
    least = 0.0 if rated_deviation_hz is None else (HUM_SHARE * rated_deviation_hz) ** 2 / 2.0
    powers, variances = [], []
    for frame in frames:
        is_hum = frame.amplitude**2 / 2.0 < least
        powers.append(frame.hum.power + (_line_power(frame) if is_hum else 0.0))
        variances.append(frame.hum.variance)
    power = float(np.mean(powers))
    variance = sum(variances) / len(frames) ** 2
    blocks = 0.5 * sum(frame.duration_s for frame in frames) / HUM_BLOCK_S
    scale = 10.0 / math.log(10.0)
    parts = [
        Contribution(
            name=f"{NAME}.repeatability",
            standard_uncertainty=scale * math.sqrt(variance) / power,
            kind="A",
            degrees_of_freedom=max(blocks, 2.0),
            source="scatter of what is left",
        ),
        Contribution(
            name=f"{NAME}.standard_modulation",
            standard_uncertainty=scale * math.sqrt(standard.variance) / standard.power,
            kind="A",
            source="noise beside the tone of the reference",
        ),
    ]
    return measured(
        NAME,
        float(db_from_ratio(power / standard.power)),
        parts,
        count=len(frames),
        conditions=conditions,
        recordings=recordings,
    )


def _line_power(frame: AudioFrame) -> float:
    """Power of what was taken for a tone, with its harmonics up to 3 kHz."""
    order = np.array(HARMONICS)
    inside = np.isfinite(frame.harmonic_variances) & (order * frame.tone_hz <= SPEECH_HIGH_HZ)
    clear = np.abs(frame.harmonics[inside]) ** 2 - 2.0 * frame.harmonic_variances[inside]
    return float(frame.tone_power[0] * (1.0 + clear.sum()))
