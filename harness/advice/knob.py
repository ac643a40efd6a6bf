"""Where to set the squelch knob, and why: the decision, from what a run holds and nothing else.

Theory
------
A squelch that is too loose keys on noise; one that is too tight costs sensitivity, since the level
at which it opens comes to lie above the level at which a listener could still follow (12 dB SINAD).
Between the two the loosest position is the best one that does not false too often. "Does not" is a
claim about a rate, and only quiet time proves it (``quiet.py``): a position at which nothing was
heard in three minutes may still key 59 times in an hour. So a position is chosen when the upper
95 % bound of its false keying is at or under the limit, and never because no key-up was seen.

The bound holds for each position by itself. Of several looked at, each has its own 5 %.

Standing of a position, the first that holds:

============  ==================================================================================
standing      rule
============  ==================================================================================
always keyed, the keying state, as measured; such a position is no choice whatever else was
chatters,     measured there
never keyed
not measured  no keying state, or no time without a signal
proven        upper bound of false keying at or under the limit
too often     lower bound of false keying above the limit
unproven      the limit lies between the two bounds
============  ==================================================================================

Outcome, the first that holds:

=================  =============================================================================
outcome            rule
=================  =============================================================================
nothing measured   no position has a reading of the squelch
chosen             a position is proven: the loosest one
order not known    two positions or more were measured, and the unit file places none of them
unproven           a position is unproven; ``leading`` is the loosest at which key-ups were seen
                   less often than the limit allows, else there is none
incomplete         nothing is proven or unproven, but a position was not measured
none               every position is excluded by its state or keys too often
=================  =============================================================================

Only positions that the unit file places between loose and tight take part; a position alone needs
no place. Raising the limit, or watching longer without a key-up, makes no proven position unproven,
and so never moves the choice to a tighter one.

The limit is the one that was asked for, else the least ``maximum`` that the run holds for the
position, else ``DEFAULT_LIMIT_PER_H``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, cast

from harness.advice.gap import Gap, gap
from harness.advice.positions import Position, positions_of, sensitivity_of
from harness.advice.quiet import Quiet, needed_at_rate_s, needed_s
from harness.errors import BadInput
from harness.readings import Reading, not_measured
from harness.results import Run

DEFAULT_LIMIT_PER_H = 1.0
"""Chosen: a user puts up with one burst of noise in an hour, hardly with more."""

Standing = Literal[
    "always keyed", "chatters", "never keyed", "not measured", "proven", "too often", "unproven"
]
Outcome = Literal["nothing measured", "chosen", "order not known", "unproven", "incomplete", "none"]
Origin = Literal["asked for", "unit file", "default"]
Action = Literal[
    "watch", "measure position", "measure opening", "measure sensitivity", "name positions"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class FalseKeyingLimit:
    """How often the transmitter may key in an hour without a signal, and who says so."""

    per_h: float
    origin: Origin
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A position and how it stands.

    Parameters
    ----------
    position : what was measured there
    standing : the table on top of this file
    limit : that it is held against
    margin : sensitivity for 12 dB SINAD minus opening; positive when it opens for weaker signals
    cost : opening here minus opening at the chosen position, else at the leading one; None where
        there is neither, at that position itself and at looser ones
    more_s : quiet time beyond what was watched that proves the limit if no further key-up comes;
        0 where it is proven, None where nothing was watched
    more_at_rate_s : the same if key-ups go on coming as often as they did; infinite where that is
        too often, None where none was seen
    """

    position: Position
    standing: Standing
    limit: FalseKeyingLimit
    margin: Gap | None = None
    cost: Gap | None = None
    more_s: float | None = None
    more_at_rate_s: float | None = None

    @property
    def is_open(self) -> bool:
        """Whether more quiet time may still prove the limit here."""
        quiet = self.position.quiet
        return (
            self.standing == "unproven"
            and quiet is not None
            and quiet.rate_per_h < self.limit.per_h
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """A tighter position that opens lower, or keys more often, than U and chance explain.

    ``drop`` is the opening of the looser one minus that of the tighter one; None for key-ups.
    """

    looser: str | None
    tighter: str | None
    drop: Gap | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStep:
    """What to measure next: where, and for how long without a signal in one go.

    That time is the whole of what the limit takes after as many key-ups as were seen: a run is
    judged by itself, and what an earlier one watched is not added.
    """

    action: Action
    knobs: tuple[str | None, ...] = ()
    quiet_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """Where to set the knob, or why that cannot be said.

    Parameters
    ----------
    outcome : the table on top of this file
    positions : loose to tight, those without a place last
    chosen : the position to set, only with outcome "chosen"
    leading : the loosest that more quiet time may still prove, where none is chosen
    sensitivity : level for 12 dB SINAD, where it was measured
    sensitivity_run : title and day of the run that it is from; empty where it is this one
    marked_knob : where the unit file has the unit used, if it says
    contradictions, next_steps : in the order in which they matter
    """

    outcome: Outcome
    positions: tuple[Judged, ...]
    chosen: Judged | None = None
    leading: Judged | None = None
    sensitivity: Reading | None = None
    sensitivity_run: str = ""
    marked_knob: str | None = None
    contradictions: tuple[Contradiction, ...] = ()
    next_steps: tuple[NextStep, ...] = ()


def advise(
    run: Run, limit_per_h: float | None = None, *, sensitivity_run: Run | None = None
) -> Advice:
    """Say where to set the squelch knob of the unit that a run measured.

    Parameters
    ----------
    run : with readings at one position of the knob or more
    limit_per_h : key-ups in an hour to hold the positions against instead of the run's own limit;
        above 0
    sensitivity_run : another run of the same unit, to take the sensitivity for 12 dB SINAD from

    Raises
    ------
    ValueError : the limit is not a number above 0.
    BadInput : the other run is of another unit, or holds no sensitivity.
    """
    if limit_per_h is not None and not 0.0 < limit_per_h < float("inf"):
        raise ValueError(f"{limit_per_h=} is not a number above 0")
    listener = _listener(run, sensitivity_run)
    judged = [_judged(position, run, limit_per_h) for position in positions_of(run)]
    measured = [one for one in judged if one.position.is_measured]
    ranked = _ranked(judged)
    chosen = next((one for one in ranked if one.standing == "proven"), None)
    leading = None if chosen else next((one for one in ranked if one.is_open), None)
    reference = chosen or leading
    outcome = _outcome(measured, ranked, chosen)
    with_levels: dict[str | None, Judged] = {}
    for one in judged:
        # At the reference itself and at looser positions nothing is lost.
        is_tighter = reference is not None and reference.position.knob in with_levels
        of = reference if is_tighter and one.position.is_placed else None
        with_levels[one.position.knob] = _with_levels(one, of, listener)
    return Advice(
        outcome=outcome,
        positions=tuple(with_levels.values()),
        chosen=with_levels[chosen.position.knob] if chosen else None,
        leading=with_levels[leading.position.knob] if leading else None,
        sensitivity=listener.sensitivity,
        sensitivity_run=listener.title,
        marked_knob=run.unit.get("marked_knob"),
        contradictions=_contradictions([one for one in judged if one.position.is_placed]),
        next_steps=_next_steps(outcome, ranked, reference, listener.sensitivity)
        if measured
        else (),
    )


def _ranked(judged: Sequence[Judged]) -> list[Judged]:
    """Give the positions that take part, loose to tight; one measured alone needs no place."""
    measured = [one for one in judged if one.position.is_measured]
    if len(measured) == 1 and not measured[0].position.is_placed:
        return measured
    placed = [one for one in judged if one.position.is_placed]
    return placed if any(one.position.is_measured for one in placed) else []


def limit_for(run: Run, knob: str | None, limit_per_h: float | None = None) -> FalseKeyingLimit:
    """Give the limit of false keying at a position: asked for, of the unit file, or the default."""
    if limit_per_h is not None:
        return FalseKeyingLimit(per_h=limit_per_h, origin="asked for", source="asked for")
    conditions = {} if knob is None else {"knob": knob}
    there = not_measured("false_keying_rate", "", conditions=conditions)
    held = [
        (limit.maximum, limit.source)
        for limit in run.limits
        if limit.maximum is not None and limit.applies_to(there)
    ]
    if held:
        per_h, source = min(held)
        return FalseKeyingLimit(per_h=per_h, origin="unit file", source=source)
    return FalseKeyingLimit(per_h=DEFAULT_LIMIT_PER_H, origin="default", source="chosen")


def _judged(position: Position, run: Run, limit_per_h: float | None) -> Judged:
    limit = limit_for(run, position.knob, limit_per_h)
    standing = _standing(position, limit.per_h)
    quiet = position.quiet
    if quiet is None:
        return Judged(position=position, standing=standing, limit=limit)
    further_s = needed_s(limit.per_h, quiet.key_ups) - quiet.watched_s
    at_rate_s = needed_at_rate_s(limit.per_h, quiet.rate_per_h) - quiet.watched_s
    return Judged(
        position=position,
        standing=standing,
        limit=limit,
        more_s=max(further_s, 0.0),
        more_at_rate_s=max(at_rate_s, 0.0) if quiet.key_ups else None,
    )


def _standing(position: Position, limit_per_h: float) -> Standing:
    state, quiet = position.state, position.quiet
    if state is not None and state != "normal":
        return cast(Standing, state)
    if state is None or quiet is None:
        return "not measured"
    if quiet.upper_per_h <= limit_per_h:
        return "proven"
    return "too often" if quiet.lower_per_h > limit_per_h else "unproven"


def _outcome(
    measured: Sequence[Judged], ranked: Sequence[Judged], chosen: Judged | None
) -> Outcome:
    standings = {one.standing for one in ranked}
    if not measured:
        return "nothing measured"
    if chosen is not None:
        return "chosen"
    if not ranked:
        return "order not known"
    if "unproven" in standings:
        return "unproven"
    return "incomplete" if "not measured" in standings else "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Listener:
    """The level for 12 dB SINAD, and where it is from; ``bench`` as ``gap`` takes it."""

    sensitivity: Reading | None
    bench: str | None = None
    title: str = ""


def _listener(run: Run, other: Run | None) -> _Listener:
    if other is None:
        return _Listener(sensitivity=sensitivity_of(run))
    for key in ("name", "serial"):
        one, another = run.unit.get(key), other.unit.get(key)
        if one != another:
            raise BadInput(
                f"is of another unit ({key} {another or 'none'} against {one or 'none'})",
                other.title,
                "Give a run of the same unit for the sensitivity.",
            )
    sensitivity = sensitivity_of(other)
    if sensitivity is None:
        raise BadInput(
            "holds no sensitivity for 12 dB SINAD",
            other.title,
            "Give a run that measured it, such as an acceptance.",
        )
    names = {str(each.bench.get("name", "")) for each in (run, other)}
    return _Listener(
        sensitivity=sensitivity,
        bench=names.pop() if len(names) == 1 else "",
        title=f"{other.title}, {other.ended_utc:%Y-%m-%d}",
    )


def _with_levels(one: Judged, reference: Judged | None, listener: _Listener) -> Judged:
    opening = one.position.reading("squelch_opening")
    of_reference = reference.position.reading("squelch_opening") if reference else None
    return replace(
        one,
        margin=gap(listener.sensitivity, opening, listener.bench),
        cost=gap(opening, of_reference),
    )


def _contradictions(placed: Sequence[Judged]) -> tuple[Contradiction, ...]:
    """Give, for each position, the looser one that it contradicts the most, if any."""
    found: list[Contradiction] = []
    for number, tighter in enumerate(placed):
        opening = tighter.position.reading("squelch_opening")
        drops = [
            (drop.value_db, looser.position.knob, drop)
            for looser in placed[:number]
            if (drop := gap(looser.position.reading("squelch_opening"), opening)) is not None
            and drop.is_above_zero
        ]
        if drops:
            _, knob, drop = max(drops, key=lambda each: each[0])
            found.append(Contradiction(looser=knob, tighter=tighter.position.knob, drop=drop))
        more_often = [
            looser.position.knob
            for looser in placed[:number]
            if _keys_more_often(tighter.position.quiet, looser.position.quiet)
        ]
        if more_often:
            found.append(Contradiction(looser=more_often[0], tighter=tighter.position.knob))
    return tuple(found)


def _keys_more_often(one: Quiet | None, other: Quiet | None) -> bool:
    return one is not None and other is not None and one.lower_per_h > other.upper_per_h


def _next_steps(
    outcome: Outcome,
    ranked: Sequence[Judged],
    reference: Judged | None,
    sensitivity: Reading | None,
) -> tuple[NextStep, ...]:
    if outcome == "order not known":
        return (NextStep(action="name positions"),)
    steps: list[NextStep] = []
    # What lies on the tight side of a choice cannot change it.
    before = ranked[: ranked.index(reference)] if outcome == "chosen" and reference else ranked
    watched = reference if outcome == "unproven" else next((o for o in before if o.is_open), None)
    if watched is not None:
        key_ups = watched.position.quiet.key_ups if watched.position.quiet else 0
        quiet_s = needed_s(watched.limit.per_h, key_ups)
        steps.append(NextStep(action="watch", knobs=(watched.position.knob,), quiet_s=quiet_s))
    absent = tuple(one.position.knob for one in before if one.standing == "not measured")
    if absent:
        quiet_s = max(needed_s(one.limit.per_h) for one in before if one.standing == "not measured")
        steps.append(NextStep(action="measure position", knobs=absent, quiet_s=quiet_s))
    if reference is not None and reference.position.reading("squelch_opening") is None:
        steps.append(NextStep(action="measure opening", knobs=(reference.position.knob,)))
    if sensitivity is None:
        steps.append(NextStep(action="measure sensitivity"))
    return tuple(steps)
