"""What a comparison of several runs says, before it is on the terminal or on a page.

One content for both: sections of paragraphs, a table, plots, points. All of it is plain text.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from harness.compare.gather import LeftOut
from harness.report.drawing import Figure
from harness.report.wording import minus, title_of

MOST_NAMES = 4
"""Runs named in one sentence; chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ManyRow:
    """A row of a table: its cells, what stands below the first, and whether it stands out."""

    cells: tuple[str, ...]
    below: str = ""
    is_strong: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ManySection:
    """One part of the comparison; ``headings`` are those of the table, its first the rows'."""

    title: str
    paragraphs: tuple[str, ...] = ()
    headings: tuple[str, ...] = ()
    rows: tuple[ManyRow, ...] = ()
    figures: tuple[Figure, ...] = ()
    points: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Many:
    """The whole comparison; ``particulars`` are word and value, as of a run and when it was."""

    kicker: str
    title: str
    summary: str
    particulars: tuple[tuple[str, str], ...]
    sections: tuple[ManySection, ...]
    remarks: tuple[str, ...] = ()


def left_out_section(left_out: tuple[LeftOut, ...]) -> ManySection | None:
    """Say what is not compared, and why; None where there is nothing."""
    if not left_out:
        return None
    points = []
    for one in left_out:
        readings = "" if one.count <= len(one.runs) else f", {one.count} readings"
        points.append(f"{title_of(one.name)}{readings} ({some(one.runs)}): {minus(one.reason)}.")
    return ManySection(title="What is not compared", points=tuple(points))


MOST_ROWS = 8
"""Readings of one name under other conditions that have a row each: more are a sweep. Chosen."""
MOST_FIGURES = 24
"""On one page; chosen."""

T = TypeVar("T")


def folded(
    lines: Sequence[T], name_of: Callable[[T], str], is_strong: Callable[[T], bool]
) -> tuple[list[T], tuple[str, ...]]:
    """Keep of each reading what has a row of its own, and say what was left without one.

    Parameters
    ----------
    lines : of all quantities
    name_of : the name of a line's reading
    is_strong : whether a line says something; of a sweep, such lines alone have a row

    Returns
    -------
    (kept, sentences) : in their order
    """
    groups: dict[str, list[T]] = {}
    for line in lines:
        groups.setdefault(name_of(line), []).append(line)
    kept: list[T] = []
    said = []
    for name, group in groups.items():
        if len(group) <= MOST_ROWS:
            kept += group
            continue
        strong = [line for line in group if is_strong(line)]
        kept += strong[:MOST_ROWS]
        rest = len(strong) - MOST_ROWS
        shown = f"the first {MOST_ROWS} are" if rest > 0 else "they are"
        said.append(
            f"{title_of(name)} is compared under {len(group)} conditions; "
            + (
                f"at {len(strong)} there is something to say, and {shown} above."
                if strong
                else "at none of them is there anything to say."
            )
        )
    return kept, tuple(said)


def some(names: tuple[str, ...]) -> str:
    """Write names with commas between, the last of many counted only."""
    rest = len(names) - MOST_NAMES
    return ", ".join(names[:MOST_NAMES]) + (f" and {rest} more" if rest > 0 else "")


def of_a_difference(unit: str) -> str:
    """Give the unit of a difference: of two levels it is dB, whatever both refer to."""
    return "dB" if unit == "dBm" else unit
