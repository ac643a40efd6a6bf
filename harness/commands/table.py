"""A table for any width of terminal: values never fold, words under them do."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.console import Console

from harness.report.wording import TIE, tied

GAP = 2
INDENT = " " * 4
LEAST_WIDTH = 24
"""Narrower is not laid out for. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of a table: a title, values beside it, words under them."""

    title: str
    values: tuple[str, ...]
    words: str = ""
    style: str = ""


def print_rows(console: Console, headings: Sequence[str], rows: Sequence[Row]) -> None:
    """Print rows under their headings; where the width is too small, values go below titles.

    Parameters
    ----------
    console : its width is kept to, unless one single value is wider
    headings : of the title and of each value
    rows : each with as many values as there are headings for them
    """
    lines = [(row.title, *row.values) for row in rows]
    widths = [max(map(cell_len, column)) for column in zip(headings, *lines, strict=True)]
    beside = sum(widths) + GAP * (len(widths) - 1) <= console.width
    first = widths[0] if beside else 0
    if beside:
        _print(console, _line(headings, widths), "underline")
    for row in rows:
        if beside:
            _print(console, _line((row.title, *row.values), widths), row.style)
        else:
            say(console, row.title, style=row.style)
            _print_below(console, headings[1:], row)
        if row.words:
            say(console, row.words, indent=INDENT, style="dim" if first else "")


def say(
    console: Console, text: str, *, indent: str = "", style: str = "", folded: bool = True
) -> None:
    """Print a sentence as it stands, folded between words but not within a quantity.

    Parameters
    ----------
    console : its width is folded to
    text : lines of their own stay so; a list's ``- `` hangs over
    indent : before each line
    style : of rich
    folded : False leaves a path in one piece, to be copied
    """
    if not folded:
        _print(console, indent + text, style)
        return
    for line in text.split("\n"):
        words = line.lstrip(" ")
        begin = indent + line[: len(line) - len(words)]
        hang = begin + " " * (2 * words.startswith("- "))
        pieces = textwrap.wrap(
            tied(words).replace(" ±", f"{TIE}±"),
            max(console.width, LEAST_WIDTH),
            initial_indent=begin,
            subsequent_indent=hang,
            break_long_words=False,
            break_on_hyphens=False,
        )
        for piece in pieces or [""]:
            _print(console, piece.replace(TIE, " "), style)


def _print_below(console: Console, headings: Sequence[str], row: Row) -> None:
    for heading, value in zip(headings, row.values, strict=True):
        if value:
            _print(console, f"{INDENT}{heading} {value}", row.style)


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    padded = (
        cell + " " * (width - cell_len(cell)) for cell, width in zip(cells, widths, strict=True)
    )
    return (" " * GAP).join(padded).rstrip()


def _print(console: Console, text: str, style: str) -> None:
    console.print(text, style=style, highlight=False, markup=False, soft_wrap=True, emoji=False)
