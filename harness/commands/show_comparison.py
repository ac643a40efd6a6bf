"""A comparison on the terminal."""

from __future__ import annotations

from rich.console import Console

from harness.commands.table import Row, print_rows, say
from harness.compare import Comparison
from harness.report.compared import ComparedLine, ComparedRuns, compared


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Print what both runs can answer for, and what stands in one only."""
    words = compared(comparison)
    rows = [_row(line, words) for line in words.lines]
    if rows:
        print_rows(console, ("reading", "difference", "En", ""), rows)
    for sweep in words.sweeps:
        say(console, sweep)
    for title, conditions, value, reason in words.unmatched:
        under = f" ({conditions})" if conditions else ""
        say(console, f"Not compared: {title}{under}, {value}: {reason}.")
    _summary(words, console)


def _row(line: ComparedLine, words: ComparedRuns) -> Row:
    """Write one quantity; which is the better only where that is a question."""
    under = [
        line.conditions,
        f"{words.a_name} {line.a}",
        f"{words.b_name} {line.b}",
        f"{line.better} is the better" if line.better else "",
        line.conclusion.rstrip(".") if line.agrees is None else "",
    ]
    return Row(
        title=line.title,
        values=(line.difference, line.en, _AGREES[line.agrees]),
        words="; ".join(word for word in under if word),
        style="bold" if line.agrees is False else "",
    )


_AGREES = {True: "agree", False: "differ", None: ""}


def print_summary(comparison: Comparison, console: Console) -> None:
    """Print how far two runs agree; the lines stand in the report."""
    words = compared(comparison)
    say(console, f"\n{words.a_name} against {words.b_name}", style="bold")
    _summary(words, console)


def _summary(words: ComparedRuns, console: Console) -> None:
    for remark in words.remarks:
        say(console, remark)
    say(console, words.summary)
