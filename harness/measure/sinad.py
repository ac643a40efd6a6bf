"""SINAD over frames of audio: (S+N+D)/(N+D), the land-mobile definition, by each weighting.

Powers are summed over the frames and only then become decibels. Clicks are part of the noise:
nothing is clipped, blanked or filtered away. The noise that a fitted tone takes with it is taken
off its power, which matters below 8 dB.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from harness.dsp.weighting import WEIGHTINGS
from harness.measure.audio_frame import BLOCK_S, AudioFrame
from harness.measure.setup import Weighting
from harness.readings import ConditionValue, Reading, measured
from harness.uncertainty import Contribution
from harness.units import db_from_ratio

NUMBERS: Mapping[str, int] = {name: number for number, name in enumerate(WEIGHTINGS)}
"""Place of each weighting in a frame's powers."""
MANY_FRAMES = 8
"""From so many frames on, their own scatter is looked at too. Chosen."""


def mean_over(frames: Sequence[AudioFrame], name: str) -> float:
    """Mean of a frame's number, by duration."""
    weights = [frame.duration_s for frame in frames]
    return float(np.average([getattr(frame, name) for frame in frames], weights=weights))


def rest_to_tone(frames: Sequence[AudioFrame], weighting: Weighting) -> float:
    """Noise and distortion to tone, as a ratio of powers; infinite without a tone."""
    number = NUMBERS[weighting]
    tone = sum(frame.tone_power[number] for frame in frames)
    rest = sum(frame.rest_power[number] for frame in frames)
    return float(rest / tone) if tone > 0.0 else math.inf


def sinad_db(frames: Sequence[AudioFrame], weighting: Weighting = "flat") -> tuple[float, float]:
    """SINAD over frames in dB and its standard uncertainty.

    The uncertainty is that of the noise power, from its scatter within the frames or that of the
    frames where that is larger (clicks), and that of the tone in this noise.
    """
    number = NUMBERS[weighting]
    rest = np.array([frame.rest_power[number] for frame in frames])
    noise, signal = float(rest.sum()), float(sum(f.tone_power[number] for f in frames))
    if noise <= 0.0:
        raise ValueError("no noise at all in the band: not a recording of audio")
    variance = float(sum(frame.rest_variance[number] for frame in frames))
    if len(frames) >= MANY_FRAMES:
        variance = max(variance, float(rest.var(ddof=1)) * len(frames))
    of_tone = float(sum(frame.tone_power_variance[number] for frame in frames))
    value = float(db_from_ratio((signal + noise) / noise))
    relative = math.sqrt(variance / noise**2 + (of_tone / signal**2 if signal > 0.0 else 0.0))
    slope = 10.0 / math.log(10.0) * signal / (signal + noise)
    return value, slope * relative


def sinad(
    frames: Sequence[AudioFrame],
    weighting: Weighting,
    conditions: Mapping[str, ConditionValue],
    recordings: tuple[str, ...],
) -> Reading:
    """Give the reading of SINAD by one weighting.

    Parameters
    ----------
    conditions : beside the weighting and the tone's frequency, which are put first
    """
    value_db, standard_db = sinad_db(frames, weighting)
    seconds = sum(frame.duration_s for frame in frames)
    repeat = Contribution(
        name=f"sinad.{weighting}.repeatability",
        standard_uncertainty=standard_db,
        kind="A",
        # A Hann window makes some half of the blocks count.
        degrees_of_freedom=max(0.5 * seconds / BLOCK_S, 2.0),
        source="scatter of the noise in the band",
    )
    return measured(
        "sinad",
        value_db,
        [repeat],
        count=len(frames),
        conditions={
            "weighting": weighting,
            **conditions,
            "tone_hz": round(mean_over(frames, "tone_hz"), 1),
        },
        recordings=recordings,
    )
