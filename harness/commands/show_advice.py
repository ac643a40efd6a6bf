"""The advice on the squelch knob on the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.commands.table import INDENT, Row, print_rows, say

if TYPE_CHECKING:
    from rich.console import Console

    from harness.advice import Advice
    from harness.report.advised import AdvisedLine


def print_advice(advice: Advice, console: Console) -> None:
    """Print where to set the knob, each position with its reason, and what to measure next."""
    from harness.report.advised import advised

    words = advised(advice)
    say(console, f"\n{words.headline}", style="bold")
    say(console, words.sentence)
    if words.lines:
        headings = ("knob", "opens at", "false keying, 95 %", "stands")
        print_rows(console, headings, [_row(line) for line in words.lines])
        say(console, words.limit)
        say(console, words.sensitivity)
    for remark in words.remarks:
        say(console, f"Caution: {remark}")
    for step in words.next_steps:
        say(console, f"Next: {step.sentence}")
        if step.command:
            say(console, step.command, indent=INDENT, folded=False)
    if words.lines:
        say(console, words.footnote, style="dim")


def _row(line: AdvisedLine) -> Row:
    margin = f"{line.margin} to 12 dB SINAD ({line.margin_means})" if line.margin_means else ""
    parts = [
        line.mark,
        margin,
        f"{line.cost} lost by going so tight" if line.cost else "",
        line.listener,
        line.times,
        line.watched if line.watched and line.watched not in line.reason.lower() else "",
    ]
    held = "; ".join(part for part in parts if part)
    return Row(
        title=line.knob,
        values=(line.opening, line.false_keying, line.standing),
        words=". ".join(part for part in (held, line.reason) if part),
        style="bold" if line.is_set_here else "",
    )
