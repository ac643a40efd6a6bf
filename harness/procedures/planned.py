"""A plan as a procedure: its steps in order, then those asked for once more; and what came of it.

A step that is repeated leaves takes of its own (``carrier-repeat-1``), so nothing of the first is
written over. What it found stands for the step; what the step found before is kept beside it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Generator, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from harness.describe import Unit
from harness.describe.plan import Plan, PlanStep
from harness.procedures.acceptance import (
    DEFAULT_HANG_S,
    SHORT,
    STANDARD_SHARE,
    Extent,
    battery_down,
    carrier_take,
    keyings,
    sensitivity_sweep,
    spectrum_take,
    squelch_sweeps,
)
from harness.procedures.runner import Mark
from harness.procedures.steps import (
    Begin,
    Follow,
    Measure,
    Procedure,
    Record,
    Sample,
    Step,
    TurnKnob,
    Watch,
)
from harness.readings import Findings
from harness.results.session import DONE, ENDED_EARLY, NOT_REACHED


@dataclass(slots=True)
class _Bench:
    """What one step leaves for the next: where the knob stands, how long the unit hangs."""

    knob: str | None = None
    hang_s: float = DEFAULT_HANG_S


def planned(unit: Unit, plan: Plan, repeats: Sequence[str] = ()) -> Procedure:
    """Yield the steps of a plan.

    Parameters
    ----------
    unit : that the plan fits
    plan : as it is run
    repeats : names of steps to be done once more, after all others, in this order
    """
    bench = _Bench()
    for step in plan.steps:
        yield Begin(step=step.known_as)
        yield from _renamed(_step(unit, step, bench), _ending(step))
    yield from _turned(unit.used_knob, bench)
    attempts: Counter[str] = Counter()
    for name in repeats:
        attempts[name] += 1
        yield Begin(step=name, attempt=attempts[name])
        step = plan.step(name)
        ending = f"{_ending(step)}-repeat-{attempts[name]}"
        yield from _renamed(_step(unit, step, bench), ending)
        # Left as it is used; asked for once more later, the steps before are the same.
        yield from _turned(unit.used_knob, bench)


def _ending(step: PlanStep) -> str:
    """Give what the names of its takes end with: a procedure may be done twice, under two names."""
    return "" if step.known_as == step.procedure else f"-{step.known_as}"


def extent_of(step: PlanStep) -> Extent:
    """Give how much a step does: what the plan says, else what is usual."""
    said: dict[str, Any] = {
        "carrier_s": step.seconds,
        "spectrum_s": step.seconds,
        "keyings": step.keyings,
        "search_dbm": step.search_dbm,
        "quiet_s": step.quiet_s,
        "sweeps": step.sweeps,
        "sensitivity_dbm": step.levels_dbm,
        "battery_interval_s": step.interval_s,
    }
    return replace(SHORT, **{key: value for key, value in said.items() if value is not None})


def _step(unit: Unit, step: PlanStep, bench: _Bench) -> Procedure:
    extent = extent_of(step)
    deviation_hz = STANDARD_SHARE * unit.rated_deviation_hz
    for position in step.positions(unit):
        if step.procedure == "squelch":
            # It turns the knob by itself, and waits for what that keyed.
            yield from squelch_sweeps(position, bench.hang_s, extent)
            bench.knob = position
            continue
        yield from _turned(position, bench)
        match step.procedure:
            case "carrier":
                yield from carrier_take(deviation_hz, extent)
            case "keying":
                bench.hang_s = yield from keyings(deviation_hz, extent)
            case "spectrum":
                yield from spectrum_take(unit, extent, step.mask)
            case "sensitivity":
                yield from sensitivity_sweep(deviation_hz, extent)
            case "battery":
                yield from battery_down(unit, extent)


def _turned(position: str | None, bench: _Bench) -> Procedure:
    """Turn the knob, unless it stands there."""
    if position is not None and position != bench.knob:
        yield TurnKnob(position=position)
        bench.knob = position


def _renamed(procedure: Procedure, ending: str) -> Generator[Step, Any, None]:
    """Give the steps of a procedure with other names of their takes."""
    gave: Any = None
    while True:
        try:
            step = procedure.send(gave)
        except StopIteration:
            return
        if isinstance(step, Record | Follow | Watch | Measure | Sample):
            step = replace(step, take=_take_renamed(step.take, ending))
        if isinstance(step, Sample):
            step = replace(step, forget=tuple(_take_renamed(t, ending) for t in step.forget))
        gave = yield step


def _take_renamed(take: str, ending: str) -> str:
    """Give a take another name; one of a log or of a watch stands in a folder of its own."""
    folder, slash, name = take.partition("/")
    return f"{folder}{ending}{slash}{name}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Arranged:
    """What came of a plan: findings that stand, those that were before them, and the steps."""

    findings: tuple[Findings, ...]
    earlier: tuple[Findings, ...]
    steps: tuple[dict[str, Any], ...]


def arranged(
    plan: Plan, marks: Sequence[Mark], findings: Sequence[Findings], *, is_done: bool
) -> Arranged:
    """Put findings in the order of the plan, the last done of each step before those before it.

    Parameters
    ----------
    plan : as it was run
    marks : where its steps began
    findings : in the order of measuring
    is_done : whether the last step that began came to its end

    Notes
    -----
    A repeat that ended early does not stand for its step: what was done before it does. What it
    left is on the disk, and counts when it is resumed.
    """
    # Ended before its first step, a run has no marks.
    ends = [*(mark.first for mark in marks[1:]), len(findings)][: len(marks)]
    parts = [
        (mark, tuple(findings[mark.first : end])) for mark, end in zip(marks, ends, strict=True)
    ]
    standing: list[Findings] = []
    earlier: list[Findings] = []
    steps: list[dict[str, Any]] = []
    for step in plan.steps:
        own = [part for part in parts if part[0].step == step.known_as]
        ended_early = bool(own) and own[-1][0] is marks[-1] and not is_done
        if ended_early and len(own) > 1:
            own, ended_early = own[:-1], False
        row: dict[str, Any] = {
            "name": step.known_as,
            "procedure": step.procedure,
            "title": step.title,
            "state": NOT_REACHED if not own else ENDED_EARLY if ended_early else DONE,
            "begun_utc": own[-1][0].begun_utc if own else "",
            "findings": _places(standing, own[-1][1] if own else ()),
        }
        row["earlier"] = [
            {"begun_utc": mark.begun_utc, "findings": _places(earlier, found)}
            for mark, found in own[:-1]
        ]
        steps.append(row)
    return Arranged(findings=tuple(standing), earlier=tuple(earlier), steps=tuple(steps))


def _places(held: list[Findings], more: Iterable[Findings]) -> list[int]:
    """Append findings, and give their places."""
    first = len(held)
    held.extend(more)
    return list(range(first, len(held)))
