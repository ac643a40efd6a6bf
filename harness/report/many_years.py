"""One unit over years in words: what moves, where it will be, which run falls out."""

from __future__ import annotations

from harness.compare.years import Years, YearsLine
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
from harness.report.many_figures import years_figure
from harness.report.wording import conditions_in_words, in_words, minus, quantity, title_of
from harness.vocabulary import TERMS

HOW = (
    "The line is fitted by least squares, each run weighted by its own uncertainty; a calibration"
    " that all runs share drops out. A reading moves when the slope is beyond its U. What is"
    " expected is where a run would lie if it went on so: a line knows nothing of what breaks."
    " Control limits are the mean and 2.66 mean moving ranges to both sides (individuals chart);"
    " the robust ones, which one bad run does not widen, are the median and 3.145 median moving"
    " ranges. They follow what the unit has done, and are no limits of a rule. Of a unit that does"
    " not change, about one quantity in ten has a run outside the robust ones by chance."
)


def years_in_words(years: Years, particulars: tuple[tuple[str, str], ...]) -> Many:
    """Put one unit over years into words.

    Parameters
    ----------
    particulars : of each run: what it is called, and what it is
    """
    moving = [line for line in years.lines if line.trend is not None and line.trend.is_told]
    outside = [line for line in years.lines if _outside(line, years)]
    kept, swept = folded(
        years.lines, lambda line: line.quantity.name, lambda line: line in moving or line in outside
    )
    section = ManySection(
        title="What moves, and what falls out",
        paragraphs=(HOW,),
        headings=("reading", "newest", "a year", f"expected {years.expected_utc:%Y-%m-%d}"),
        rows=tuple(_row(line, years) for line in kept),
        points=swept,
        figures=tuple(
            years_figure(f"years{number}", line, years)
            for number, line in enumerate(kept[:MOST_FIGURES])
            if line.trend is not None or line.control is not None
        ),
    )
    left_out = left_out_section(years.left_out)
    name, serial = years.unit
    return Many(
        kicker="One unit over time",
        title=f"{name or 'A unit without a name'}{f', serial {serial}' if serial else ''}",
        summary=_summary(years, moving, outside),
        particulars=particulars,
        sections=(section, *((left_out,) if left_out else ())),
        remarks=tuple(minus(remark) for remark in years.remarks),
    )


def _summary(years: Years, moving: list[YearsLine], outside: list[YearsLine]) -> str:
    first, last = years.moments_utc[0], years.moments_utc[-1]
    count = f"{len(years.names)} runs from {first:%Y-%m-%d} to {last:%Y-%m-%d}"
    fitted = sum(line.trend is not None for line in years.lines)
    if not fitted:
        return f"{count}: no reading stands in three of them, so that no trend can be told."
    told = ", ".join(dict.fromkeys(title_of(line.quantity.name) for line in moving))
    out = ", ".join(dict.fromkeys(title_of(line.quantity.name) for line in outside))
    return (
        f"{count}. Of {number_of(fitted, 'reading')} "
        + (f"{len(moving)} move by more than the uncertainties: {told}" if moving else "none moves")
        + (f". Outside the limits of their chart: {out}." if out else ".")
    )


def _outside(line: YearsLine, years: Years) -> list[str]:
    if line.control is None:
        return []
    places = sorted({*line.control.outside, *line.control.robustly_outside})
    return [
        f"{years.moments_utc[place]:%Y-%m-%d}"
        + ("" if place in line.control.outside else " (the robust ones)")
        for place in places
    ]


def _row(line: YearsLine, years: Years) -> ManyRow:
    held = line.quantity
    decimals = TERMS[held.name].decimals
    apart = of_a_difference(held.unit)
    outside = _outside(line, years)
    newest = in_words(held.readings[line.values[-1].place]) if line.values else ""
    slope = expected = ""
    told = False
    below = [conditions_in_words(held.conditions), f"{len(line.values)} runs"]
    if line.trend is not None:
        assert line.expected is not None
        told = line.trend.is_told
        slope = quantity(
            line.trend.slope_per_year,
            apart,
            line.trend.expanded_slope,
            decimals=decimals,
            signed=True,
        )
        expected = quantity(line.expected, held.unit, line.expanded_expected, decimals=decimals)
        below.append(
            ("rises" if line.trend.slope_per_year > 0.0 else "falls")
            + " by more than the uncertainties explain"
            if told
            else "no trend beyond the uncertainty"
        )
        if line.trend.birge > 1.0:
            ratio = f"{line.trend.birge:.2g}"
            below.append(f"the runs scatter {ratio} times as much as their uncertainties explain")
    if line.shared_uncertainty > 0.0:
        shared = quantity(line.shared_uncertainty, apart, decimals=decimals)
        below.append(f"the calibration that all runs share, ± {shared}, is left out of the line")
    if line.control is not None:
        ends = [
            quantity(end, apart if line.control.about_line else held.unit, decimals=decimals)
            for end in (
                line.control.low,
                line.control.high,
                line.control.robust_low,
                line.control.robust_high,
            )
        ]
        about = " about the line" if line.control.about_line else ""
        below.append(f"control limits{about} {ends[0]} to {ends[1]}, robust {ends[2]} to {ends[3]}")
    if outside:
        below.append(f"outside them: {some(tuple(outside))}")
    below += [f"{years.names[place]} {why}" for place, why in line.without]
    note = line.note.rstrip(".")
    below.append(note[:1].lower() + note[1:])
    return ManyRow(
        cells=(title_of(held.name), newest, slope or "–", expected or "–"),
        below="; ".join(minus(word) for word in below if word),
        is_strong=told or bool(outside),
    )
