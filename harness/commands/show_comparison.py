"""A comparison on the terminal."""

from __future__ import annotations

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from harness.compare import Comparison
from harness.report.content import compared


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Print what both runs can answer for, and what stands in one only."""
    words = compared(comparison)
    table = Table(box=None, pad_edge=False, header_style="underline")
    for heading in ("reading", words.a_name, words.b_name, "difference", "En", "conclusion"):
        table.add_column(escape(heading), overflow="fold")
    for line in words.lines:
        title = f"{line.title} ({line.conditions})" if line.conditions else line.title
        cells = (title, line.a, line.b, line.difference, line.en, line.conclusion)
        table.add_row(*(escape(cell) for cell in cells), style="" if line.agrees else "bold")
    console.print(table)
    for title, conditions, value, reason in words.unmatched:
        under = f" ({conditions})" if conditions else ""
        _say(console, f"Not compared: {title}{under}, {value}: {reason}.")
    for remark in words.remarks:
        _say(console, remark)
    _say(console, words.summary)


def _say(console: Console, text: str) -> None:
    console.print(text, highlight=False, markup=False)
