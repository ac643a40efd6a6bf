"""Findings and runs on the terminal, or as JSON."""

from __future__ import annotations

import json
import sys

from rich.console import Console
from rich.table import Table

from harness.readings import Findings, Reading, findings_json
from harness.report.wording import also, conditions_in_words, coverage, in_words, title_of
from harness.results import Run

VERDICT_STYLE = {"pass": "bold", "fail": "bold reverse", "undecided": "italic"}


def print_json(findings: Findings) -> None:
    """Print one JSON object on standard output and nothing else."""
    json.dump(findings_json(findings), sys.stdout, allow_nan=False)
    sys.stdout.write("\n")


def print_findings(findings: Findings) -> None:
    """Print readings as a table, cautions under it."""
    console = Console()
    console.print(readings_table(list(findings.readings)))
    for caution in findings.cautions:
        console.print(f"Caution: {caution}", highlight=False, markup=False)


def print_run(run: Run, console: Console) -> None:
    """Print the verdict of a run and its judged readings."""
    console.print(f"\n{run.title}: {run.verdict.upper()}", highlight=False, markup=False)
    judged = [r for found in run.findings for r in found.readings if r.verdict is not None]
    console.print(readings_table(judged))


def readings_table(readings: list[Reading]) -> Table:
    """Draw a table of readings."""
    table = Table(box=None, pad_edge=False, header_style="underline")
    judged = any(reading.verdict for reading in readings)
    table.add_column("reading")
    table.add_column("value")
    table.add_column("coverage")
    table.add_column("conditions and notes", overflow="fold")
    if judged:
        table.add_column("verdict")
    for reading in readings:
        value = in_words(reading)
        second = also(reading)
        notes = [conditions_in_words(reading.conditions), reading.note, ", ".join(reading.flags)]
        row = [
            title_of(reading.name),
            f"{value} ({second})" if second else value,
            coverage(reading),
            "; ".join(note for note in notes if note),
        ]
        if judged:
            row.append(reading.verdict or "")
        style = VERDICT_STYLE.get(reading.verdict or "", "")
        table.add_row(*(_plain(cell) for cell in row), style=style)
    return table


def _plain(text: str) -> str:
    from rich.markup import escape

    return escape(text)
