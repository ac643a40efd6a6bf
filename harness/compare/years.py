"""One unit over years: does a reading move with time, where will it be, which run falls out.

Trend. A straight line by least squares, each run weighted by 1 / u^2 with u its own standard
uncertainty; a calibration that all runs share drops out, since it moves all of them alike. Where
the runs scatter about the line by more than u explains (chi-square over its degrees of freedom,
the Birge ratio squared, above 1; Birge 1932, from memory), what the line does not know is taken
from the scatter: u grows by that ratio and the coverage factor is that of t with n - 2 degrees of
freedom. It never shrinks. With uncertainties told too small by four it so holds the truth as often
as it says from five runs on, and in 87 of 100 cases with three, which lie on a line by chance too
often (simulated, see the tests). A trend is told when the slope is beyond its U.

Control limits. The chart of individual values: the mean of the runs, and 2.66 mean moving ranges
to both sides (three standard deviations, each estimated by the range of two over d2 = 1.128;
Shewhart's chart as in NIST/SEMATECH e-Handbook 6.3.2.2, from memory; its example is in the tests).
They take no dates into account, so that irregular ones do no harm, and they follow what the unit
has done, not what it must do: limits of the rules stand in its plan. A run lies outside only if it
does so by more than its own U. Where a trend is told, they are of the distances from the line: what
moves by itself has no middle to rest at.

A run that is far off widens the limits that it is judged by: of seven runs, one that is eight
standard deviations off is never outside (simulated, see the tests). So there are robust limits
beside them, the median and 3.145 median moving ranges (3 / 0.954; Wheeler, from memory), which see
it in six of seven cases, and of a unit that does not change put a run outside in about one quantity
in ten.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import mean, median

import numpy as np

from harness.compare.gather import (
    LeftOut,
    Named,
    Quantity,
    Value,
    gather,
    remarks_on,
    require_comparable,
    unit_of,
    values_of,
)
from harness.errors import BadInput
from harness.uncertainty import coverage_factor

YEAR_S = 365.25 * 24 * 3600.0
LEAST_TREND = 3
"""Runs below which a line is none: two always lie on one."""
LEAST_CONTROL = 6
"""Runs below which no control limits are given. Chosen: of five, not even the robust ones see a run
that is far off."""
FIRM_CONTROL = 20
"""Runs from which the limits are firm: the usual advice for such a chart. From memory."""
SIGMAS_TO_MOVING_RANGE = 2.66
"""3 / 1.128, the mean range of two from a normal distribution of standard deviation 1."""
SIGMAS_TO_MEDIAN_RANGE = 3.145
"""3 / 0.954, the median range of two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A straight line through the runs.

    Parameters
    ----------
    middle_utc : about which the line is known best
    level : there, in the quantity's unit
    slope_per_year : in the quantity's unit per year
    level_u, slope_u : standard uncertainties of both, which are independent there
    coverage_factor : of both
    birge : how much more the runs scatter than their uncertainties explain; at least 1 is used
    next_u : standard uncertainty of one more run
    """

    middle_utc: datetime
    level: float
    slope_per_year: float
    level_u: float
    slope_u: float
    coverage_factor: float
    birge: float
    next_u: float

    @property
    def expanded_slope(self) -> float:
        """U of the slope, per year."""
        return self.coverage_factor * self.slope_u

    @property
    def is_told(self) -> bool:
        """Whether the reading moves with time by more than the uncertainties explain."""
        return abs(self.slope_per_year) > self.expanded_slope

    def at(self, moment: datetime) -> float:
        """Give the line's value at a moment."""
        return self.level + self.slope_per_year * _years(self.middle_utc, moment)

    def expanded_at(self, moment: datetime, *, of_a_run: bool = False) -> float:
        """Give U of the line at a moment, or of one more run there."""
        years = _years(self.middle_utc, moment)
        of_run = self.next_u if of_a_run else 0.0
        return self.coverage_factor * math.hypot(self.level_u, years * self.slope_u, of_run)


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """Control limits of a chart of individual values.

    Parameters
    ----------
    middle, low, high : by the mean and the mean moving range, in the quantity's unit
    robust_middle, robust_low, robust_high : by the medians of both
    outside, robustly_outside : places of the runs that lie outside by more than their own U
    about_line : whether the values are distances from the line, since that moves by itself
    """

    middle: float
    low: float
    high: float
    robust_middle: float
    robust_low: float
    robust_high: float
    outside: tuple[int, ...]
    robustly_outside: tuple[int, ...]
    about_line: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class YearsLine:
    """One quantity of one unit over its runs.

    Parameters
    ----------
    values : in the order of time
    trend, control : None where there are too few runs
    shared, shared_uncertainty : calibrations that all runs rest on, and their U, which the line
        leaves out
    expected, expanded_expected : of a run at the moment asked for, and its U
    """

    quantity: Quantity
    values: tuple[Value, ...]
    trend: Trend | None
    control: Control | None
    expected: float | None
    expanded_expected: float | None
    without: tuple[tuple[int, str], ...]
    shared: tuple[str, ...]
    shared_uncertainty: float
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Years:
    """One unit over its runs, the earliest first.

    Parameters
    ----------
    unit : its name, and its serial number where it has one
    names, moments_utc : of the runs
    expected_utc : the moment that is looked ahead to
    """

    unit: tuple[str, str]
    names: tuple[str, ...]
    moments_utc: tuple[datetime, ...]
    expected_utc: datetime
    lines: tuple[YearsLine, ...]
    left_out: tuple[LeftOut, ...]
    remarks: tuple[str, ...]


def compare_years(runs: Sequence[Named], expected_utc: datetime | None = None) -> Years:
    """Follow one unit over its runs.

    Parameters
    ----------
    runs : of one unit, in any order
    expected_utc : moment to look ahead to; None: a year after the newest run

    Raises
    ------
    BadInput : the runs are of several units, two began at the same moment, or some are simulated
        and some are not.
    """
    require_comparable(runs)
    runs = sorted(runs, key=lambda named: named.run.started_utc)
    units = {unit_of(named.run) for named in runs}
    if len(units) > 1:
        raise BadInput(
            f"the runs are of {len(units)} units",
            ", ".join(sorted(" ".join(filter(None, unit)) or "not named" for unit in units)),
            "Give runs of one unit.",
        )
    for earlier, later in pairwise(runs):
        if earlier.run.started_utc == later.run.started_utc:
            raise BadInput("two runs began at the same moment", later.name, "Give each run once.")
    moments = tuple(named.run.started_utc for named in runs)
    ahead = expected_utc or moments[-1] + timedelta(seconds=YEAR_S)
    gathered = gather(runs)
    lines = [
        _line(quantity, runs, moments, ahead)
        for quantity in gathered.quantities
        if any(isinstance(r.value, int | float) for r in quantity.readings.values())
    ]
    return Years(
        unit=units.pop(),
        names=tuple(named.name for named in runs),
        moments_utc=moments,
        expected_utc=ahead,
        lines=tuple(lines),
        left_out=gathered.left_out,
        remarks=remarks_on(runs),
    )


def _line(
    quantity: Quantity, runs: Sequence[Named], moments: Sequence[datetime], ahead: datetime
) -> YearsLine:
    values = values_of(quantity, runs)
    held = values.held
    when = [moments[one.place] for one in held]
    trend = trend_of(when, held)
    if trend is not None and trend.is_told:
        apart = [
            replace(one, value=one.value - trend.at(moment))
            for one, moment in zip(held, when, strict=True)
        ]
        control = control_of(apart, about_line=True)
    else:
        control = control_of(held)
    if trend is None and len(held) >= LEAST_TREND:
        note = "There is no uncertainty to weigh the runs by."
    elif trend is None:
        note = f"{len(held)} runs have a number; a trend takes {LEAST_TREND}."
    elif control is None:
        note = f"Control limits take {LEAST_CONTROL} runs."
    elif len(held) < FIRM_CONTROL:
        note = f"Control limits of {len(held)} runs are rough; they are firm from {FIRM_CONTROL}."
    else:
        note = ""
    return YearsLine(
        quantity=quantity,
        values=held,
        trend=trend,
        control=control,
        expected=None if trend is None else trend.at(ahead),
        expanded_expected=None if trend is None else trend.expanded_at(ahead, of_a_run=True),
        without=values.without,
        shared=values.shared,
        shared_uncertainty=values.shared_uncertainty,
        note=note,
    )


def trend_of(moments: Sequence[datetime], values: Sequence[Value]) -> Trend | None:
    """Fit a straight line over time; None for fewer than three runs, or without uncertainties."""
    if len(values) < LEAST_TREND or any(one.standard_uncertainty <= 0.0 for one in values):
        return None
    years = np.array([_years(moments[0], moment) for moment in moments])
    y = np.array([one.value for one in values])
    weight = np.array([one.standard_uncertainty for one in values]) ** -2.0
    middle = float(np.sum(weight * years) / np.sum(weight))
    from_middle = years - middle
    spread = float(np.sum(weight * from_middle**2))
    level = float(np.sum(weight * y) / np.sum(weight))
    slope = float(np.sum(weight * from_middle * (y - level)) / spread)
    freedom = len(values) - 2
    chi_square = float(np.sum(weight * (y - level - slope * from_middle) ** 2))
    birge = math.sqrt(chi_square / freedom)
    more = max(1.0, birge)
    # One more run: as good as the runs are at the median.
    typical = float(np.median([one.standard_uncertainty for one in values]))
    return Trend(
        middle_utc=moments[0] + timedelta(seconds=middle * YEAR_S),
        level=level,
        slope_per_year=slope,
        level_u=more / math.sqrt(float(np.sum(weight))),
        slope_u=more / math.sqrt(spread),
        coverage_factor=coverage_factor(freedom) if birge > 1.0 else 2.0,
        birge=birge,
        next_u=more * typical,
    )


def control_of(values: Sequence[Value], *, about_line: bool = False) -> Control | None:
    """Give control limits from moving ranges; None for too few runs.

    Parameters
    ----------
    values : in the order of time
    about_line : whether they are distances from a line
    """
    if len(values) < LEAST_CONTROL:
        return None
    held = [one.value for one in values]
    ranges = [abs(later - earlier) for earlier, later in pairwise(held)]
    middle, robust_middle = mean(held), median(held)
    reach = SIGMAS_TO_MOVING_RANGE * mean(ranges)
    robust_reach = SIGMAS_TO_MEDIAN_RANGE * median(ranges)
    return Control(
        middle=middle,
        low=middle - reach,
        high=middle + reach,
        robust_middle=robust_middle,
        robust_low=robust_middle - robust_reach,
        robust_high=robust_middle + robust_reach,
        outside=_outside(values, middle, reach),
        robustly_outside=_outside(values, robust_middle, robust_reach),
        about_line=about_line,
    )


def _outside(values: Sequence[Value], middle: float, reach: float) -> tuple[int, ...]:
    return tuple(
        one.place
        for one in values
        if abs(one.value - middle) > max(reach, one.expanded_uncertainty)
    )


def _years(start: datetime, moment: datetime) -> float:
    return (moment - start).total_seconds() / YEAR_S
