"""A fleet in words: the place of each unit, and which stands out."""

from __future__ import annotations

from harness.compare.fleet import LEAST_FLEET, Fleet, FleetLine, Placed
from harness.report.compared import number_of
from harness.report.many import (
    MOST_FIGURES,
    Many,
    ManyRow,
    ManySection,
    folded,
    left_out_section,
    of_a_difference,
    some,
)
from harness.report.many_figures import fleet_figure
from harness.report.wording import conditions_in_words, minus, quantity, title_of
from harness.vocabulary import TERMS

HOW = (
    "The middle is the median of the units, the scatter a robust standard deviation about it"
    " (median of the distances, Iglewicz and Hoaglin 1993), at least what the measuring itself"
    " scatters. A unit stands out more than 3.5 of these from the middle, if that is more than its"
    " own uncertainty; what all units share, such as one calibration, is left out of that."
)
BY_CHANCE = (
    "Of healthy units about one quantity in ten shows one that stands out by chance: look again"
    " before you mend."
)


def fleet_in_words(fleet: Fleet, particulars: tuple[tuple[str, str], ...]) -> Many:
    """Put a fleet into words.

    Parameters
    ----------
    particulars : of each run: what it is called, and what it is
    """
    numbers = [line for line in fleet.lines if line.units]
    states = [line for line in fleet.lines if line.states]
    apart = [(line, one) for line in numbers for one in line.units if one.stands_out]
    kept, swept = folded(
        numbers,
        lambda line: line.quantity.name,
        lambda line: any(one.stands_out for one in line.units),
    )
    sections = [
        ManySection(
            title="Where each unit stands",
            paragraphs=(HOW, *((BY_CHANCE,) if apart else ())),
            headings=("reading", "middle", "scatter", "stands out"),
            rows=tuple(_row(line, fleet) for line in kept),
            points=swept,
            figures=tuple(
                fleet_figure(f"fleet{number}", line, fleet.names)
                for number, line in enumerate(kept[:MOST_FIGURES])
            ),
        )
    ]
    if states:
        points = tuple(_states(line, fleet) for line in states)
        sections.append(ManySection(title="States", points=points))
    left_out = left_out_section(fleet.left_out)
    return Many(
        kicker="Fleet comparison",
        title=f"{len(fleet.names)} units side by side",
        summary=_summary(fleet, numbers, apart),
        particulars=particulars,
        sections=(*sections, *((left_out,) if left_out else ())),
        remarks=tuple(minus(remark) for remark in fleet.remarks),
    )


def _summary(fleet: Fleet, numbers: list[FleetLine], apart: list[tuple[FleetLine, Placed]]) -> str:
    if not numbers:
        return "There is no quantity that two of these units can answer for."
    if all(len(line.units) < LEAST_FLEET for line in numbers):
        return (
            f"{len(fleet.names)} units are too few to tell whether one stands out: it takes"
            f" {LEAST_FLEET}. They are ranked, and compared with their middle."
        )
    if not apart:
        return f"No unit stands out in any of {number_of(len(numbers), 'reading')}."
    by_unit: dict[str, list[str]] = {}
    for line, one in apart:
        by_unit.setdefault(fleet.names[one.place], []).append(title_of(line.quantity.name))
    told = "; ".join(
        f"{name} in {some(tuple(dict.fromkeys(titles)))}" for name, titles in by_unit.items()
    )
    return f"What stands out in {number_of(len(numbers), 'reading')}: {told}."


def _row(line: FleetLine, fleet: Fleet) -> ManyRow:
    held = line.quantity
    decimals = TERMS[held.name].decimals
    assert line.middle is not None
    assert line.scale is not None
    apart = tuple(fleet.names[one.place] for one in line.units if one.stands_out)
    told = "cannot be told" if line.units[0].stands_out is None else "none"
    below = [
        conditions_in_words(held.conditions),
        ("the best first: " if line.has_direction else "the highest first: ")
        + "; ".join(_place(one, line, fleet) for one in line.units),
        *(f"{fleet.names[place]} {why}" for place, why in line.without),
        (line.note[:1].lower() + line.note[1:]).rstrip("."),
    ]
    return ManyRow(
        cells=(
            title_of(held.name),
            quantity(line.middle, held.unit, decimals=decimals),
            quantity(line.scale, of_a_difference(held.unit), decimals=decimals),
            some(apart) or told,
        ),
        below="; ".join(word for word in below if word),
        is_strong=bool(apart),
    )


def _place(one: Placed, line: FleetLine, fleet: Fleet) -> str:
    """Write a unit's rank, with those that its uncertainty allows too, and its value."""
    low, high = one.ranks
    may_be = "" if low == high else f" (within U {low} to {high})"
    value = quantity(
        one.value,
        line.quantity.unit,
        one.expanded_uncertainty,
        decimals=TERMS[line.quantity.name].decimals,
    )
    return f"{one.rank}. {fleet.names[one.place]} {value}{may_be}"


def _states(line: FleetLine, fleet: Fleet) -> str:
    under = conditions_in_words(line.quantity.conditions)
    told = "; ".join(
        f"{word}: {some(tuple(fleet.names[place] for place in places))}"
        for word, places in line.states
    )
    return f"{title_of(line.quantity.name)}{f' ({under})' if under else ''}: {told}."
