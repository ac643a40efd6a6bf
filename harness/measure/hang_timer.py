"""What many hang times say of the timer behind them: steady, or in which way it is not.

A hang time is the squelch's closing and then the timer. Where the repeated audio shows the noise
burst's end, that is where the timer began, and the timer is judged by itself; else the whole.

==============  ==================================================================================
state           evidence
==============  ==================================================================================
none            the carrier goes with the noise burst or soon after it, as a keying line lets go
two times       all lie in two groups, each far narrower than the way between them
drifts          a straight line in time
follows keying  a straight line in the length of the keying before
varies          more scatter than a timer has, and none of the above
steady          none of the above
==============  ==================================================================================

A change counts when chance explains it less than once in a thousand (``SIGNIFICANCE``), when the
measurement's own noise does not, and when it is 1 % of the time or 2 ms, whichever is more. Of
several explanations the one that leaves least is given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import chdtrc, stdtr

from harness.units import FloatArray

TimerState = Literal["none", "two times", "drifts", "follows keying", "varies", "steady"]

LEAST_RUNS = 4
"""Fewer say nothing of a scatter. Chosen: the standard deviation of four is known to a factor of
two or so."""
LEAST_FOR_LINE = 6
"""Chosen: a line in two variables leaves three degrees of freedom."""
LEAST_FOR_GROUPS = 8
"""Chosen: see ``WITHIN_PER_RUN``."""
SIGNIFICANCE = 1e-3
"""Chosen."""
LEAST_SHARE = 0.01
"""Chosen: a timer of resistor and capacitor, or a counter, repeats to a few tenths of a percent
from one run to the next (common practice, no source)."""
LEAST_CHANGE_S = 0.002
"""Chosen: a squelch's own integrator closes within a millisecond or two on noise."""
WITHIN_PER_RUN, WITHIN_MOST = 0.0015, 0.1
"""Share of the sum of squares that is left within the two groups: so much for each run, and at
most. By simulation: 20 000 samples of 8 to 100 and 4000 of 400 out of a normal, a uniform and an
exponential distribution each came below this less than once in two thousand."""
LEAST_IN_GROUP = 2
"""One by itself is an outlier. Chosen."""
LONGEST_CLOSING_S = 0.25
"""A squelch closes within this. Chosen: slow carrier squelches take a fifth of a second (common
practice, no source)."""
LONGEST_RELEASE_S = 0.05
"""A keying line and a transmitter let go within this. Chosen: a relay takes a fiftieth of a second
(common practice, no source), and no hang timer is meant to be so short."""
ALIKE = 0.9
"""Correlation above which two causes are not told apart. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimerRun:
    """One hang time.

    Parameters
    ----------
    at_s : when it began, in the time of the take
    lasted_s : the hang time
    noise_s : standard uncertainty of it by noise
    closing_s : the part of it in which the squelch closed; None where that is not seen
    closing_noise_s : standard uncertainty of that
    keyed_s : length of the keying before it; None where that is not seen
    ends_with_audio : whether noise or tone was heard up to the end
    """

    at_s: float
    lasted_s: float
    noise_s: float
    closing_s: float | None = None
    closing_noise_s: float = 0.0
    keyed_s: float | None = None
    ends_with_audio: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TimerJudgement:
    """A state of the hang timer and the evidence for it, a plain sentence or nothing."""

    state: TimerState
    evidence: str = ""


def judge_hang_timer(runs: Sequence[TimerRun]) -> TimerJudgement | None:
    """Say how the timer behind these hang times is; None where there are too few.

    Notes
    -----
    The line is ordinary least squares, judged by Student's t; the scatter is judged by chi-square
    of the measurement's own noise.
    """
    if not runs:
        return None
    hang_s = np.array([run.lasted_s for run in runs])
    if all(_is_none(run) for run in runs):
        return TimerJudgement(
            state="none",
            evidence=f"The carrier goes {_ms(hang_s.mean())} after the input, as the squelch closes"
            " and the keying line lets go: no hang.",
        )
    if len(runs) < LEAST_RUNS:
        return None
    noise_s = np.array([run.noise_s for run in runs])
    closing_s = [run.closing_s for run in runs]
    lasted_s = hang_s
    if all(closing is not None for closing in closing_s):
        lasted_s = hang_s - np.array(closing_s, np.float64)
        noise_s = np.hypot(noise_s, [run.closing_noise_s for run in runs])
    limit_s = max(LEAST_SHARE * float(hang_s.mean()), LEAST_CHANGE_S)
    found = _explanations(runs, lasted_s, noise_s, limit_s)
    if found:
        return min(found, key=lambda one: one[0])[1]
    if hang_s.std(ddof=1) > limit_s and lasted_s is not hang_s:
        return TimerJudgement(
            state="steady",
            evidence=f"The hang times scatter by {_ms(hang_s.std(ddof=1))} as the squelch closes"
            f" after {_range(np.array(closing_s, np.float64))}; the timer behind it is steady.",
        )
    return TimerJudgement(state="steady")


def _is_none(run: TimerRun) -> bool:
    if run.ends_with_audio:
        return run.lasted_s <= LONGEST_CLOSING_S
    return run.lasted_s - (run.closing_s or 0.0) <= LONGEST_RELEASE_S


def _explanations(
    runs: Sequence[TimerRun], lasted_s: FloatArray, noise_s: FloatArray, limit_s: float
) -> list[tuple[float, TimerJudgement]]:
    """Give what explains the scatter, each with the sum of squares that it leaves."""
    count = len(lasted_s)
    off_s = lasted_s - lasted_s.mean()
    total = float(off_s @ off_s)
    noise = float(np.mean(np.square(noise_s)))
    if noise > 0.0 and chdtrc(count - 1, total / noise) > SIGNIFICANCE:
        return []
    found = [*_lines(runs, lasted_s, limit_s), *_groups(lasted_s, limit_s)]
    spread_s = math.sqrt(total / (count - 1))
    if spread_s > limit_s:
        words = (
            f"The hang time varies by {_ms(spread_s)} (standard deviation of {count},"
            f" {_range(lasted_s)}); the measurement explains {_ms(math.sqrt(noise))} of it."
        )
        found.append((total, TimerJudgement(state="varies", evidence=words)))
    return found


def _lines(
    runs: Sequence[TimerRun], lasted_s: FloatArray, limit_s: float
) -> list[tuple[float, TimerJudgement]]:
    """Look for a straight line in time, and in the length of the keying before."""
    count = len(runs)
    if count < LEAST_FOR_LINE:
        return []
    at_s = np.array([run.at_s for run in runs])
    keyed_s = np.array([run.keyed_s for run in runs if run.keyed_s is not None])
    has_lengths = len(keyed_s) == count and float(np.ptp(keyed_s)) > 0.05 * float(keyed_s.mean())
    columns = [at_s - at_s.mean()]
    if has_lengths:
        columns.append(keyed_s - keyed_s.mean())
    alike = has_lengths and abs(float(np.corrcoef(at_s, keyed_s)[0, 1])) > ALIKE
    if alike:
        columns = columns[:1]
    x = np.stack([np.ones(count), *columns], axis=1)
    inverse = np.linalg.pinv(x.T @ x)
    fit = inverse @ x.T @ lasted_s
    left_s = lasted_s - x @ fit
    left = float(left_s @ left_s)
    freedom = count - x.shape[1]
    sigma_s = math.sqrt(max(left / freedom, 1e-18))
    found = []
    for number, column in enumerate(columns, start=1):
        slope = float(fit[number])
        standard = sigma_s * math.sqrt(float(inverse[number, number]))
        by_chance = 2.0 * float(stdtr(freedom, -abs(slope) / standard))
        change_s = slope * float(np.ptp(column))
        if by_chance > SIGNIFICANCE or abs(change_s) < limit_s:
            continue
        if number == 1:
            words = (
                f"The hang time drifts by {_signed_ms(change_s)} over the {np.ptp(at_s):.3g} s from"
                f" the first of {count} to the last."
            )
            if alike:
                words = words[:-1] + (
                    ", or follows the length of the keying before it, which grew or shrank alike."
                )
            state: TimerState = "drifts"
        else:
            words = (
                f"The hang time follows the length of the keying before it:"
                f" {_signed_ms(change_s)} from {keyed_s.min():.3g} to {keyed_s.max():.3g} s keyed."
            )
            state = "follows keying"
        found.append((left, abs(change_s), TimerJudgement(state=state, evidence=words)))
    # Of two that both count, the one that moves the time more.
    found.sort(key=lambda one: -one[1])
    return [(left, judgement) for left, _, judgement in found[:1]]


def _groups(lasted_s: FloatArray, limit_s: float) -> list[tuple[float, TimerJudgement]]:
    """Look for two groups: the split of the sorted times that leaves least within."""
    count = len(lasted_s)
    if count < LEAST_FOR_GROUPS:
        return []
    in_order = np.sort(lasted_s)
    off_s = in_order - in_order.mean()
    total = float(off_s @ off_s)
    below = np.arange(LEAST_IN_GROUP, count - LEAST_IN_GROUP + 1)
    sums = np.cumsum(off_s)[below - 1]
    between = np.square(sums) * (1.0 / below + 1.0 / (count - below))
    best = int(np.argmax(between))
    within = max(total - float(between[best]), 0.0)
    low, high = in_order[: below[best]], in_order[below[best] :]
    apart_s = float(high.mean() - low.mean())
    if within > min(WITHIN_PER_RUN * count, WITHIN_MOST) * total or apart_s < limit_s:
        return []
    words = (
        f"The hang has two times: {low.mean():.4f} s ({len(low)} keyings) and"
        f" {high.mean():.4f} s ({len(high)})."
    )
    return [(within, TimerJudgement(state="two times", evidence=words))]


def _ms(time_s: float) -> str:
    return f"{1e3 * time_s:.3g} ms"


def _signed_ms(time_s: float) -> str:
    return f"{1e3 * time_s:+.3g} ms"


def _range(times_s: FloatArray) -> str:
    return f"{times_s.min():.4f} to {times_s.max():.4f} s"
