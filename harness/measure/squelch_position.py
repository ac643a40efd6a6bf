"""The readings of one position of the squelch knob, from how its steps ended.

Opening and closing are fitted each by itself (``ogive.py``); what the levels share, their
calibration, drops out of the hysteresis.

Keying state, the first that holds:

==============  ================================================================================
state           rule
==============  ================================================================================
always keyed    never unkeyed at the end of a step nor anywhere in the steps without a signal,
                and one of these long enough to outlast a hang; or so at first, and then for good
                unkeyed whatever the level: its time-out timer has cut it
never keyed     steps with a signal, at the end of none of them keyed, and no two key-ups in
                those at the highest level
chatters        two drops or more while the level stays 1 dB or more above that at which half
                of the ways up first keyed it, each followed by a key-up while it still does; where
                it keys up without a signal too, which opens sweeps by chance, only within 1 dB of
                the highest level. Or never keyed but for the two key-ups
normal          keyed at some steps with a signal, unkeyed at others or without one
==============  ================================================================================

A drop so far above the opening that no key-up follows is no chatter: a time-out timer cuts so. What
comes after it, until the next key-up or the next time without a signal, says nothing of closing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median_low
from typing import Any, Literal

import numpy as np

from harness.measure.false_keying import false_keying_rate
from harness.measure.keying import Keying
from harness.measure.ogive import Ogive, fit_ogive
from harness.measure.ogive_likelihood import draws_from_bounds
from harness.measure.staircase import Bounds, StepEnd, Sweeps, find_sweeps
from harness.readings import Axis, ConditionValue, Reading, Series, measured, not_measured
from harness.uncertainty import Contribution, combine, difference
from harness.units import FloatArray

KeyingState = Literal["always keyed", "never keyed", "chatters", "normal"]
FITTED = ("squelch_opening", "squelch_closing", "squelch_hysteresis", "squelch_spread")

READ_BEFORE_END_S = 0.005
"""Keyed or not is read so long before the end of a step. Chosen: less than a squelch takes to
answer, more than the stimulus and the recording are out of step."""
OUTLASTS_HANG_S = 3.0
"""A step without a signal that may follow one with: chosen, above usual hang times (common
practice, no source: half a second to two)."""
OUTLASTS_HANGS = 1.5
"""And so many times a hang that was seen. Chosen: a hang timer varies by less."""
OUTLASTS_NOISE_S = 0.5
"""A step without a signal that nothing came before in the recording. Chosen."""
CHATTER_ABOVE_DB = 1.0
CHATTER_DROPS = 2
"""Chosen: one drop may be a fade of the stimulus as it was set."""
TIME_OUT_SHARE = 0.98
"""A keying as long as one that was cut, but for so much, was cut too. Chosen: a timer's scatter."""
FEW_SWEEPS = 5
"""From so many sweeps that all say the same, half of all sweeps do: 1 in 2^5 is 3 %."""
UNSEEN_SPREAD_DB = 1.0
"""Spread that is allowed for where too few sweeps were made to show it. Chosen: above the 0.75 dB
of DESIGN section 3."""
LOPSIDED = 1.2
"""Ratio of the halves of an interval above which both ends are given. Chosen."""
FINE_LEVELS = 201
ANSWER_S = 0.2
"""A key-up so soon after a signal is its late answer, and no false one. Chosen: squelch and key-up
take less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Quiet:
    """What happened without a signal once the hang had run out."""

    key_ups: int
    watched_s: float


def hang_lags(ends: Sequence[StepEnd], keying: Keying) -> tuple[float, ...]:
    """Give the times from the end of a signal to the drop, where the transmitter was keyed.

    Parameters
    ----------
    ends : of one knob position, in order of time
    keying : of the output

    Returns
    -------
    tuple of float, s : one for each step without a signal in which it dropped
    """
    given = []
    for before, end in pairwise(ends):
        if before.level_port_dbm is None or end.level_port_dbm is not None or not end.keyed_before:
            continue
        for edge in keying.edges_between(end.step.start_s, end.step.end_s):
            if not edge.is_rising:
                given.append(edge.time_s - end.step.start_s)
                break
    return tuple(given)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cut:
    """A drop that the squelch did not make, and how long the keying was that it ended."""

    at_s: float
    length_s: float | None


class SquelchPosition:
    """The staircase at one position of the knob."""

    def __init__(
        self,
        knob: str | None,
        ends: Sequence[StepEnd],
        keying: Keying,
        shared: tuple[Contribution, ...],
        names: tuple[str, ...],
        *,
        hang_s: float | None = None,
        setting: tuple[Contribution, ...] = (),
        under: Mapping[str, ConditionValue] | None = None,
    ) -> None:
        self._ends = tuple(end for end in ends if end.step.knob == knob)
        self._is_first = bool(ends) and self._ends[0] is ends[0]
        self._keying = keying
        self._shared = shared
        self._setting = setting
        self._hang_s = hang_s
        self._conditions: dict[str, Any] = {} if knob is None else {"knob": knob}
        self._conditions |= under or {}
        self._more: dict[str, Any] = {"conditions": self._conditions, "recordings": names}
        self._knob = knob
        self._sweeps: Sweeps = find_sweeps(self._ends, hang_s or 0.0)
        self._quiet = self._look_at_quiet()
        self._cuts = self._find_cuts()
        if self._cuts:
            self._sweeps = find_sweeps(self._without_cuts(), hang_s or 0.0)
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
        dwells = [end.step.duration_s for end in self._turned(-1.0)]
        rising = [end.step.duration_s for end in self._turned(1.0)]
        if dwells and (self._hang_s or 0.0) > min(dwells) - READ_BEFORE_END_S:
            given.append(
                f"Squelch{where}: falling steps of {min(dwells):.2f} s do not outlast the hang of"
                f" {self._hang_s:.2f} s; closing is known to several steps only. Dwell longer."
            )
        elif self._hang_s is None and self._sweeps.closing and dwells and rising:
            if min(dwells) < min(OUTLASTS_HANG_S, 1.1 * min(rising)):
                given.append(
                    f"Squelch{where}: falling steps are as short as rising ones, and the hang does"
                    f" not show; if it is longer than {min(dwells):.2f} s, closing reads too low."
                )
        if self._cuts:
            lengths_s = [cut.length_s for cut in self._cuts if cut.length_s is not None]
            after = f" after {float(np.median(lengths_s)):.2f} s" if lengths_s else ""
            times = "once" if len(self._cuts) == 1 else f"{len(self._cuts)} times"
            longer = self._some_last_longer(max(lengths_s, default=0.0))
            timer = "." if longer else ": a time-out timer?"
            given.append(
                f"Squelch{where}: {times} the transmitter dropped{after} far above the opening"
                f" and did not come back{timer} Closing is read without these."
            )
        again = self._steps_that_come_back()
        if self._state == "normal" and again >= CHATTER_DROPS:
            given.append(
                f"Squelch{where}: in {again} steps of a weak signal the transmitter dropped and"
                " came back by itself. Where it closes above the level at which it opens, its own"
                " noise deafens it: see desensitisation."
            )
        one_sided = sum(math.isinf(low) for low, _ in self._sweeps.opening)
        if self._state == "normal" and self._opening.state == "fitted" and one_sided:
            given.append(
                f"Squelch{where}: {one_sided} of {len(self._sweeps.opening)} rising sweeps were"
                " keyed at their first level; begin lower."
            )
        return given

    def _steps_that_come_back(self) -> int:
        """Count steps with a signal in which a drop is followed by a key-up."""
        count = 0
        for end in self._ends:
            if end.level_port_dbm is not None and end.dropped_s is not None:
                edges = self._keying.edges_between(end.dropped_s, end.step.end_s)
                count += any(edge.is_rising for edge in edges)
        return count

    def _some_last_longer(self, length_s: float) -> bool:
        """Whether a keying lasted clearly longer than a time: no timer cuts at that."""
        return any(
            span.opened is not None
            and span.end_s - span.start_s > length_s / TIME_OUT_SHARE
            and self._is_within(span.start_s)
            for span in self._keying.keyed_spans
        )

    def _turned(self, way: float) -> list[StepEnd]:
        """Give the steps to a higher (way 1) or a lower level (way -1) than that before them."""
        return [
            b
            for a, b in pairwise(self._ends)
            if a.level_port_dbm is not None
            and b.level_port_dbm is not None
            and way * (b.level_port_dbm - a.level_port_dbm) > 0.0
        ]

    def _look_at_quiet(self) -> _Quiet:
        key_ups, watched_s = 0, 0.0
        for number, end in enumerate(self._ends):
            if end.level_port_dbm is not None:
                continue
            begin_s, last_s = end.step.start_s, end.step.end_s
            edges = self._keying.edges_between(begin_s, last_s)
            followed = number > 0 and self._ends[number - 1].level_port_dbm is not None
            late = [e.time_s for e in edges if e.is_rising and e.time_s < begin_s + ANSWER_S]
            answered_s = max(late) if followed and late else begin_s
            if end.keyed_before or answered_s > begin_s:
                after = (e for e in edges if not e.is_rising and e.time_s > answered_s)
                drop = next(after, None)
                if drop is None:
                    continue
                begin_s = drop.time_s
            key_ups += sum(edge.is_rising for edge in edges if edge.time_s > begin_s)
            watched_s += self._keying.seconds(begin_s, last_s, True)
            watched_s += self._keying.seconds(begin_s, last_s, False)
        return _Quiet(key_ups=key_ups, watched_s=watched_s)

    def _keying_state(self) -> tuple[KeyingState | None, str]:
        """Give the state and a note, or None and why none can be told; the table on top."""
        told = [end for end in self._ends if end.keyed is not None]
        with_signal = [end for end in told if end.level_port_dbm is not None]
        if not told:
            return None, "nobody can tell at the end of any step whether it is keyed"
        first_off = next((n for n, end in enumerate(told) if not end.keyed), len(told))
        before, after = told[:first_off], told[first_off:]
        outlasted = any(self._stays_keyed(end) for end in before)
        if not after and self._unkeyed_s(before) == 0.0:
            if outlasted:
                return "always keyed", ""
            return None, (
                "keyed all through, and no step without a signal is long enough to tell a hang"
                " time from an open squelch"
            )
        if outlasted and self._is_over(after):
            return "always keyed", (
                "until it dropped for good, whatever the level: cut by a time-out timer?"
            )
        if not with_signal:
            return None, "no step has a signal"
        highest = max(end.level_port_dbm or -math.inf for end in with_signal)
        if not any(end.keyed for end in with_signal):
            if self._key_ups_at(highest) >= CHATTER_DROPS:
                return "chatters", "it keys up with a signal and does not stay"
            note = f"not at the end of any step up to {highest:.1f} dBm"
            if not any(span.keyed for span in self._keying.spans):
                note += "; no carrier is seen all through: see that the receiver hears the unit"
            return "never keyed", note
        if self._drops_above_region() >= CHATTER_DROPS:
            return "chatters", ""
        return "normal", ""

    def _unkeyed_s(self, ends: Iterable[StepEnd]) -> float:
        """How long it was unkeyed in those steps that are without a signal."""
        return sum(
            self._keying.seconds(end.step.start_s, end.step.end_s, False)
            for end in ends
            if end.level_port_dbm is None
        )

    def _stays_keyed(self, end: StepEnd) -> bool:
        """Whether a step without a signal is keyed for longer than a signal before explains."""
        if end.level_port_dbm is not None or self._unkeyed_s([end]) > 0.0:
            return False
        if self._is_first and end is self._ends[0]:
            return end.step.duration_s >= OUTLASTS_NOISE_S
        least_s = max(OUTLASTS_HANG_S, OUTLASTS_HANGS * (self._hang_s or 0.0))
        return end.step.duration_s >= least_s

    def _is_over(self, ends: Sequence[StepEnd]) -> bool:
        """Whether steps with a signal follow and none of them, nor what lies between, is keyed."""
        if not any(end.level_port_dbm is not None for end in ends[1:]):
            return False
        edges = self._keying.edges_between(ends[0].step.end_s, ends[-1].step.end_s)
        return not any(end.keyed for end in ends) and not any(edge.is_rising for edge in edges)

    def _key_ups_at(self, level_port_dbm: float) -> int:
        return sum(
            edge.is_rising
            for end in self._ends
            if end.level_port_dbm is not None
            and end.level_port_dbm >= level_port_dbm - CHATTER_ABOVE_DB
            for edge in self._keying.edges_between(end.step.start_s, end.step.end_s)
        )

    def _first_key_ups(self) -> list[float]:
        """Levels at which the transmitter first keyed on each way up, for however short a time."""
        levels: list[float] = []
        is_fresh, falls, earlier = True, False, -math.inf
        for end in self._ends:
            level = end.level_port_dbm
            if level is None:
                is_fresh, falls, earlier = True, False, -math.inf
                continue
            if falls and level > earlier:
                is_fresh = end.keyed_before is False
            falls = level < earlier or (falls and level == earlier)
            edges = self._keying.edges_between(end.step.start_s, end.step.end_s)
            if is_fresh and not falls and (end.keyed or any(edge.is_rising for edge in edges)):
                levels.append(level)
                is_fresh = False
            earlier = level
        return levels

    def _far_above(self) -> list[tuple[float, float]]:
        """Stretches of time in which the level stays well above what any sweep needed to open."""
        needed = self._first_key_ups()
        if not needed:
            return []
        least = median_low(needed) + CHATTER_ABOVE_DB
        if self._quiet.key_ups:
            levels = [end.level_port_dbm for end in self._ends if end.level_port_dbm is not None]
            least = max(least, max(levels) - CHATTER_ABOVE_DB)
        stretches: list[tuple[float, float]] = []
        for before, end in pairwise((None, *self._ends)):
            assert end is not None
            if end.level_port_dbm is None or end.level_port_dbm < least:
                continue
            last_s = end.step.end_s - READ_BEFORE_END_S
            goes_on = stretches and before is not None and before.level_port_dbm is not None
            if goes_on and before is not None and (before.level_port_dbm or -math.inf) >= least:
                stretches[-1] = (stretches[-1][0], last_s)
            else:
                stretches.append((end.step.start_s, last_s))
        return stretches

    def _drops_above_region(self) -> int:
        """Count drops far above the opening that a key-up follows while the level stays."""
        drops = 0
        for start_s, end_s in self._far_above():
            edges = self._keying.edges_between(start_s, end_s)
            last_up_s = max((e.time_s for e in edges if e.is_rising), default=-math.inf)
            drops += sum(not edge.is_rising and edge.time_s < last_up_s for edge in edges)
        return drops

    def _find_cuts(self) -> list[_Cut]:
        """Find drops far above the opening without a key-up, and others after as long a keying."""
        seen = {}
        for start_s, end_s in self._far_above():
            edges = self._keying.edges_between(start_s, end_s)
            if edges and not edges[-1].is_rising:
                seen[edges[-1].time_s] = self._length_s(edges[-1].time_s)
        lengths_s = [length_s for length_s in seen.values() if length_s is not None]
        if lengths_s:
            least_s, most_s = TIME_OUT_SHARE * min(lengths_s), max(lengths_s) / TIME_OUT_SHARE
            for span in self._keying.keyed_spans:
                if span.closed is None or not self._is_within(span.closed.time_s):
                    continue
                length_s = self._length_s(span.closed.time_s)
                if length_s is not None and least_s <= length_s <= most_s:
                    seen[span.closed.time_s] = length_s
        return [_Cut(at_s=at_s, length_s=length_s) for at_s, length_s in sorted(seen.items())]

    def _is_within(self, time_s: float) -> bool:
        """Whether a time lies in a step of this position that has a signal."""
        return any(
            end.level_port_dbm is not None and end.step.start_s <= time_s < end.step.end_s
            for end in self._ends
        )

    def _length_s(self, drop_s: float) -> float | None:
        """Length of the keying that ended with a drop; None where its beginning is not seen."""
        for span in self._keying.keyed_spans:
            if span.closed is not None and span.closed.time_s == drop_s:
                return drop_s - span.opened.time_s if span.opened is not None else None
        return None

    def _without_cuts(self) -> tuple[StepEnd, ...]:
        """Let the steps from a cut to the next key-up or quiet step tell nothing."""
        given = []
        for end in self._ends:
            is_cut = False
            for cut in self._cuts:
                ups = self._keying.edges_between(cut.at_s, end.step.end_s)
                quiet = any(
                    other.level_port_dbm is None and cut.at_s < other.step.end_s <= end.step.end_s
                    for other in self._ends
                )
                is_later = cut.at_s < end.step.end_s
                is_cut |= is_later and not quiet and not any(edge.is_rising for edge in ups)
            given.append(replace(end, keyed=None) if is_cut else end)
        return tuple(given)

    def _state_reading(self) -> Reading:
        if self._state is None:
            return not_measured("keying_state", self._why, **self._more)
        return Reading(
            name="keying_state",
            value=self._state,
            unit="",
            count=sum(end.keyed is not None for end in self._ends),
            note=self._why,
            **self._more,
        )

    def _level(self, name: str, ogive: Ogive, way: str) -> Reading:
        """Make the reading of one fit."""
        if ogive.state == "no draws":
            note = f"no {way} sweep that begins {'unkeyed' if way == 'rising' else 'keyed'}"
            return not_measured(name, note, **self._more)
        low, high = ogive.mean_interval
        count = ogive.count
        few = f"{count} {way} sweep{'s' if count > 1 else ''}"
        if ogive.mean is None or ogive.standard_uncertainty is None:
            if math.isinf(low) and math.isinf(high):
                return not_measured(name, ogive.note or "the fit has no bounds", **self._more)
            bound = "lower" if math.isinf(high) else "upper"
            note = f"{way} sweeps show one side of it only; go {_where(bound)}"
            value = low if bound == "lower" else high
            more = {**self._more, "bound": bound, "count": count}
            parts = self._parts(name)
            if not parts:
                note += "; no uncertainty of the level is declared"
            if count < FEW_SWEEPS and ogive.state in ("at most", "at least"):
                note += f"; {few}, so a spread of {UNSEEN_SPREAD_DB:g} dB is allowed for"
                parts = (self._unseen_spread(name, few), *parts)
            elif not parts:
                note += ", so the bound has none"
            if parts:
                return measured(name, value, parts, note=note, **more)
            return Reading(name=name, value=value, unit="dBm", note=note, **more)
        spread_unseen = ogive.state == "one step" and ogive.sigma_interval is None
        standard_db, note = ogive.standard_uncertainty, ogive.note
        if spread_unseen:
            standard_db = math.hypot(standard_db, UNSEEN_SPREAD_DB)
            note = f"{few}: the spread does not show; {UNSEEN_SPREAD_DB:g} dB of it are allowed for"
        fit = Contribution(
            name=f"{name}.fit",
            standard_uncertainty=standard_db,
            kind="A",
            degrees_of_freedom=ogive.degrees_of_freedom,
            # Within one step it may lie anywhere.
            distribution="rectangular"
            if ogive.state == "one step" and not spread_unseen
            else "normal",
            source=f"maximum likelihood over {few}",
        )
        further = self._parts(name)
        reading = measured(name, ogive.mean, [fit, *further], count=count, note=note, **self._more)
        if spread_unseen:
            return reading
        further_u = combine(further).expanded_uncertainty
        return _with_halves(
            reading,
            math.hypot(ogive.mean - low, further_u),
            math.hypot(high - ogive.mean, further_u),
        )

    def _parts(self, name: str) -> tuple[Contribution, ...]:
        """Uncertainty of a level beside that of the fit: what all share, and its own setting."""
        return (*(replace(part, name=f"{name}.setting") for part in self._setting), *self._shared)

    def _unseen_spread(self, name: str, few: str) -> Contribution:
        return Contribution(
            name=f"{name}.fit",
            standard_uncertainty=UNSEEN_SPREAD_DB,
            kind="A",
            source=f"spread allowed for, as {few} cannot show it (chosen)",
        )

    def _hysteresis(self, opening: Reading, closing: Reading) -> Reading:
        name = "squelch_hysteresis"
        for reading in (opening, closing):
            if not isinstance(reading.value, float):
                what = reading.name.removeprefix("squelch_")
                return not_measured(name, f"the {what} is not known", **self._more)
        assert isinstance(opening.value, float)
        assert isinstance(closing.value, float)
        parts = difference(opening.contributions, closing.contributions)
        value_db = opening.value - closing.value
        count = min(opening.count, closing.count)
        if opening.bound is not None or closing.bound is not None:
            # The closing taken away turns its bound round.
            of_closing = {"upper": "lower", "lower": "upper", None: None}[closing.bound]
            bounds = {opening.bound, of_closing} - {None}
            if len(bounds) > 1:
                note = "of opening and closing there are bounds only, and they leave it open"
                return not_measured(name, note, **self._more)
            note = f"of the {'opening' if opening.bound else 'closing'} there is a bound only"
            more = {**self._more, "bound": bounds.pop(), "count": count, "note": note}
            if parts:
                return measured(name, value_db, parts, **more)
            return Reading(name=name, value=value_db, unit="dB", **more)
        note = (
            "it closes above the level at which it opens: keyed, its own noise may deafen it"
            if value_db + combine(parts).expanded_uncertainty < 0.0
            else ""
        )
        reading = measured(name, value_db, parts, count=count, note=note, **self._more)
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
        return false_keying_rate(self._quiet.key_ups, self._quiet.watched_s, **self._more)

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
