"""Findings and runs on the terminal, or as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console

from harness.commands.one_object import print_object
from harness.commands.table import Row, print_rows, say
from harness.readings import Findings, Limit, Reading, findings_json, unanswered
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

if TYPE_CHECKING:
    from harness.results import Run

VERDICT_STYLE = {"pass": "bold", "fail": "bold reverse", "undecided": "italic"}
UNCERTAINTY = (
    "After ± stands the expanded uncertainty, k = 2 unless said; in brackets, a 95 % interval."
)


def print_json(findings: Findings) -> None:
    """Print one JSON object on standard output and nothing else."""
    print_object(findings_json(findings))


def print_findings(findings: Findings, limits: Sequence[Limit] = ()) -> None:
    """Print readings as a table, then what could not be measured and what to bear in mind."""
    console = Console()
    told = [r for r in findings.readings if r.value is not None or is_never(r)]
    _print_measured(told, limits, console)
    _print_missing([r for r in findings.readings if r.value is None and not is_never(r)], console)
    for caution in findings.cautions:
        say(console, f"Caution: {minus(caution)}")


def print_run(run: Run, console: Console) -> None:
    """Print the verdict of a run and what its limits ask for; the rest stands in its report."""
    say(console, f"\n{run.title}: {run.verdict.upper()}", style="bold")
    readings = [reading for found in run.findings for reading in found.readings]
    judged = [reading for reading in readings if reading.verdict and reading.value is not None]
    _print_measured(judged, run.limits, console, notes=False)
    wanting = unanswered(run.limits, judged)
    _print_missing(
        [r for r in readings if r.value is None and any(one.applies_to(r) for one in wanting)],
        console,
    )
    print_open_points(run, console)
    if run.notes:
        say(console, run.notes)


def print_open_points(run: Run, console: Console) -> None:
    """Print what would decide what is undecided, and what repeated steps had found before."""
    from harness.report.deciding import deciding_in_words
    from harness.results.judgement import judgement_of

    for row in judgement_of(run).rows:
        title = title_of(row.reading.name)
        for sentence in deciding_in_words(row):
            say(console, f"Undecided: {title}: {sentence}")
        for earlier in row.earlier:
            under = conditions_in_words(earlier.conditions)
            where = f" ({under})" if under else ""
            say(console, f"Earlier: {title}{where}: {in_words(earlier)}, before it was repeated.")


def _print_measured(
    readings: Sequence[Reading], limits: Sequence[Limit], console: Console, *, notes: bool = True
) -> None:
    if not readings:
        return
    judged = any(reading.verdict for reading in readings)
    headings = ("reading", "value", "verdict") if judged else ("reading", "value")
    rows = []
    for reading in readings:
        verdict = (reading.verdict or "") if reading.value is not None else ""
        values = (in_words(reading), verdict) if judged else (in_words(reading),)
        rows.append(
            Row(
                title=title_of(reading.name),
                values=values,
                words=_words(reading, limits, notes=notes),
                style=VERDICT_STYLE.get(reading.verdict or "", ""),
            )
        )
    print_rows(console, headings, rows)
    say(console, UNCERTAINTY, style="dim")


def _words(reading: Reading, limits: Sequence[Limit], *, notes: bool) -> str:
    """Write what stands under a reading; a coverage factor only where it is not the usual one."""
    asked = [limit_in_words(limit) for limit in limits if limit.applies_to(reading)]
    plain = reading.interval is None and reading.bound is None
    unusual = plain and reading.expanded_uncertainty and reading.coverage_factor != 2.0
    words = [
        also(reading),
        f"limit {' and '.join(asked)}" if asked else "",
        conditions_in_words(reading.conditions),
        coverage(reading) if unusual else "",
        remark(reading) if notes else "",
        ", ".join(reading.flags),
    ]
    return "; ".join(word for word in words if word)


def _print_missing(readings: Sequence[Reading], console: Console) -> None:
    """Print what was not measured, a line for each reason."""
    reasons: dict[tuple[str, str], list[str]] = {}
    for reading in readings:
        under = conditions_in_words(reading.conditions)
        reasons.setdefault((minus(reading.note).rstrip("."), under), []).append(
            title_of(reading.name)
        )
    for (reason, under), titles in reasons.items():
        where = f" ({under})" if under else ""
        say(console, f"Not measured: {', '.join(dict.fromkeys(titles))}{where}: {reason}.")
