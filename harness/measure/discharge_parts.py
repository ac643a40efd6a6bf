"""Contributions and notes that the readings of a battery run share."""

from __future__ import annotations

from harness.measure.course import Level, Start
from harness.measure.load import Edge
from harness.uncertainty import Contribution, rectangular


def level_part(name: str, level: Level, sensitivity: float) -> Contribution:
    """Give what the scatter of a level does to a reading."""
    return Contribution(
        name=name,
        standard_uncertainty=level.standard_uncertainty,
        sensitivity=sensitivity,
        kind="A",
        degrees_of_freedom=level.degrees_of_freedom,
        source="scatter from row to row",
    )


def interval_part(name: str, half_s: float, sensitivity: float) -> Contribution:
    """Give what a moment does that lies anywhere in an interval of the log."""
    return Contribution(
        name=name,
        standard_uncertainty=rectangular(half_s),
        sensitivity=sensitivity,
        source="the log's interval there, as a rectangle",
        distribution="rectangular",
    )


def edge_parts(which: str, edge: Edge, sign: float) -> list[Contribution]:
    """Give what the log's interval at load on or off does; nothing where it is a bound."""
    return [interval_part(f"{which}.logging interval", edge.half_s, sign)] if edge.sharp else []


def half_width_part(name: str, off: float, what: str) -> Contribution:
    """Give a deviation that is there whole or not at all.

    Not marked as a rectangle, of which U would leave out the ends: the whole of it may be true.
    """
    return Contribution(
        name=name,
        standard_uncertainty=rectangular(abs(off)),
        source=f"{what}, there or not",
    )


def warm_up_note(start: Start, unit: str) -> str:
    """Say what of the start is left out."""
    if not start.row:
        return "no warm-up found" if start.settled else "it never settled"
    how = "fell" if start.warm_up > 0.0 else "rose"
    note = (
        f"in the first {start.warm_up_s:.0f} s, left out, it {how} by {abs(start.warm_up):.2f}"
        f" {unit} beside the later course"
    )
    if not start.settled:
        note += f", and had not settled to within {abs(start.left):.2g} {unit}"
    return note
