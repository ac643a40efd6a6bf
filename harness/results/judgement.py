"""A run's verdict and what it rests on: limit by limit, step by step, the weakest first.

The order, from best to worst (``readings.SEVERITY``):

============  ====================================================================================
verdict       of a whole when
============  ====================================================================================
pass          every limit is answered, and every reading that one applies to passes
not measured  none of the below, and a limit has no reading, or a step of the plan was not reached
undecided     none of the below, and for some reading a limit lies within U
fail          some reading lies outside a limit by more than U
============  ====================================================================================

So a whole is never better than its weakest part, what was not measured is never a pass, and a unit
that failed once stays failed however much is missing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from harness.readings import Findings, Limit, Reading, Verdict, unanswered, worst
from harness.results.conformity import Deciding, conformance_probability, deciding
from harness.results.run import Run
from harness.results.session import DONE, StepDone, steps_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A judged reading, or a limit that nothing answers.

    Parameters
    ----------
    reading : as judged; its value is None where nothing was measured
    limits : that apply to it
    verdict : of the reading by all of them
    step : name of the plan's step that it came from; empty where there is none
    deciding : what would decide it, where it is undecided
    chance : least probability, by limit, that the true value keeps it; None where none is known
    earlier : the same reading of this step before it was repeated, the first first
    """

    reading: Reading
    limits: tuple[Limit, ...]
    verdict: Verdict
    step: str = ""
    deciding: tuple[Deciding, ...] = ()
    chance: float | None = None
    earlier: tuple[Reading, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StepJudgement:
    """A step of the plan; its verdict is None where no limit asks for anything that it gives."""

    name: str
    procedure: str
    title: str
    state: str
    verdict: Verdict | None
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """The verdict of a run and what it rests on.

    Parameters
    ----------
    verdict : of the whole
    rows : every judged reading, then every limit that nothing answers, in order of measuring
    steps : of the plan, in its order; none where the run went by none
    """

    verdict: Verdict
    rows: tuple[Row, ...]
    steps: tuple[StepJudgement, ...]

    @property
    def weakest(self) -> tuple[Row, ...]:
        """The rows that the whole is no better for; none where it passes."""
        if self.verdict == "pass":
            return ()
        return tuple(row for row in self.rows if row.verdict == self.verdict)

    def count(self, verdict: Verdict) -> int:
        """How many rows have a verdict."""
        return sum(row.verdict == verdict for row in self.rows)


def whole_verdict(
    limits: Sequence[Limit], readings: Iterable[Reading], steps: Sequence[StepDone] = ()
) -> Verdict:
    """Give the verdict of a whole: of each limit by what was measured for it, the worst.

    Two ways to one reading (timing with and without the input) need not both have worked. What
    no limit asks for does not count: an opening that cannot be, at a knob turned loose.

    Parameters
    ----------
    limits : all that were asked for
    readings : judged
    steps : of the plan; one that was not done leaves the whole not measured at best
    """
    given = [reading for reading in readings if reading.value is not None]
    verdicts = [reading.verdict for reading in given]
    if unanswered(limits, given) or any(step.state != DONE for step in steps):
        verdicts.append("not measured")
    return worst(verdicts)


def judgement_of(run: Run) -> Judgement:
    """Give the verdict of a run with what it rests on: a pure function of what a file holds."""
    steps = steps_of(run)
    placed = {id(found): step for step in steps for found in step.findings}
    every = [(found, reading) for found in run.findings for reading in found.readings]
    rows = [
        _row(reading, run.limits, placed.get(id(found)))
        for found, reading in every
        if reading.verdict is not None and reading.value is not None
    ]
    for limit in unanswered(run.limits, [row.reading for row in rows]):
        absent = [(found, reading) for found, reading in every if limit.applies_to(reading)]
        for found, reading in absent[:1]:
            step = placed.get(id(found))
            name = "" if step is None else step.name
            rows.append(Row(reading=reading, limits=(limit,), verdict="not measured", step=name))
    return Judgement(
        verdict=run.verdict,
        rows=tuple(rows),
        steps=tuple(_step(step, rows) for step in steps),
    )


def _row(reading: Reading, limits: Sequence[Limit], step: StepDone | None) -> Row:
    applying = tuple(limit for limit in limits if limit.applies_to(reading))
    chances = [
        chance
        for limit in applying
        if (chance := conformance_probability(reading, limit)) is not None
    ]
    return Row(
        reading=reading,
        limits=applying,
        verdict=reading.verdict or "not measured",
        step="" if step is None else step.name,
        deciding=deciding(reading, applying),
        chance=min(chances, default=None),
        earlier=() if step is None else earlier_readings(reading, step),
    )


def earlier_readings(reading: Reading, step: StepDone) -> tuple[Reading, ...]:
    """Give what a step found of this reading each time before the last.

    The same is what has the same name, the same words among its conditions and the same place
    among such: levels are measured, and differ a little each time.
    """
    now = _alike(reading, step.findings)
    place = next((number for number, one in enumerate(now) if one is reading), None)
    if place is None:
        return ()
    alike = [_alike(reading, attempt.findings) for attempt in step.earlier]
    return tuple(before[place] for before in alike if len(before) > place)


def _alike(reading: Reading, findings: Sequence[Findings]) -> list[Reading]:
    return [
        one
        for found in findings
        for one in found.readings
        if one.name == reading.name and _words(one) == _words(reading)
    ]


def _words(reading: Reading) -> dict[str, object]:
    return {key: held for key, held in reading.conditions.items() if isinstance(held, str | bool)}


def _step(step: StepDone, rows: Sequence[Row]) -> StepJudgement:
    own = tuple(row for row in rows if row.step == step.name)
    verdicts: list[Verdict] = [row.verdict for row in own]
    if step.state != DONE:
        verdicts.append("not measured")
    return StepJudgement(
        name=step.name,
        procedure=step.procedure,
        title=step.title,
        state=step.state,
        verdict=worst(verdicts) if verdicts else None,
        rows=own,
    )
