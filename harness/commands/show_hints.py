"""Hints on what is likely wrong, on the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.commands.table import INDENT, say

if TYPE_CHECKING:
    from rich.console import Console

    from harness.results import Run


def print_hints(run: Run, console: Console) -> None:
    """Print each hint with its evidence and a next check; nothing where there is none."""
    from harness.advice import diagnose
    from harness.report.hints import ON_HINTS, hint_in_words

    hints = [hint_in_words(hint) for hint in diagnose(run)]
    for hint in hints:
        say(console, f"\nHint: {hint.title}", style="bold")
        say(console, f"Seen: {'; '.join(hint.evidence)}.", indent=INDENT)
        say(console, f"Next: {hint.next_check}", indent=INDENT)
    if hints:
        say(console, ON_HINTS, style="dim")
