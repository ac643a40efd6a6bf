"""How long the battery lasts at another duty, from the currents and what a run took out of it.

t = C / sum of (share x drain), with the drain of ``peukert`` and C the capacity at the rated time:
that of a battery run, or one that the user gives.

The exponent n is known as a range only. It enters twice, and mostly against itself: the larger n,
the larger the capacity that a run at a high current speaks of, and the dearer the high current. So
each end of the interval is worked out whole: every input is moved to both ends of its own (two
standard uncertainties; n over its range), the others kept; what that takes from the time at most,
and what it adds, are combined apart (``uncertainty.combine``, n as a rectangle). More drain only
shortens the time, so the ends of an input give the ends of the time; n is looked at within its
range as well, for there it may turn.

What is not in it: another temperature, an older battery, rest between spells, a meter that is off.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from harness.readings import Bound
from harness.service.battery import BatteryRun
from harness.service.peukert import capacity_from_run_ah, mean_drain_a
from harness.uncertainty import Contribution, combine, rectangular

STATES = ("transmit", "receive", "standby")
State = Literal["transmit", "receive", "standby"]
EXPONENT_STEPS = 9
"""Of the range of n that are looked at. Chosen."""
COVERAGE = 2.0
"""Standard uncertainties to the ends of an input's interval."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """Shares of the time, 0 to 1, sum 1: transmitting, receiving, on standby."""

    name: str
    transmit: float
    receive: float
    source: str = "chosen"

    @property
    def standby(self) -> float:
        """What is left of the time."""
        return max(1.0 - self.transmit - self.receive, 0.0)

    def share(self, state: State) -> float:
        """Give the share of a state."""
        return float(getattr(self, state))


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """The current of a state in A, with its standard uncertainty.

    ``of_the_run`` tells that the meter of the battery run gave it, whose scale error the capacity
    holds too.
    """

    current_a: float
    standard_uncertainty_a: float
    of_the_run: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """Peukert's exponent as a range, and the time that the marked capacity is meant for."""

    low: float
    high: float
    rated_hours: float

    @property
    def middle(self) -> float:
        """Exponent that values are given for."""
        return (self.low + self.high) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Store:
    """What the battery holds: by a run, or as given.

    Parameters
    ----------
    run : the battery run, or None
    capacity_ah : at the rated time, where there is no run
    standard_uncertainty_ah : of it
    """

    run: BatteryRun | None = None
    capacity_ah: float | None = None
    standard_uncertainty_ah: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Endurance:
    """How long it lasts at a duty; ``hours`` None where a current or the capacity is missing.

    ``interval_h`` has a chance of 95 %; with a ``bound`` its low end is what can be said.
    ``by_charge_h`` counts the charge alone, as if no rate had an effect: not every battery gives
    more at a slow discharge, and the real ones in the tests did not. ``missing`` names the states
    whose current is not known, or the capacity.
    """

    duty: Duty
    hours: float | None = None
    by_charge_h: float | None = None
    interval_h: tuple[float, float] | None = None
    bound: Bound | None = None
    missing: tuple[str, ...] = ()


@dataclass(slots=True)
class _Model:
    """The time as a function of everything that goes in."""

    duty: Duty
    draws: dict[State, Draw]
    store: Store
    rate: Rate
    states: list[State] = field(default_factory=list)
    lasted_h: float = 0.0
    given_ah: float = 0.0

    def __post_init__(self) -> None:
        self.states = [s for s in ("transmit", "receive", "standby") if self.duty.share(s) > 0.0]
        self.lasted_h = self.store.run.lasted_h if self.store.run else 0.0
        self.given_ah = self.store.capacity_ah or 0.0

    def hours(
        self,
        *,
        exponent: float | None = None,
        lasted_h: float | None = None,
        given_ah: float | None = None,
        scale: float = 1.0,
        moved: State | None = None,
        by_a: float = 0.0,
    ) -> float:
        """Give the time with one input moved; ``scale`` is of all that the run's meter read."""
        n = self.rate.middle if exponent is None else exponent
        h = self.lasted_h if lasted_h is None else lasted_h
        c = self.given_ah if given_ah is None else given_ah
        if self.store.run is None:
            capacity_ah = c
        else:
            capacity_ah = capacity_from_run_ah(
                self.store.run.shares,
                self.store.run.currents_a * scale,
                h,
                self.rate.rated_hours,
                n,
            )
        currents = []
        for state in self.states:
            draw = self.draws[state]
            current_a = draw.current_a * (scale if draw.of_the_run else 1.0)
            currents.append(max(current_a + (by_a if state == moved else 0.0), 0.0))
        shares = np.array([self.duty.share(state) for state in self.states])
        drained = mean_drain_a(shares, np.array(currents), capacity_ah, self.rate.rated_hours, n)
        return capacity_ah / drained if drained > 0.0 else float("inf")


def endurance(duty: Duty, draws: dict[State, Draw], store: Store, rate: Rate) -> Endurance:
    """Give the run time at a duty.

    Parameters
    ----------
    duty : shares of the time
    draws : the current of each state that is known
    store : what the battery holds
    rate : what a faster discharge costs

    Returns
    -------
    Endurance : without hours where something that the duty needs is missing
    """
    missing: list[str] = [
        f"current on {state}" if state == "standby" else f"current while {state[:-1]}ing"
        for state in ("receive", "standby")
        if duty.share(state) > 0.0 and state not in draws
    ]
    if duty.transmit > 0.0 and "transmit" not in draws:
        missing.insert(0, "current while transmitting")
    if store.run is None and store.capacity_ah is None:
        missing.append("charge that the battery gives")
    if missing:
        return Endurance(duty=duty, missing=tuple(missing))
    model = _Model(duty, draws, store, rate)
    hours = model.hours()
    if not np.isfinite(hours):
        return Endurance(duty=duty, missing=("a current above 0",))
    down, up = _moves(model, hours)
    low = max(hours - combine(down).expanded_uncertainty, 0.0)
    high = hours + combine(up).expanded_uncertainty
    is_bound = store.run is not None and store.run.is_bound
    return Endurance(
        duty=duty,
        hours=low if is_bound else hours,
        by_charge_h=model.hours(exponent=1.0),
        interval_h=(low, float("inf") if is_bound else high),
        bound="lower" if is_bound else None,
    )


def _moves(model: _Model, hours: float) -> tuple[list[Contribution], list[Contribution]]:
    """Give what each input takes from the time at most, and what it adds."""
    down: list[Contribution] = []
    up: list[Contribution] = []

    def move(name: str, at: Callable[[float], float], standard: float) -> None:
        if standard > 0.0:
            ends = [at(sign * COVERAGE * standard) - hours for sign in (-1.0, 1.0)]
            _add(down, up, name, ends, 1.0 / COVERAGE, "normal")

    run = model.store.run
    if run is not None:
        time_h = combine(run.time_parts).standard_uncertainty / 3600.0
        move("time", lambda by: model.hours(lasted_h=max(model.lasted_h + by, 1e-9)), time_h)
        move("meter", lambda by: model.hours(scale=max(1.0 + by, 1e-9)), run.scale_uncertainty)
    else:
        move(
            "capacity",
            lambda by: model.hours(given_ah=max(model.given_ah + by, 1e-9)),
            model.store.standard_uncertainty_ah,
        )
    for state in model.states:
        move(
            state,
            lambda by, state=state: model.hours(moved=state, by_a=by),  # type: ignore[misc]
            model.draws[state].standard_uncertainty_a,
        )
    exponents = np.linspace(model.rate.low, model.rate.high, EXPONENT_STEPS)
    moved = [model.hours(exponent=float(n)) - hours for n in exponents]
    _add(down, up, "rate exponent", moved, rectangular(1.0), "rectangular")
    return down, up


def _add(
    down: list[Contribution],
    up: list[Contribution],
    name: str,
    moved_h: Sequence[float],
    share: float,
    distribution: Literal["normal", "rectangular"],
) -> None:
    for side, most in ((down, -min(moved_h)), (up, max(moved_h))):
        if most > 0.0:
            side.append(
                Contribution(
                    name=name, standard_uncertainty=most * share, distribution=distribution
                )
            )
