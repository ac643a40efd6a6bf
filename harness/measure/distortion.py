"""Audio distortion: root sum of squares of the 2nd to 5th harmonic to the test tone.

Each frame gives its harmonics with their phases, turned by the tone's own; over the frames they
add up as they are, noise does not. What noise is left in a harmonic's place is taken off its
power. Where that leaves next to nothing, the interval reaches down to zero and says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from harness.measure.audio_frame import HARMONICS, AudioFrame
from harness.measure.sinad import mean_over
from harness.readings import ConditionValue, Reading, measured, not_measured
from harness.uncertainty import Contribution

NAME = "audio_distortion"
SIGMAS = 1.96
"""Both sides of 95 % of a normal."""


def audio_distortion(
    frames: Sequence[AudioFrame],
    conditions: Mapping[str, ConditionValue],
    recordings: tuple[str, ...],
) -> Reading:
    """Give the distortion of the test tone in percent.

    Notes
    -----
    With harmonics h_k of the tone, each part with variance v_k, the sum of the squares that are
    seen has the mean Q + 2 sum(v) and the variance 4 sum(|h|^2 v + v^2) for a true sum of squares
    Q. The ends of the interval are the Q from which the sum seen lies 1.96 of its own standard
    deviations off; the value is its excess over the noise, not below 0.
    """
    conditions = {**conditions, "tone_hz": round(mean_over(frames, "tone_hz"), 1)}
    more = {"conditions": conditions, "recordings": recordings}
    harmonics = np.array([frame.harmonics for frame in frames])
    variances = np.array([frame.harmonic_variances for frame in frames])
    there = np.isfinite(variances).all(axis=0)
    if not there.any():
        note = "no harmonic of the tone lies below 5 kHz and below half the sample rate"
        return not_measured(NAME, note, **more)
    seconds = np.array([frame.duration_s for frame in frames])
    share = seconds / seconds.sum()
    seen = share @ harmonics[:, there]
    variance = share**2 @ variances[:, there]
    noise = 2.0 * float(variance.sum())
    total = float(np.sum(np.abs(seen) ** 2))
    square = max(total - noise, 0.0)
    # Of the noise, what stands under the energy that is there; the worst where none is clear.
    clear = np.maximum(np.abs(seen) ** 2 - 2.0 * variance, 0.0)
    under = float(clear @ variance / clear.sum()) if clear.sum() > noise else float(variance.max())
    spread = 4.0 * float(variance @ variance)
    low = _square_from(total - noise, under, spread, -1.0)
    high = _square_from(total - noise, under, spread, 1.0)
    value, least, most = (100.0 * math.sqrt(x) for x in (square, low, high))
    half = max(most - value, value - least)
    notes = []
    if least == 0.0:
        notes.append("the noise could make all of it")
    if not there.all():
        last = [k for k, is_there in zip(HARMONICS, there, strict=True) if is_there][-1]
        notes.append(f"harmonics up to the {_ORDINALS[last]}")
    repeat = Contribution(
        name=f"{NAME}.repeatability",
        standard_uncertainty=half / 2.0,
        kind="A",
        source="noise in the harmonics' places",
    )
    return measured(
        NAME,
        value,
        [repeat],
        count=len(frames),
        interval=(least, most),
        flags=("floor",) if least == 0.0 else (),
        note="; ".join(notes),
        **more,
    )


_ORDINALS = {2: "2nd", 3: "3rd", 4: "4th", 5: "5th"}


def _square_from(excess: float, under: float, spread: float, side: float) -> float:
    """Solve (Q - excess)^2 = 1.96^2 (4 Q under + spread) for the Q on one side; not below 0."""
    a = SIGMAS**2
    half = excess + 2.0 * a * under
    root = math.sqrt(max(half**2 - excess**2 + a * spread, 0.0))
    return max(half + side * root, 0.0)
