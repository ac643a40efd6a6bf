"""The course of one quantity over a battery run: noise, settled start, end, slope, crossings.

Rows further apart than ``GAP_INTERVALS`` typical intervals are a gap; nothing is interpolated or
fitted across one, except the slope, for which missing rows are only fewer rows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.uncertainty import rectangular
from harness.units import FloatArray

GAP_INTERVALS = 3.0
"""Rows further apart than so many typical intervals are a gap. Chosen."""
SETTLED_S = 2700.0
"""The course is settled where a line holds for so long, or for 0.3 of a shorter run. Chosen: a
warm-up of up to a third of it in time constant does not pass for a line."""
SETTLED_SHARE = 0.3
"""Of a run: so long a line must hold at most, and so late it may begin. Chosen."""
SETTLED_ROWS = 5
"""A line through fewer rows tells nothing. Chosen."""
SETTLED_STEPS = 50
"""So many beginnings are tried within the length of a line. Chosen: 1 min for 45 min."""
STRAY_ROWS = 5
"""Rows before the last from which it is foretold. Chosen."""
STRAY_TIMES = (10.0, 20.0, 5.0)
"""A last row is stray when it is off by more than so many times what counts as settled, the
noise, and the largest step of the rows before it. Chosen: no bend of a course, but a fall in one
interval by several times what it fell in any before."""
END_ROWS = (15, 9, 5)
"""Rows at the end that a line is tried through, longest first. Chosen."""
STRAIGHT = 1.5
"""Residuals below so many times the noise are a straight line, of many rows less. Chosen."""
CONFIRM_ROWS = 3
"""Most of so many rows from a crossing on must lie beyond it: one stray row is none. Chosen."""
CROSSING_ROWS = (65, 33, 17, 9, 5)
"""Rows about a crossing that a line is tried through, longest first. Chosen."""
CROSSING_TURNS = 20
"""So often the rows are moved to have the crossing in their middle. Chosen."""
CLEAR_SLOPE = 4.0
"""A line crosses for certain when its slope is so many standard uncertainties. Chosen."""
LONG_ROWS = (513, 257, 129)
"""The same before a knee is looked for: on a flat course shorter lines find the dips of noise."""
KNEE_ROWS = (513, 257, 129, 65, 33)
"""Rows about a crossing that two lines which meet are tried through, longest first. Chosen."""
KNEE_STEPS = 32
"""So many places are tried for where they meet, and as many again beside the best. Chosen."""
STRAIGHT_SIGMAS = 4.0
"""Residuals of n rows may be larger than the noise by so many of its 1 / sqrt(2 n). Chosen."""
LOCAL_ROWS = 4
"""Rows on each side of a crossing whose slope tells how sharp it is. Chosen."""


def typical_interval_s(time_s: FloatArray) -> float:
    """Median of the intervals above 0, in s; 0 where there is none."""
    steps_s = np.diff(time_s)
    steps_s = steps_s[steps_s > 0]
    return float(np.median(steps_s)) if steps_s.size else 0.0


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line by least squares, and what is left of the values.

    ``value`` is that at the time asked for; both standard uncertainties rest on ``residual_rms``
    and ``degrees_of_freedom``, at least 1.
    """

    value: float
    slope_per_s: float
    value_uncertainty: float
    slope_uncertainty: float
    residual_rms: float
    degrees_of_freedom: float


def fit_line(
    time_s: FloatArray, values: FloatArray, at_s: float, least_rms: float = 0.0
) -> Line | None:
    """Fit a line; None with fewer than three values or all at one time.

    Parameters
    ----------
    time_s, values : float64, shape (n,)
    at_s : where the line is asked for
    least_rms : the residuals count as no smaller than this

    Notes
    -----
    What is left of a curve hangs together from row to row, and n such rows say less than n
    rows. The degrees of freedom are those of n (1 - r) / (1 + r) rows, r the correlation of
    neighbours, and the uncertainties grow alike (first-order autoregression; common practice).
    """
    count = len(time_s)
    if count < 3:
        return None
    middle_s = float(time_s.mean())
    since_s = time_s - middle_s
    spread = float(since_s @ since_s)
    if spread == 0.0:
        return None
    mean = float(values.mean())
    slope = float(since_s @ (values - mean)) / spread
    left = values - mean - slope * since_s
    squares = float(left @ left)
    together = float(left[1:] @ left[:-1]) / squares if squares > 0.0 else 0.0
    together = min(max(together, 0.0), 0.99)
    grown = (1.0 + together) / (1.0 - together)
    freedom = max(count / grown - 2.0, 1.0)
    rms = max(math.sqrt(squares / (count - 2)), least_rms)
    away_s = at_s - middle_s
    return Line(
        value=mean + slope * away_s,
        slope_per_s=slope,
        value_uncertainty=rms * math.sqrt(grown * (1.0 / count + away_s**2 / spread)),
        slope_uncertainty=rms * math.sqrt(grown / spread),
        residual_rms=rms,
        degrees_of_freedom=freedom,
    )


@dataclass(frozen=True, slots=True)
class Level:
    """A level at one moment: standard uncertainty, degrees of freedom, rows it rests on."""

    value: float
    standard_uncertainty: float
    degrees_of_freedom: float
    count: int


@dataclass(frozen=True, slots=True)
class Start:
    """The settled start: its level, the first settled row, and the warm-up before it.

    ``warm_up`` is first value minus settled course, 0 without a warm-up; ``warm_up_s`` its length.
    ``left`` is how far the course was still off the later one at its end; ``settled`` whether
    that was little enough.
    """

    level: Level
    row: int
    warm_up: float
    warm_up_s: float
    left: float = 0.0
    settled: bool = True


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where a course falls to a level.

    ``before_s`` and ``after_s`` are the rows on either side of the first that is below;
    ``before_s`` is None where the first row is already below. ``time_s`` is where a line through
    the rows about it crosses, or two lines that meet, or between those two where the course is
    neither (``is_straight``); None across a gap. ``value`` is the course there with its standard
    uncertainty, ``slope_per_s`` below 0.
    """

    before_s: float | None
    after_s: float
    time_s: float | None
    slope_per_s: float
    value: Level
    is_straight: bool = False


class Course:
    """One quantity over a run, blanks left out, one value per time.

    Parameters
    ----------
    time_s : float64, shape (n,), not falling
    values : float64, shape (n,); NaN is a blank
    planned_s : rows so far apart are no gap, for they were planned so
    """

    def __init__(self, time_s: FloatArray, values: FloatArray, planned_s: float = 0.0) -> None:
        there = np.isfinite(values)
        time_s, values = time_s[there], values[there]
        last = np.append(np.diff(time_s) > 0, True)[: len(time_s)]
        self.time_s: FloatArray = time_s[last]
        self.values: FloatArray = values[last]
        self.interval_s = typical_interval_s(self.time_s)
        self.planned_s = planned_s
        self.noise = _noise(self.time_s, self.values)

    def __len__(self) -> int:
        """Count the values."""
        return len(self.time_s)

    def before(self, time_s: float) -> Course:
        """Give the course before a time."""
        kept = self.time_s < time_s
        return Course(self.time_s[kept], self.values[kept], self.planned_s)

    @property
    def widest_s(self) -> float:
        """Rows further apart are a gap."""
        return max(GAP_INTERVALS * self.interval_s, self.planned_s)

    @property
    def gaps(self) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Whether there is a gap between each value and the next; shape (n - 1,)."""
        return np.asarray(np.diff(self.time_s) > self.widest_s)

    def _whole(self, row: int, first: int, last: int) -> slice:
        """Rows first to last around a row, cut at the nearest gaps."""
        gaps = np.flatnonzero(self.gaps)
        earlier, later = gaps[gaps < row], gaps[gaps >= row]
        first = max(first, 0, int(earlier[-1]) + 1 if earlier.size else 0)
        last = min(last, len(self) - 1, int(later[0]) if later.size else len(self) - 1)
        return slice(first, last + 1)

    def start(self, least: float) -> Start:
        """Give the settled start and the warm-up that was left out.

        Parameters
        ----------
        least : deviation from the settled course that is no warm-up, in the unit of the values

        Notes
        -----
        ``SETTLED_S`` are looked at from the first row on, then from later ones. The warm-up is
        over where their first row lies to within ``least`` on the line through their latter two
        thirds: the mean of the first rows, where it takes that to have the noise below
        ``least``, up to a tenth of them; three times the noise of both is allowed. The level is
        that of the line through all of them, at the first. Where that comes nowhere in the first
        part of the run, the row with the smallest deviation counts. Chosen.
        """
        since_s = self.time_s - self.time_s[0]
        run_s = float(since_s[-1])
        length_s = max(min(SETTLED_S, SETTLED_SHARE * run_s), (SETTLED_ROWS - 1) * self.interval_s)
        rows = max(int(np.searchsorted(since_s, length_s, side="right")), 1)
        latest = int(np.searchsorted(since_s, SETTLED_SHARE * run_s, side="right"))
        needed = max(math.ceil((3.0 * self.noise / least) ** 2), 1)
        best: tuple[float, int, int] | None = None
        for row in range(0, max(latest, 1), max(rows // SETTLED_STEPS, 1)):
            stop = int(np.searchsorted(since_s, since_s[row] + length_s, side="right"))
            middle = int(np.searchsorted(since_s, since_s[row] + length_s / 3.0))
            first = slice(row, row + min(needed, max((stop - row) // 10, 1)))
            at_s = float(self.time_s[first].mean())
            later = fit_line(self.time_s[middle:stop], self.values[middle:stop], at_s)
            if later is None:
                continue
            off = float(self.values[first].mean()) - later.value
            # A line of n rows, drawn back by half its length, has 13 / n of the variance of one.
            variances = 1.0 / (first.stop - first.start) + 13.0 / (stop - middle)
            if best is None or abs(off) < abs(best[0]):
                best = off, row, stop
            if abs(off) <= max(least, 3.0 * self.noise * math.sqrt(variances)):
                return self._start(row, stop, off, True)
        if best is None:
            return Start(Level(float(self.values[0]), self.noise, math.inf, 1), 0, 0.0, 0.0)
        off, row, stop = best
        return self._start(row, stop, off, False)

    def _start(self, row: int, stop: int, left: float, settled: bool) -> Start:
        """Give the start at a row, from the line through the rows from it to ``stop``."""
        warm_up_s = float(self.time_s[row] - self.time_s[0])
        times_s, values = self.time_s[row:stop], self.values[row:stop]
        line = fit_line(times_s, values, float(times_s[0]), self.noise)
        assert line is not None
        drawn_back = line.value - line.slope_per_s * warm_up_s
        return Start(
            Level(line.value, line.value_uncertainty, line.degrees_of_freedom, stop - row),
            row,
            float(self.values[0]) - drawn_back if row else 0.0,
            warm_up_s,
            left if row or not settled else 0.0,
            settled,
        )

    def stray_end(self, least: float) -> float:
        """Give how far the last value lies off the course before it, 0 where it may belong to it.

        Parameters
        ----------
        least : deviation that counts as settled, in the unit of the values
        """
        last = len(self) - 1
        rows = self._whole(last, last - STRAY_ROWS, last)
        if rows.stop - rows.start <= STRAY_ROWS:
            return 0.0
        time_s, values = self.time_s[rows], self.values[rows]
        line = fit_line(time_s[:-1], values[:-1], float(time_s[-1]), self.noise)
        if line is None:
            return 0.0
        off = float(values[-1]) - line.value
        speed = float(np.abs(np.diff(values[:-1]) / np.diff(time_s[:-1])).max())
        step = speed * float(time_s[-1] - time_s[-2])
        sizes = (least, self.noise, step)
        far = max(times * size for times, size in zip(STRAY_TIMES, sizes, strict=True))
        return off if abs(off) > far else 0.0

    def end_slope_per_s(self) -> float:
        """Give the slope of the last few rows; 0 where there are too few."""
        last = len(self) - 1
        rows = self._whole(last, last - LOCAL_ROWS, last)
        line = fit_line(self.time_s[rows], self.values[rows], float(self.time_s[last]))
        return 0.0 if line is None else line.slope_per_s

    def end(self) -> Level:
        """Give the level at the last row: of a line where the end is straight, else the row's."""
        last = len(self) - 1
        for count in END_ROWS:
            rows = self._whole(last, last - count + 1, last)
            if rows.stop - rows.start < count:
                continue
            line = fit_line(self.time_s[rows], self.values[rows], self.time_s[last], self.noise)
            if line is not None and line.residual_rms <= STRAIGHT * self.noise:
                return Level(line.value, line.value_uncertainty, line.degrees_of_freedom, count)
        return Level(float(self.values[last]), self.noise, math.inf, 1)

    def crossing(
        self,
        level: float,
        first_row: int = 0,
        *,
        averaged: bool = False,
        level_uncertainty: float = 0.0,
    ) -> Crossing | None:
        """Find where the course falls to a level, and stays: None when it never does.

        Parameters
        ----------
        averaged : where the course itself crosses, its noise averaged out, instead of where the
            rows first do, which is when something that watches them would act
        level_uncertainty : standard, of the level itself: it says how near a knee is near
        """
        below = self.values <= level
        for row in np.flatnonzero(below):
            confirm = below[row : row + CONFIRM_ROWS]
            if row >= first_row and 2 * np.count_nonzero(confirm) > len(confirm):
                found_at = int(row)
                return self._crossing(found_at, level, first_row, averaged, level_uncertainty)
        return None

    def _crossing(
        self, row: int, level: float, first_row: int, averaged: bool, level_uncertainty: float
    ) -> Crossing:
        after_s = float(self.time_s[row])
        value = Level(level, self.noise, math.inf, 1)
        if row == first_row:
            return Crossing(None, after_s, None, -math.inf, value)
        before_s = float(self.time_s[row - 1])
        above = float(self.values[row - 1]) - level
        fall = float(self.values[row - 1] - self.values[row])
        slope = -fall / (after_s - before_s)
        if self.gaps[row - 1]:
            return Crossing(before_s, after_s, None, slope, value)
        if averaged:
            found = (
                self._straight_crossing(row, level, first_row, LONG_ROWS)
                or self._knee_crossing(row, level, first_row, level_uncertainty)
                or self._straight_crossing(row, level, first_row, CROSSING_ROWS)
            )
            if found is not None:
                time_s, line, count = found
                value = Level(level, line.value_uncertainty, line.degrees_of_freedom, count)
                fall = line.slope_per_s
                return Crossing(before_s, after_s, time_s, fall, value, is_straight=True)
        # At a knee the flatter side tells how far noise can move the crossing.
        sides = (
            self._whole(row - 1, row - 1 - LOCAL_ROWS, row - 1),
            self._whole(row, row, row + LOCAL_ROWS),
            self._whole(row, row - LOCAL_ROWS, row + LOCAL_ROWS - 1),
        )
        lines = [fit_line(self.time_s[rows], self.values[rows], after_s) for rows in sides]
        falling = [line.slope_per_s for line in lines if line and line.slope_per_s < 0.0]
        time_s = before_s + (after_s - before_s) * above / fall
        return Crossing(before_s, after_s, time_s, max(falling, default=slope), value)

    def _straight_crossing(
        self, row: int, level: float, first_row: int, counts: Sequence[int]
    ) -> tuple[float, Line, int] | None:
        """Give where the first straight line about a crossing crosses, the line, its rows.

        Notes
        -----
        The first row below a level comes early where noise is larger than the fall from row to
        row; so the rows are moved until the line crosses in their middle.
        """
        for count in counts:
            middle, half = row, count // 2
            for _ in range(CROSSING_TURNS):
                rows = self._whole(middle, max(middle - half, first_row), middle + half)
                times_s, values = self.time_s[rows], self.values[rows]
                line = fit_line(times_s, values, float(self.time_s[middle]), self.noise)
                if line is None or line.slope_per_s >= 0.0 or len(times_s) < count // 2 + 2:
                    break
                time_s = float(self.time_s[middle]) + (level - line.value) / line.slope_per_s
                time_s = min(max(time_s, float(times_s[0])), float(times_s[-1]))
                moved = int(np.argmin(np.abs(self.time_s - time_s)))
                if moved != middle:
                    middle = moved
                    continue
                at = fit_line(times_s, values, time_s, self.noise)
                if (
                    at is not None
                    and at.residual_rms <= self._straight(len(times_s))
                    and -at.slope_per_s > CLEAR_SLOPE * at.slope_uncertainty
                ):
                    return time_s, at, len(times_s)
                break
        return None

    def _straight(self, count: int) -> float:
        """Largest residual of so many rows that are straight but for their noise."""
        return self.noise * min(STRAIGHT, 1.0 + STRAIGHT_SIGMAS / math.sqrt(2.0 * count))

    def _knee_crossing(
        self, row: int, level: float, first_row: int, level_uncertainty: float
    ) -> tuple[float, Line, int] | None:
        """Give where two lines that meet near a crossing cross, the line there, and their rows.

        Notes
        -----
        On the flat side of a knee noise moves a crossing far, and the first rows that it takes
        below the level come long before it: short lines through them would find it there. Near
        the knee the slope of the flatter side counts.
        """
        for most in KNEE_ROWS:
            middle, half = row, most // 2
            for _ in range(CROSSING_TURNS):
                rows = self._whole(middle, max(middle - half, first_row), middle + half)
                if rows.stop - rows.start < max(most // 2 + 2, 4 * LOCAL_ROWS):
                    break
                knee = _fit_knee(
                    self.time_s[rows], self.values[rows], level, level_uncertainty, self.noise
                )
                if knee is None:
                    break
                time_s, line = knee
                moved = int(np.argmin(np.abs(self.time_s - time_s)))
                if abs(moved - middle) > most // 8:
                    middle = moved
                    continue
                count = rows.stop - rows.start
                if line.residual_rms <= self._straight(count):
                    return time_s, line, count
                break
        return None


def _fit_knee(
    time_s: FloatArray,
    values: FloatArray,
    level: float,
    level_uncertainty: float,
    noise: float,
) -> tuple[float, Line] | None:
    """Fit two lines that meet, the later one steeper; give when they cross a level, and how.

    Parameters
    ----------
    time_s, values : float64, shape (n,)
    noise : the residuals count as no smaller than this
    """
    count = len(time_s)
    since_s = time_s - time_s[0]

    def fit(meet: int) -> tuple[float, FloatArray, FloatArray]:
        past_s = np.maximum(since_s - since_s[meet], 0.0)
        basis = np.stack([np.ones(count), since_s, past_s], axis=1)
        found = np.linalg.solve(basis.T @ basis, basis.T @ values)
        left = values - basis @ found
        return float(left @ left), found, left

    first, last = LOCAL_ROWS, count - 1 - LOCAL_ROWS
    step = max((last - first) // KNEE_STEPS, 1)
    meet = min(range(first, last + 1, step), key=lambda at: fit(at)[0])
    near = range(max(meet - step, first), min(meet + step, last) + 1, max(step // KNEE_STEPS, 1))
    meet = min(near, key=lambda at: fit(at)[0])
    squares, found, left = fit(meet)
    before, after = float(found[1]), float(found[1] + found[2])
    if not after < before < 0.0:
        return None
    at_knee = float(found[0]) + before * float(since_s[meet])
    side = before if level >= at_knee else after
    crossed_s = float(since_s[meet]) + (level - at_knee) / side
    if not 0.0 <= crossed_s <= since_s[-1]:
        return None
    past_s = np.maximum(since_s - since_s[meet], 0.0)
    basis = np.stack([np.ones(count), since_s, past_s], axis=1)
    there = np.array([1.0, crossed_s, max(crossed_s - float(since_s[meet]), 0.0)])
    spread = math.sqrt(float(there @ np.linalg.solve(basis.T @ basis, there)))
    # A mean, two slopes and the place where they meet.
    rms = max(math.sqrt(squares / (count - 4)), noise)
    together = float(left[1:] @ left[:-1]) / squares if squares > 0.0 else 0.0
    together = min(max(together, 0.0), 0.99)
    grown = (1.0 + together) / (1.0 - together)
    uncertainty = rms * spread * math.sqrt(grown)
    is_near = abs(level - at_knee) < 2.0 * math.hypot(uncertainty, level_uncertainty)
    line = Line(
        value=level,
        slope_per_s=before if is_near else side,
        value_uncertainty=uncertainty,
        slope_uncertainty=math.inf,
        residual_rms=rms,
        degrees_of_freedom=max(count / grown - 4.0, 1.0),
    )
    return float(time_s[0]) + crossed_s, line


def _noise(time_s: FloatArray, values: FloatArray) -> float:
    """Estimate the standard deviation from row to row, of what a smooth course leaves.

    Notes
    -----
    Each value against the line between its neighbours; the median of the size, so that a knee
    or a stray row does not count; 0.6745 is the median size of a standard normal. Not below
    the rounding that the values show.
    """
    if len(values) < 2:
        return 0.0
    steps = np.diff(np.unique(values))
    rounding = rectangular(float(steps.min()) / 2.0) if steps.size else 0.0
    if len(values) < 3:
        return rounding
    share = (time_s[1:-1] - time_s[:-2]) / (time_s[2:] - time_s[:-2])
    left = values[1:-1] - values[:-2] * (1.0 - share) - values[2:] * share
    left = left / np.sqrt(1.0 + share**2 + (1.0 - share) ** 2)
    return max(float(np.median(np.abs(left))) / 0.6745, rounding)
