"""Plots of several runs: a fleet about its middle, a unit over time, En of a repair.

What stands out has another marker and its name beside it: colour never stands alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from harness.compare.fleet import OUTLIER_SCORE, FleetLine
from harness.compare.repair import Change, Repair
from harness.compare.runs import Comparison
from harness.compare.years import Years, YearsLine
from harness.report.drawing import FIRST, INK, QUIET, SECOND, Figure, draw_figure
from harness.report.many import folded
from harness.report.wording import conditions_in_words, title_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing

_ROW_IN = 0.22
_LEAST_IN = 1.2
_MOST_EN = 10.0
"""En beyond this is drawn at the edge, as an arrow; chosen."""
_POINTS_OF_A_LINE = 60
_MARKS = {
    "worse": ("v", SECOND),
    "better": ("^", FIRST),
    "changed": ("D", INK),
    "differ": ("D", SECOND),
}
"""Marker and colour of what changed or differs; what does not has a quiet dot."""


def fleet_figure(name: str, line: FleetLine, names: Sequence[str]) -> Figure:
    """Draw each unit's value and U, the middle, and the band outside which one stands out."""
    held = line.quantity
    assert line.middle is not None
    assert line.scale is not None
    middle, reach = line.middle, OUTLIER_SCORE * line.scale
    is_judged = line.units[0].stands_out is not None

    def fill(drawing: Drawing) -> None:
        axes = drawing.subplots()
        rows = range(len(line.units))
        axes.axvline(middle, color=INK, linewidth=0.9, label="median")
        if is_judged:
            axes.axvspan(middle - reach, middle + reach, color=INK, alpha=0.07, linewidth=0)
        for row, one in zip(rows, line.units, strict=True):
            colour, marker = (SECOND, "D") if one.stands_out else (FIRST, "o")
            axes.errorbar(
                one.value,
                row,
                xerr=one.expanded_uncertainty,
                fmt=marker,
                color=colour,
                markersize=5,
                elinewidth=1.0,
            )
        labels = [
            f"{names[one.place]}, stands out" if one.stands_out else names[one.place]
            for one in line.units
        ]
        axes.set_yticks(list(rows), labels)
        axes.set_ylim(len(line.units) - 0.5, -0.5)
        axes.set_xlabel(f"{title_of(held.name)}, {held.unit}".rstrip(", "))

    band = (
        f"; the band is {OUTLIER_SCORE:g} robust standard deviations to both sides"
        if is_judged
        else ""
    )
    return draw_figure(
        name,
        _caption(line),
        f"Value and U of {len(line.units)} units; the upright line is their median{band}.",
        _LEAST_IN + _ROW_IN * len(line.units),
        fill,
    )


def years_figure(name: str, line: YearsLine, years: Years) -> Figure:
    """Draw the runs over time, the line with its U, and the control limits."""
    held = line.quantity
    moments = [years.moments_utc[one.place] for one in line.values]
    outside: set[int] = set()
    if line.control is not None:
        outside = {*line.control.outside, *line.control.robustly_outside}

    def fill(drawing: Drawing) -> None:
        axes: Any = drawing.subplots()  # dates are not among the types of its arguments
        at = _between(moments[0], years.expected_utc)
        fitted = np.array([0.0 if line.trend is None else line.trend.at(day) for day in at])
        if line.control is not None:
            control = line.control
            ends = ((control.low, control.high), (control.robust_low, control.robust_high))
            for (low, high), dashes, label in zip(
                ends, ("--", ":"), ("control limits", "robust limits"), strict=True
            ):
                for level, words in ((low, None), (high, label)):
                    drawn = np.full(len(at), level) + (fitted if control.about_line else 0.0)
                    axes.plot(at, drawn, color=SECOND, linewidth=0.9, linestyle=dashes, label=words)
        if line.trend is not None:
            trend = line.trend
            half = np.array([trend.expanded_at(moment) for moment in at])
            axes.plot(at, fitted, color=FIRST, linewidth=1.0, label="line, with its U")
            axes.fill_between(at, fitted - half, fitted + half, color=FIRST, alpha=0.15, lw=0)
            axes.errorbar(
                [years.expected_utc],
                [line.expected],
                yerr=[line.expanded_expected],
                fmt="s",
                color=QUIET,
                fillstyle="none",
                markersize=5,
                label="expected",
            )
        for one, moment in zip(line.values, moments, strict=True):
            colour, marker = (SECOND, "D") if one.place in outside else (INK, "o")
            axes.errorbar(
                [moment],
                [one.value],
                yerr=[one.expanded_uncertainty],
                fmt=marker,
                color=colour,
                markersize=4.5,
                elinewidth=1.0,
            )
            if one.place in outside:
                axes.annotate(
                    f" outside, {moment:%Y-%m-%d}", (moment, one.value), fontsize=7.5, va="bottom"
                )
        axes.set_ylabel(f"{title_of(held.name)}, {held.unit}".rstrip(", "))
        axes.tick_params(axis="x", labelrotation=0)
        axes.legend(loc="best")

    said = [f"{len(line.values)} runs with their U"]
    if line.trend is not None:
        said.append(f"the fitted line, and what is expected on {years.expected_utc:%Y-%m-%d}")
    if line.control is not None:
        said.append("dashed, the control limits; dotted, the robust ones")
    return draw_figure(name, _caption(line), f"{'; '.join(said)}.", 2.4, fill)


def repair_figure(name: str, repair: Repair) -> Figure | None:
    """Draw En of each quantity, after minus before; None where there is none."""
    return en_figure(name, repair.comparison, repair.changes)


def en_figure(
    name: str, comparison: Comparison, changes: Sequence[Change] | None = None
) -> Figure | None:
    """Draw En of each quantity of two runs; None where there is none.

    Parameters
    ----------
    changes : of each row, where the second run is after a repair of the first
    """
    judged = [row for row in comparison.rows if row.en is not None]
    rows, _ = folded(judged, lambda row: row.name, lambda row: row.agrees is False)
    if not rows:
        return None
    if changes is None:
        said = {id(row): "" if row.agrees else "differ" for row in judged}
    else:
        said = {
            id(row): "" if change == "same" else change
            for row, change in zip(comparison.rows, changes, strict=True)
        }

    def fill(drawing: Drawing) -> None:
        axes = drawing.subplots()
        axes.axvspan(-1.0, 1.0, color=INK, alpha=0.07, linewidth=0)
        axes.axvline(0.0, color=INK, linewidth=0.9)
        labels = []
        for place, row in enumerate(rows):
            assert row.en is not None
            word = said[id(row)]
            marker, colour = _MARKS.get(word, ("o", QUIET))
            shown = max(-_MOST_EN, min(_MOST_EN, row.en))
            axes.plot([shown], [place], marker, color=colour, markersize=6)
            words = f", {word}" if word else ""
            beyond = f" (En {row.en:+.0f})" if shown != row.en else ""
            labels.append(f"{title_of(row.name)}{words}{beyond}")
        axes.set_yticks(range(len(rows)), labels)
        axes.set_ylim(len(rows) - 0.5, -0.5)
        axes.set_xlabel(
            f"En, {comparison.b_name} minus {comparison.a_name}; between −1 and +1 the two agree"
        )

    return draw_figure(
        name,
        "Differences over their uncertainty",
        f"En of {len(rows)} quantities; the band from −1 to +1 is what the uncertainties explain."
        f" Beyond {_MOST_EN:g} it is drawn at the edge.",
        _LEAST_IN + _ROW_IN * len(rows),
        fill,
    )


def _caption(line: FleetLine | YearsLine) -> str:
    under = conditions_in_words(line.quantity.conditions)
    return f"{title_of(line.quantity.name)}{f', {under}' if under else ''}"


def _between(first: datetime, last: datetime) -> list[datetime]:
    span: timedelta = last - first
    return [first + span * share for share in np.linspace(0.0, 1.0, _POINTS_OF_A_LINE).tolist()]
