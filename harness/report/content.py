"""What a report says, before it is drawn: words and order, no markup."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from harness.advice import Advice, advise, diagnose
from harness.compare import Comparison
from harness.describe.cautions import CAUTIONS, LOCAL_RULES
from harness.readings import Findings, Limit, Reading, RecordingUsed, Verdict, sentence, unanswered
from harness.report.advised import Advised, advised
from harness.report.advised_figure import advised_figure
from harness.report.compared import ComparedRuns, compared, number_of
from harness.report.drawing import Figure
from harness.report.figures import figures_of
from harness.report.hints import HintLine, hint_in_words
from harness.report.judged import (
    StepLine,
    photos_of,
    rows_of,
    step_lines,
    to_decide,
    to_mend,
)
from harness.report.particulars import particulars
from harness.report.receiver_figures import receiver_figures
from harness.report.sweeps import SweepTable, sweep_table, swept
from harness.report.wording import (
    also,
    conditions_in_words,
    coverage,
    in_words,
    is_never,
    limit_in_words,
    minus,
    remark,
    title_of,
)
from harness.results import Run
from harness.results.judgement import Row, judgement_of
from harness.vocabulary import TERMS

_KINDS = {
    "carrier": "Carrier and modulation",
    "audio": "Receiver and audio",
    "timing": "Keying times",
    "squelch": "Squelch",
    "spectrum": "Spectrum",
    "discharge": "Battery run",
}
_HEADLINES: dict[Verdict, str] = {
    "pass": "Passed",
    "fail": "Failed",
    "undecided": "Undecided",
    "not measured": "Not judged",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One reading of the table, in words."""

    title: str
    definition: str
    conditions: str
    value: str
    also: str
    coverage: str
    count: int
    limits: tuple[tuple[str, str], ...]
    verdict: Verdict | None
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """The readings and plots of one kind of measurement."""

    title: str
    lines: tuple[Line, ...]
    figures: tuple[Figure, ...]
    sweeps: tuple[SweepTable, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """What was not measured for one reason, and why."""

    titles: tuple[str, ...]
    conditions: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """All that a report says."""

    title: str
    unit_name: str
    verdict: Verdict
    headline: str
    sentence: str
    judged: tuple[Line, ...]
    to_mend: tuple[str, ...]
    to_decide: tuple[str, ...]
    hints: tuple[HintLine, ...]
    steps: tuple[StepLine, ...]
    photos: tuple[tuple[str, str], ...]
    simulated: bool
    particulars: tuple[tuple[str, str], ...]
    sections: tuple[Evidence, ...]
    missing: tuple[Missing, ...]
    cautions: tuple[str, ...]
    safety: tuple[str, ...]
    recordings: tuple[RecordingUsed, ...]
    limit_sources: tuple[str, ...]
    notes: str
    local_rules: str
    comparison: ComparedRuns | None
    advice: Advised | None
    advice_figure: Figure | None
    advice_first: bool


def content_of(
    run: Run, comparison: Comparison | None = None, advice: Advice | None = None
) -> Content:
    """Put a run, and what it was compared with, into words.

    Parameters
    ----------
    run : what to report
    comparison : of this run with another
    advice : on the squelch knob; None: from the run by itself
    """
    groups = _by_kind(run.findings)
    advice = advise(run) if advice is None else advice
    is_advised = advice.outcome != "nothing measured"
    readings = [reading for part in run.findings for reading in part.readings]
    missing = _missing(readings, run.limits)
    judgement = judgement_of(run)
    rows = rows_of(run, judgement)
    return Content(
        title=run.title,
        unit_name=str(run.unit.get("name", "")),
        verdict=run.verdict,
        headline=_headline(run.verdict, readings),
        sentence=_sentence(run.verdict, readings, missing),
        judged=tuple(_judged(row, run) for row in rows),
        to_mend=to_mend(rows),
        to_decide=to_decide(rows),
        hints=tuple(hint_in_words(hint) for hint in diagnose(run)),
        steps=step_lines(judgement.steps),
        photos=photos_of(run),
        simulated=run.source == "simulated",
        particulars=tuple(particulars(run)),
        sections=tuple(
            Evidence(
                title=_KINDS.get(kind, kind.replace("_", " ").capitalize()),
                lines=tuple(_line(reading, run) for part in group for reading in _shown(part)),
                figures=(*figures_of(kind, group), *receiver_figures(kind, group)),
                sweeps=tuple(table for part in group if (table := sweep_table(part)) is not None),
            )
            for kind, group in groups.items()
            if any(_shown(part) for part in group) or any(part.series for part in group)
        ),
        missing=missing,
        cautions=_once(
            [
                *(minus(text) for text in run.cautions if text not in CAUTIONS),
                *(minus(text) for part in run.findings for text in part.cautions),
            ]
        ),
        safety=safety_of(run),
        recordings=_once(used for part in run.findings for used in part.recordings),
        limit_sources=_once(limit.source for limit in run.limits),
        notes=run.notes,
        local_rules=LOCAL_RULES,
        comparison=None if comparison is None else compared(comparison),
        advice=advised(advice) if is_advised else None,
        advice_figure=advised_figure(advice) if is_advised else None,
        # What the run was made for stands before its readings.
        advice_first="squelch" in run.procedure,
    )


def _once(items: Iterable[Any]) -> tuple[Any, ...]:
    return tuple(dict.fromkeys(items))


def _by_kind(all_findings: Sequence[Findings]) -> dict[str, list[Findings]]:
    groups: dict[str, list[Findings]] = {}
    for part in all_findings:
        groups.setdefault(part.kind, []).append(part)
    return groups


def _line(reading: Reading, run: Run) -> Line:
    term = TERMS[reading.name]
    said = remark(reading, _nominal_hz(run))
    remarks = [*reading.flags, *([said] if said else [])]
    return Line(
        title=title_of(reading.name),
        definition=term.definition,
        conditions=conditions_in_words(reading.conditions),
        value=in_words(reading),
        also=also(reading, _nominal_hz(run)),
        coverage=coverage(reading),
        count=reading.count,
        limits=tuple(
            (limit_in_words(limit), limit.source)
            for limit in run.limits
            if limit.applies_to(reading)
        ),
        verdict=None if is_never(reading) and not _limited(reading, run) else reading.verdict,
        remarks=tuple(remarks),
    )


def _judged(row: Row, run: Run) -> Line:
    """Write a row of what was judged; its limits are those of the verdict."""
    line = _line(row.reading, run)
    return replace(
        line,
        limits=tuple((limit_in_words(limit), limit.source) for limit in row.limits),
        verdict=row.verdict,
        # What else is said of a value stands beside it further on.
        remarks=line.remarks if row.reading.value is None else row.reading.flags,
    )


def _limited(reading: Reading, run: Run) -> bool:
    return any(limit.applies_to(reading) for limit in run.limits)


def _shown(part: Findings) -> list[Reading]:
    """Give the readings that stand in a row of their own."""
    folded = {id(reading) for group in swept(part.readings).values() for reading in group}
    return [
        reading
        for reading in part.readings
        if (reading.value is not None or is_never(reading)) and id(reading) not in folded
    ]


def _nominal_hz(run: Run) -> float | None:
    nominal = run.unit.get("transmit_hz")
    return float(nominal) if isinstance(nominal, int | float) and nominal > 0 else None


def _missing(readings: Sequence[Reading], limits: Sequence[Limit]) -> tuple[Missing, ...]:
    """Gather what was not measured, by reason, in the order in which it shows first."""
    absent = [
        (
            title_of(reading.name),
            conditions_in_words(reading.conditions),
            minus(reading.note) or "No reason was given.",
        )
        for reading in readings
        if reading.value is None and not is_never(reading)
    ]
    absent += [
        (
            title_of(limit.reading),
            conditions_in_words(limit.where),
            f"There is a limit ({limit_in_words(limit)}; {limit.source}), but this run"
            " holds no reading for it.",
        )
        for limit in unanswered(limits, readings)
    ]
    titles: dict[tuple[str, str], list[str]] = {}
    for title, conditions, reason in absent:
        titles.setdefault((conditions, sentence(reason)), []).append(title)
    return tuple(
        Missing(titles=_once(held), conditions=conditions, reason=reason)
        for (conditions, reason), held in titles.items()
    )


def _headline(verdict: Verdict, readings: Sequence[Reading]) -> str:
    judged = any(reading.verdict and reading.value is not None for reading in readings)
    return "Incomplete" if verdict == "not measured" and judged else _HEADLINES[verdict]


def _sentence(verdict: Verdict, readings: Sequence[Reading], missing: Sequence[Missing]) -> str:
    counted = {
        word: sum(reading.verdict == word and reading.value is not None for reading in readings)
        for word in ("pass", "fail", "undecided")
    }
    judged = sum(counted.values())
    absent = sum(len(item.titles) for item in missing)
    left = f" {number_of(absent, 'thing')} not measured: see below." if missing else ""
    if verdict == "fail":
        return (
            f"{counted['fail']} of {number_of(judged, 'judged reading')} outside the limits.{left}"
        )
    if verdict == "undecided":
        return (
            f"For {counted['undecided']} of {number_of(judged, 'judged reading')} the limit lies"
            f" within the uncertainty, so that neither pass nor fail can be said.{left}"
        )
    if verdict == "pass":
        return (
            f"{number_of(judged, 'judged reading')} within the limits, the uncertainty"
            f" counted against the unit.{left}"
        )
    if judged:
        return (
            f"{counted['pass']} of {number_of(judged, 'judged reading')} within the limits, but"
            f" not everything could be measured.{left}"
        )
    return f"No limit was given for what was measured.{left}"


def safety_of(run: Run) -> tuple[str, ...]:
    """Every caution of the house that the run holds, or all where it holds none."""
    held = tuple(text for text in CAUTIONS if text in run.cautions)
    return held or CAUTIONS
