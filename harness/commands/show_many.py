"""A comparison of several runs on the terminal."""

from __future__ import annotations

from rich.console import Console

from harness.commands.table import Row, print_rows, say
from harness.report.many import Many


def print_many(many: Many, console: Console) -> None:
    """Print all but the plots; the answer comes last, where the eye is."""
    say(console, many.title, style="bold")
    for section in many.sections:
        say(console, f"\n{section.title}", style="bold")
        rows = [
            Row(
                title=row.cells[0],
                values=row.cells[1:],
                words=row.below,
                style="bold" if row.is_strong else "",
            )
            for row in section.rows
        ]
        if rows:
            print_rows(console, section.headings, rows)
        for paragraph in section.paragraphs:
            say(console, paragraph, style="dim")
        for point in section.points:
            say(console, f"- {point}")
    say(console, "")
    for remark in many.remarks:
        say(console, remark)
    say(console, many.summary)
