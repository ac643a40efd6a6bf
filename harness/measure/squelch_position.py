"""The readings of one position of the squelch knob, from how its steps ended.

Opening and closing are fitted each by itself (``ogive.py``); what the levels share, their
calibration, drops out of the hysteresis.

Keying state, the first that holds:

==============  ================================================================================
state           rule
==============  ================================================================================
always keyed    never unkeyed at the end of a step nor anywhere in the steps without a signal,
                and one of these long enough to outlast a hang
never keyed     steps with a signal, and at the end of none of them keyed
chatters        two drops or more inside steps that hold a level 1 dB or more above the highest
                one that any rising sweep needed to open
normal          keyed at some steps with a signal, unkeyed at others or without one
==============  ================================================================================
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from harness.measure.keying import Keying
from harness.measure.ogive import Ogive, fit_ogive
from harness.measure.ogive_likelihood import draws_from_bounds
from harness.measure.staircase import Bounds, StepEnd, Sweeps, find_sweeps
from harness.readings import Axis, Reading, Series, measured, not_measured
from harness.uncertainty import Contribution, combine, difference, garwood_interval
from harness.units import FloatArray

KeyingState = Literal["always keyed", "never keyed", "chatters", "normal"]
FITTED = ("squelch_opening", "squelch_closing", "squelch_hysteresis", "squelch_spread")

READ_BEFORE_END_S = 0.005
"""Keyed or not is read so long before the end of a step. Chosen: less than a squelch takes to
answer, more than the stimulus and the recording are out of step."""
OUTLASTS_HANG_S = 3.0
"""A step without a signal that may follow one with: chosen, above usual hang times (common
practice, no source: half a second to two)."""
OUTLASTS_NOISE_S = 0.5
"""A step without a signal that nothing came before in the recording. Chosen."""
CHATTER_ABOVE_DB = 1.0
CHATTER_DROPS = 2
"""Chosen: one drop may be a fade of the stimulus as it was set."""
LOPSIDED = 1.2
"""Ratio of the halves of an interval above which both ends are given. Chosen."""
FINE_LEVELS = 201
HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Quiet:
    """What happened without a signal once the hang had run out."""

    key_ups: int
    watched_s: float
    lags_s: tuple[float, ...]
    """From the end of the signal to the drop, where the transmitter was keyed then."""


class SquelchPosition:
    """The staircase at one position of the knob."""

    def __init__(
        self,
        knob: str | None,
        ends: Sequence[StepEnd],
        keying: Keying,
        shared: tuple[Contribution, ...],
        names: tuple[str, ...],
    ) -> None:
        self._ends = tuple(end for end in ends if end.step.knob == knob)
        self._is_first = bool(ends) and self._ends[0] is ends[0]
        self._keying = keying
        self._shared = shared
        self._conditions: dict[str, Any] = {} if knob is None else {"knob": knob}
        self._more: dict[str, Any] = {"conditions": self._conditions, "recordings": names}
        self._knob = knob
        self._sweeps: Sweeps = find_sweeps(self._ends)
        self._quiet = self._look_at_quiet()
        self._state, self._why = self._keying_state()
        self._opening = fit_ogive(draws_from_bounds(self._sweeps.opening))
        self._closing = fit_ogive(draws_from_bounds(self._sweeps.closing))

    def readings(self) -> list[Reading]:
        """Give the readings in the order of the table in DESIGN section 3."""
        if self._state == "always keyed":
            reason = "always keyed: the transmitter does not drop without a signal"
            fitted = [not_measured(name, reason, **self._more) for name in FITTED]
        else:
            opening = self._level("squelch_opening", self._opening, "rising")
            closing = self._level("squelch_closing", self._closing, "falling")
            fitted = [opening, closing, self._hysteresis(opening, closing), self._spread()]
        return [*fitted, self._false_keying(), self._state_reading()]

    def cautions(self) -> list[str]:
        """Give what the user should know before trusting the readings."""
        given = []
        where = f" at {self._knob}" if self._knob else ""
        dwells = [end.step.duration_s for end in self._falling_steps()]
        lag_s = max(self._quiet.lags_s, default=0.0)
        if dwells and lag_s > min(dwells) - READ_BEFORE_END_S:
            given.append(
                f"Squelch{where}: falling steps of {min(dwells):.2f} s do not outlast the hang of"
                f" {lag_s:.2f} s; closing reads too low. Dwell longer."
            )
        one_sided = sum(math.isinf(low) for low, _ in self._sweeps.opening)
        if self._state == "normal" and self._opening.state == "fitted" and one_sided:
            given.append(
                f"Squelch{where}: {one_sided} of {len(self._sweeps.opening)} rising sweeps were"
                " keyed at their first level; begin lower."
            )
        return given

    def _falling_steps(self) -> list[StepEnd]:
        pairs = zip(self._ends, self._ends[1:], strict=False)
        return [
            b
            for a, b in pairs
            if a.level_port_dbm is not None
            and b.level_port_dbm is not None
            and b.level_port_dbm < a.level_port_dbm
        ]

    def _look_at_quiet(self) -> _Quiet:
        key_ups, watched_s = 0, 0.0
        lags_s = []
        for number, end in enumerate(self._ends):
            if end.level_port_dbm is not None:
                continue
            begin_s, last_s = end.step.start_s, end.step.end_s
            edges = self._keying.edges_between(begin_s, last_s)
            if end.keyed_before:
                drop = next((edge for edge in edges if not edge.is_rising), None)
                if drop is None:
                    continue
                if number and self._ends[number - 1].level_port_dbm is not None:
                    lags_s.append(drop.time_s - begin_s)
                begin_s = drop.time_s
            key_ups += sum(edge.is_rising for edge in edges if edge.time_s > begin_s)
            watched_s += self._keying.seconds(begin_s, last_s, True)
            watched_s += self._keying.seconds(begin_s, last_s, False)
        return _Quiet(key_ups=key_ups, watched_s=watched_s, lags_s=tuple(lags_s))

    def _keying_state(self) -> tuple[KeyingState | None, str]:
        """Give the state, or None and why none can be told; the table on top of this file."""
        told = [end for end in self._ends if end.keyed is not None]
        with_signal = [end for end in told if end.level_port_dbm is not None]
        silent = [end for end in told if end.level_port_dbm is None]
        if not told:
            return None, "nobody can tell at the end of any step whether it is keyed"
        unkeyed_s = sum(
            self._keying.seconds(end.step.start_s, end.step.end_s, False) for end in silent
        )
        if all(end.keyed for end in told) and unkeyed_s == 0.0:
            if any(self._outlasts(end) for end in silent):
                return "always keyed", ""
            return None, (
                "keyed all through, and no step without a signal is long enough to tell a hang"
                " time from an open squelch"
            )
        if not with_signal:
            return None, "no step has a signal"
        if not any(end.keyed for end in with_signal):
            return "never keyed", ""
        if self._drops_above_region() >= CHATTER_DROPS:
            return "chatters", ""
        return "normal", ""

    def _outlasts(self, end: StepEnd) -> bool:
        """Whether a step without a signal is longer than what a signal before it could explain."""
        first = self._is_first and end is self._ends[0]
        return end.step.duration_s >= (OUTLASTS_NOISE_S if first else OUTLASTS_HANG_S)

    def _drops_above_region(self) -> int:
        needed = [high for _, high in self._sweeps.opening if math.isfinite(high)]
        if not needed:
            return 0
        least = max(needed) + CHATTER_ABOVE_DB
        return sum(
            not edge.is_rising
            for end in self._ends
            if end.level_port_dbm is not None and end.level_port_dbm >= least
            for edge in self._keying.edges_between(
                end.step.start_s, end.step.end_s - READ_BEFORE_END_S
            )
        )

    def _state_reading(self) -> Reading:
        if self._state is None:
            return not_measured("keying_state", self._why, **self._more)
        return Reading(
            name="keying_state",
            value=self._state,
            unit="",
            count=sum(end.keyed is not None for end in self._ends),
            **self._more,
        )

    def _level(self, name: str, ogive: Ogive, way: str) -> Reading:
        """Make the reading of one fit."""
        if ogive.state == "no draws":
            note = f"no {way} sweep that begins {'unkeyed' if way == 'rising' else 'keyed'}"
            return not_measured(name, note, **self._more)
        low, high = ogive.mean_interval
        count = ogive.count
        if ogive.mean is None or ogive.standard_uncertainty is None:
            if math.isinf(low) and math.isinf(high):
                return not_measured(name, ogive.note or "the fit has no bounds", **self._more)
            bound = "lower" if math.isinf(high) else "upper"
            note = f"{way} sweeps show one side of it only; go {_where(bound)}"
            value = low if bound == "lower" else high
            more = {**self._more, "bound": bound, "count": count}
            if self._shared:
                return measured(name, value, self._shared, note=note, **more)
            note += "; no uncertainty of the level is declared, so the bound has none"
            return Reading(name=name, value=value, unit="dBm", note=note, **more)
        fit = Contribution(
            name=f"{name}.fit",
            standard_uncertainty=ogive.standard_uncertainty,
            kind="A",
            degrees_of_freedom=ogive.degrees_of_freedom,
            # Within one step it may lie anywhere.
            distribution="rectangular" if ogive.state == "one step" else "normal",
            source=f"maximum likelihood over {count} {way} sweep{'s' if count > 1 else ''}",
        )
        reading = measured(
            name, ogive.mean, [fit, *self._shared], count=count, note=ogive.note, **self._more
        )
        shared_u = combine(self._shared).expanded_uncertainty
        return _with_halves(
            reading,
            math.hypot(ogive.mean - low, shared_u),
            math.hypot(high - ogive.mean, shared_u),
        )

    def _hysteresis(self, opening: Reading, closing: Reading) -> Reading:
        name = "squelch_hysteresis"
        for reading in (opening, closing):
            if not isinstance(reading.value, float) or reading.bound is not None:
                what = reading.name.removeprefix("squelch_")
                return not_measured(name, f"the {what} is not known", **self._more)
        assert isinstance(opening.value, float)
        assert isinstance(closing.value, float)
        parts = difference(opening.contributions, closing.contributions)
        value_db = opening.value - closing.value
        count = min(opening.count, closing.count)
        reading = measured(name, value_db, parts, count=count, **self._more)
        if opening.interval is None and closing.interval is None:
            return reading
        (open_low, open_high), (close_low, close_high) = (
            self._opening.mean_interval,
            self._closing.mean_interval,
        )
        below = math.hypot(opening.value - open_low, close_high - closing.value)
        above = math.hypot(open_high - opening.value, closing.value - close_low)
        return _with_halves(reading, below, above)

    def _spread(self) -> Reading:
        name = "squelch_spread"
        ogive = self._opening
        if ogive.sigma_interval is None:
            note = "it needs several rising sweeps that open on their way"
            return not_measured(name, note, **self._more)
        low, high = ogive.sigma_interval
        if math.isinf(high):
            return not_measured(name, "too few sweeps to bound it", **self._more)
        if ogive.sigma is None or low <= 0.0:
            best = "" if ogive.sigma is None else f"; best fit {ogive.sigma:.2g} dB"
            return Reading(
                name=name,
                value=high,
                unit="dB",
                bound="upper",
                count=ogive.count,
                note=f"the steps are too coarse, or the sweeps too few, to show it{best}",
                **self._more,
            )
        return Reading(
            name=name,
            value=ogive.sigma,
            unit="dB",
            expanded_uncertainty=max(high - ogive.sigma, ogive.sigma - low),
            interval=(low, high),
            count=ogive.count,
            **self._more,
        )

    def _false_keying(self) -> Reading:
        name = "false_keying_rate"
        if self._state == "always keyed":
            return not_measured(name, "always keyed", **self._more)
        hours = self._quiet.watched_s / HOUR_S
        if hours <= 0.0:
            return not_measured(name, "no time without a signal and without hang", **self._more)
        count = self._quiet.key_ups
        low, high = (counts / hours for counts in garwood_interval(count))
        value = count / hours
        return Reading(
            name=name,
            value=value,
            unit="1/h",
            expanded_uncertainty=max(high - value, value - low) if count else None,
            interval=(low, high),
            count=count,
            note=f"{count} in {self._quiet.watched_s:.1f} s without a signal",
            **self._more,
        )

    def series(self, suffix: str) -> list[Series]:
        """Give the shares of the sweeps against level and the curves fitted to them."""
        if self._state == "always keyed":
            return []
        given = []
        seen = {e.level_port_dbm for e in self._ends if e.level_port_dbm is not None}
        pairs = (
            ("opening", self._sweeps.opening, self._opening),
            ("closing", self._sweeps.closing, self._closing),
        )
        for what, bounds, ogive in pairs:
            levels, share = shares(bounds, seen)
            if not len(levels):
                continue
            given.append(self._against_level(f"{what}_fraction{suffix}", levels, share))
            fine = np.linspace(levels[0], levels[-1], FINE_LEVELS)
            curve = ogive.share(fine)
            if curve is not None:
                given.append(self._against_level(f"{what}_fit{suffix}", fine, curve))
        return given

    def _against_level(self, name: str, levels: FloatArray, values: FloatArray) -> Series:
        axis = Axis(name="input_level_port", unit="dBm", values=levels)
        return Series(name=name, unit="1", axes=(axis,), values=values, conditions=self._conditions)


def _where(bound: str) -> str:
    return "higher" if bound == "lower" else "lower"


def _with_halves(reading: Reading, below: float, above: float) -> Reading:
    """Give both ends where they are lopsided; U is then the larger half."""
    if max(below, above) <= LOPSIDED * min(below, above):
        return reading
    assert isinstance(reading.value, float)
    return replace(
        reading,
        interval=(reading.value - below, reading.value + above),
        expanded_uncertainty=max(below, above),
    )


def shares(bounds: Sequence[Bounds], levels: Iterable[float]) -> tuple[FloatArray, FloatArray]:
    """Part of the sweeps that are keyed at each level where any of them says so.

    Returns
    -------
    levels, shares : float64, shape (n,), levels rising; of the sweeps that tell at that level
    """
    ends = np.array(bounds, dtype=np.float64).reshape(-1, 2)
    every = np.unique(np.array(list(levels), dtype=np.float64))
    keyed = (ends[:, 1][None, :] <= every[:, None]).sum(axis=1)
    unkeyed = (ends[:, 0][None, :] >= every[:, None]).sum(axis=1)
    told = keyed + unkeyed
    return every[told > 0], keyed[told > 0] / told[told > 0]
