"""Capacity that a battery run speaks of, against the marked one and against earlier runs.

What was delivered at one rate is brought to the rated time by Peukert (``peukert``), so that runs
at different currents can be set side by side. A run that the transmitter ended before the battery
was at its end voltage, and one whose log has gaps or stops early, give a lower bound.

Ageing is a straight line through the capacities by weighted least squares, in per cent of the
line's value at the first run for each year. It is claimed from three runs on, spread over
``LEAST_SPAN_DAYS`` at least; with two, only their difference is given. What all runs share (the
same declared meter on the same bench, the exponent) drops out as far as it moves all alike. Where
the runs scatter more than their uncertainties explain, the slope's uncertainty grows to match.
Runs that the transmitter ended can be set beside each other, since it gives out at much the same
voltage each time, but not beside those that went to an end voltage.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from harness.compare import kept_apart, same_declared
from harness.readings import Bound
from harness.service.battery import BatteryRun
from harness.service.peukert import capacity_from_run_ah
from harness.service.run_time import Rate
from harness.uncertainty import (
    Contribution,
    combine,
    difference,
    merge,
    rectangular,
    scaled,
)

LEAST_RUNS = 3
"""A line through two points fits always."""
LEAST_SPAN_DAYS = 30.0
"""Chosen: over less, temperature and charging move a battery more than age does."""
DAYS_PER_YEAR = 365.25
EXPONENT = "battery.rate exponent"
_STEP = 1e-4
"""Of a ratio, for slopes taken numerically. Chosen: far above rounding, far below curvature."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacity:
    """Capacity at the rated time from one run.

    ``bound`` is "lower" where the battery held more than the run shows; ``why_bound`` says why.
    ``is_whole`` tells that all of the run was logged; ``end_v`` is None where it ended with the
    transmitter.
    """

    name: str
    bench: str
    started_utc: datetime
    end_v: float | None
    mean_a: float
    delivered_ah: float
    value_ah: float
    expanded_uncertainty_ah: float
    coverage_factor: float
    contributions: tuple[Contribution, ...]
    bound: Bound | None = None
    why_bound: str = ""
    is_whole: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio:
    """A value with U in per cent, at k = ``coverage_factor``."""

    percent: float
    expanded_uncertainty_percent: float
    coverage_factor: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Capacity of the later run minus that of the earlier one, and En (U at k = 2 level)."""

    earlier: str
    later: str
    difference_ah: float
    expanded_uncertainty_ah: float
    en: float | None

    @property
    def is_explained(self) -> bool:
        """Whether the uncertainties explain it."""
        return self.en is not None and abs(self.en) <= 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ageing:
    """What the runs of one battery say together, in order of time.

    Parameters
    ----------
    capacities : of each run, by date
    change : from the first to the last of those that were logged whole and ended alike
    per_year : slope in per cent of the line's value at the first run; None where none is claimed
    why_none : what is missing for it
    """

    capacities: tuple[Capacity, ...]
    change: Change | None = None
    per_year: Ratio | None = None
    why_none: str = ""


def capacity_of(run: BatteryRun, rate: Rate, rate_source: str) -> Capacity:
    """Give the capacity at the rated time that a battery run speaks of.

    Parameters
    ----------
    run : of the battery
    rate : exponent as a range, rated time
    rate_source : where the range is from
    """

    def at(exponent: float = rate.middle, scale: float = 1.0, longer: float = 1.0) -> float:
        return capacity_from_run_ah(
            run.shares, run.currents_a * scale, run.lasted_h * longer, rate.rated_hours, exponent
        )

    value_ah = at()
    by_scale = (at(scale=1.0 + _STEP) - at(scale=1.0 - _STEP)) / (2.0 * _STEP)
    by_time = (at(longer=1.0 + _STEP) - at(longer=1.0 - _STEP)) / (2.0 * _STEP)
    half_ah = max(at(rate.high) - value_ah, value_ah - at(rate.low))
    parts = [
        *scaled(run.scale_parts, by_scale / run.charge_ah),
        *scaled(run.time_parts, by_time / (run.lasted_h * 3600.0)),
    ]
    if rate.high > rate.low:
        half = (rate.high - rate.low) / 2.0
        parts.append(
            Contribution(
                name=EXPONENT,
                standard_uncertainty=rectangular(half),
                sensitivity=half_ah / half,
                source=rate_source,
                distribution="rectangular",
            )
        )
    total = combine(parts)
    why = ""
    if run.is_bound:
        why = "not all of the run was logged"
    elif run.end_v is None:
        why = "the run ended before the battery was at its end voltage"
    return Capacity(
        name=run.name,
        bench=run.bench,
        started_utc=run.started_utc,
        end_v=run.end_v,
        mean_a=float(run.shares @ run.currents_a),
        delivered_ah=run.charge_ah,
        value_ah=value_ah,
        expanded_uncertainty_ah=total.expanded_uncertainty,
        coverage_factor=total.coverage_factor,
        contributions=merge(parts),
        bound="lower" if why else None,
        why_bound=why,
        is_whole=not run.is_bound,
    )


def of_rated(capacity: Capacity, rated_ah: float) -> Ratio:
    """Give the capacity in per cent of the marked one, which is taken as exact."""
    return Ratio(
        percent=100.0 * capacity.value_ah / rated_ah,
        expanded_uncertainty_percent=100.0 * capacity.expanded_uncertainty_ah / rated_ah,
        coverage_factor=capacity.coverage_factor,
    )


def ageing(capacities: Sequence[Capacity]) -> Ageing:
    """Set the capacities of one battery in order and say what they have in common.

    Only those enter that were logged whole and ended like the last one: at its end voltage, or when
    the transmitter gave out.
    """
    ordered = tuple(sorted(capacities, key=lambda each: each.started_utc))
    whole = [each for each in ordered if each.is_whole]
    alike = [each for each in whole if each.end_v == whole[-1].end_v]
    if len(alike) < 2:
        return Ageing(
            capacities=ordered,
            why_none="fewer than two runs ended alike with nothing missing",
        )
    apart = _tagged(alike)
    change = _change(alike[0], alike[-1], apart[0], apart[-1])
    span_days = (alike[-1].started_utc - alike[0].started_utc).total_seconds() / 86400.0
    if len(alike) < LEAST_RUNS:
        why = f"{len(alike)} runs are too few to speak of ageing; it takes {LEAST_RUNS}"
        return Ageing(capacities=ordered, change=change, why_none=why)
    if span_days < LEAST_SPAN_DAYS:
        why = f"{span_days:.0f} days are too short to speak of ageing; it takes {LEAST_SPAN_DAYS:g}"
        return Ageing(capacities=ordered, change=change, why_none=why)
    return Ageing(capacities=ordered, change=change, per_year=_slope(alike, apart))


def _tagged(alike: Sequence[Capacity]) -> list[tuple[Contribution, ...]]:
    """Give the parts of each with what is its own named after it."""
    first = {part.name: part for part in alike[0].contributions}
    shared = {
        name
        for name, part in first.items()
        if all(_is_shared(part, alike[0], other) for other in alike[1:])
    }
    return [
        kept_apart(each.contributions, shared, f"{each.name}, {number}")
        for number, each in enumerate(alike)
    ]


def _is_shared(part: Contribution, one: Capacity, other: Capacity) -> bool:
    its = next((each for each in other.contributions if each.name == part.name), None)
    if its is None or not same_declared(part, its):
        return False
    of_one_bench = bool(one.bench) and one.bench == other.bench
    return part.name == EXPONENT or (of_one_bench and part.name.startswith(f"{one.bench}."))


def _change(
    first: Capacity,
    last: Capacity,
    first_parts: Sequence[Contribution],
    last_parts: Sequence[Contribution],
) -> Change:
    total = combine(difference(last_parts, first_parts))
    gap_ah = last.value_ah - first.value_ah
    spread_ah = total.expanded_uncertainty
    return Change(
        earlier=first.name,
        later=last.name,
        difference_ah=gap_ah,
        expanded_uncertainty_ah=spread_ah,
        en=gap_ah / spread_ah if spread_ah > 0.0 else None,
    )


def _slope(alike: Sequence[Capacity], apart: Sequence[Sequence[Contribution]]) -> Ratio:
    """Fit the line; its slope is a weighted sum of the capacities, so its parts are too."""
    years = np.array(
        [(each.started_utc - alike[0].started_utc).total_seconds() for each in alike]
    ) / (86400.0 * DAYS_PER_YEAR)
    values = np.array([each.value_ah for each in alike])
    own = np.array([_own_uncertainty(parts, apart) for parts in apart])
    weights = 1.0 / own**2 if (own > 0.0).all() else np.ones_like(own)
    weights = weights / weights.sum()
    middle = float(weights @ years)
    spread = float(weights @ (years - middle) ** 2)
    of_slope = weights * (years - middle) / spread
    slope = float(of_slope @ values)
    at_first = float(weights @ values) - slope * middle
    parts = [
        part
        for factor, its in zip(of_slope.tolist(), apart, strict=True)
        for part in scaled(its, factor)
    ]
    residuals = values - at_first - slope * years
    freedom = len(alike) - 2
    # Residuals of unit weight stand for the mean weight's uncertainty.
    scattered = float(weights @ residuals**2) * len(alike) / freedom
    expected = float(1.0 / (1.0 / own**2).mean()) if (own > 0.0).all() else 0.0
    if scattered > expected:
        beyond = math.sqrt((scattered - expected) / (spread * len(alike)))
        parts.append(
            Contribution(
                name="scatter beyond the stated uncertainties",
                standard_uncertainty=beyond,
                kind="A",
                degrees_of_freedom=float(freedom),
                source="residuals of the line",
            )
        )
    total = combine(merge(parts))
    return Ratio(
        percent=100.0 * slope / at_first,
        expanded_uncertainty_percent=100.0 * total.expanded_uncertainty / at_first,
        coverage_factor=total.coverage_factor,
    )


def _own_uncertainty(
    parts: Sequence[Contribution], apart: Sequence[Sequence[Contribution]]
) -> float:
    """Give what is a run's own of its uncertainty: what the others do not hold by that name."""
    held = [{part.name for part in other} for other in apart]
    own = [part for part in parts if sum(part.name in names for names in held) == 1]
    return combine(own).standard_uncertainty
