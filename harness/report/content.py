"""What a report says, before it is drawn: words and order, no markup."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from harness.advice import Advice, advise
from harness.compare import Comparison
from harness.describe.cautions import CAUTIONS, LOCAL_RULES
from harness.readings import Findings, Limit, Reading, RecordingUsed, Verdict, sentence
from harness.report.advised import Advised, advised
from harness.report.advised_figure import advised_figure
from harness.report.compared import ComparedRuns, compared, number_of
from harness.report.drawing import Figure
from harness.report.figures import figures_of
from harness.report.receiver_figures import receiver_figures
from harness.report.sessions import session_in_words
from harness.report.sweeps import SweepTable, sweep_table, swept
from harness.report.wording import (
    TIE,
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
class Section:
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
    open_points: tuple[str, ...]
    simulated: bool
    particulars: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
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
    return Content(
        title=run.title,
        unit_name=str(run.unit.get("name", "")),
        verdict=run.verdict,
        headline=_headline(run.verdict, readings),
        sentence=_sentence(run.verdict, readings, missing),
        open_points=tuple(_open_points(readings, run.limits)),
        simulated=run.source == "simulated",
        particulars=tuple(_particulars(run)),
        sections=tuple(
            Section(
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
        for limit in limits
        if not any(limit.applies_to(reading) for reading in readings)
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


def _open_points(readings: Sequence[Reading], limits: Sequence[Limit]) -> Iterable[str]:
    for wanted, word in (("fail", "Failed"), ("undecided", "Undecided")):
        for reading in readings:
            if reading.verdict != wanted:
                continue
            said = [limit_in_words(limit) for limit in limits if limit.applies_to(reading)]
            under = conditions_in_words(reading.conditions)
            yield (
                f"{word}: {title_of(reading.name)}{f' ({under})' if under else ''}"
                f" {in_words(reading)}; limit {' and '.join(said)}."
            )


def safety_of(run: Run) -> tuple[str, ...]:
    """Every caution of the house that the run holds, or all where it holds none."""
    held = tuple(text for text in CAUTIONS if text in run.cautions)
    return held or CAUTIONS


def _particulars(run: Run) -> Iterable[tuple[str, str]]:
    unit, bench = run.unit, run.bench
    yield "Unit", _joined([unit.get("name"), _labelled("serial", unit.get("serial"))])
    for key, word in (("receive_hz", "Receives"), ("transmit_hz", "Transmits")):
        if isinstance(unit.get(key), int | float):
            yield word, f"{unit[key] / 1e6:.4f} MHz"
    rated = [
        f"{value:g}{TIE}{unit_of}"
        for key, scale, unit_of in (
            ("channel_spacing_hz", 1e-3, "kHz channel"),
            ("rated_deviation_hz", 1e-3, "kHz deviation"),
            ("rated_power_w", 1.0, "W"),
        )
        if isinstance(unit.get(key), int | float) and (value := unit[key] * scale)
    ]
    if rated:
        yield "Rated", ", ".join(rated)
    battery = unit.get("battery")
    if isinstance(battery, Mapping):
        yield (
            "Battery",
            _joined(
                [
                    battery.get("chemistry"),
                    _with_unit(battery.get("nominal_v"), "V"),
                    _with_unit(battery.get("capacity_ah"), "Ah"),
                ]
            ),
        )
    start, end = moment(run.started_utc), moment(run.ended_utc)
    day = f"{run.started_utc:%Y-%m-%d} "
    yield "Measured", f"{start.removesuffix(' UTC')} to {end.removeprefix(day)}"
    yield "Procedure", run.procedure
    yield from session_in_words(run)
    for key, word in (("operator", "Measured by"), ("place", "Where")):
        if bench.get(key):
            yield word, str(bench[key])
    yield (
        "Bench",
        _joined(
            [
                bench.get("name"),
                _labelled("source", run.source),
                _labelled("calibrated", bench.get("calibrated")),
            ]
        ),
    )
    for key, word in (
        ("output", "Output receiver"),
        ("input", "Input receiver"),
        ("generator", "Generator"),
        ("meter", "Meter"),
    ):
        if bench.get(key):
            yield word, _device(bench[key])
    yield "Software", ", ".join(f"{name} {version}" for name, version in run.software.items())


def _device(device: Any) -> str:
    if isinstance(device, Mapping):
        return (
            _joined([device.get("source"), _labelled("serial", device.get("serial"))])
            or "as described"
        )
    return str(device)


def _joined(parts: Iterable[Any]) -> str:
    return ", ".join(str(part) for part in parts if part not in (None, ""))


def _labelled(word: str, value: Any) -> str:
    return f"{word} {value}" if value not in (None, "") else ""


def _with_unit(value: Any, unit: str) -> str:
    return f"{value:g} {unit}" if isinstance(value, int | float) else ""


def moment(when: datetime) -> str:
    """Write a time for people, to the second."""
    return f"{when:%Y-%m-%d %H:%M:%S} UTC"
