"""Every keying's attack and hang time: against the clock, and in order of length."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from harness.readings import Findings, Series
from harness.report.drawing import FIRST, INK, SECOND, Figure, draw_figure
from harness.report.thin import thin
from harness.report.wording import quantity
from harness.units import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Drawing

LEAST_KEYINGS = 4
"""Fewer are told by their mean. Chosen."""
MOST_POSITIONS = 6
"""Of the knob; more could not be told apart. Chosen."""
_MARKS = (
    ("o", FIRST),
    ("s", SECOND),
    ("^", INK),
    ("D", FIRST),
    ("v", SECOND),
    ("x", INK),
)
_QUANTITIES = ("attack", "hang")


def keyings_figures(group: Sequence[Findings]) -> list[Figure]:
    """Draw how single keyings lie; nothing where there are too few."""
    shown = {what: drawn for what in _QUANTITIES if (drawn := _courses(group, what))}
    if not shown:
        return []

    def fill(drawing: Drawing) -> None:
        panels = drawing.subplots(len(shown), 2, squeeze=False, sharey="row", width_ratios=[5, 3])
        for (what, courses), (course, order) in zip(shown.items(), panels, strict=True):
            _fill_row(what, courses, course, order)
        panels[-1][0].set_xlabel("Time in the take, s")
        panels[-1][1].set_xlabel("Share of keyings not longer")
        handles, labels = panels[0][0].get_legend_handles_labels()
        if len(handles) > 1:
            drawing.legend(handles, labels, loc="outside upper left", ncols=len(handles))

    words = [
        f"{what}{_at(series)}: {_in_words(series.values)}"
        for what, courses in shown.items()
        for series in courses
    ]
    return [
        draw_figure(
            "keyings",
            "Every keying: against time, and in order of length",
            f"One mark for each keying. {'. '.join(word.capitalize() for word in words)}.",
            1.9 * len(shown) + 0.4,
            fill,
        )
    ]


def _courses(group: Sequence[Findings], what: str) -> list[Series]:
    """Series of a quantity, those with the input recorded where there are any."""
    found = [
        series
        for part in group
        for series in part.series
        if series.name.startswith(f"{what}_course") and len(series.values) >= LEAST_KEYINGS
    ]
    with_input = [series for series in found if "method" not in series.conditions]
    return (with_input or found)[:MOST_POSITIONS]


def _fill_row(what: str, courses: Sequence[Series], course: Axes, order: Axes) -> None:
    for series, (marker, colour) in zip(courses, _MARKS, strict=False):
        x, y = thin(series.axes[0].values, 1e3 * series.values)
        label = _at(series).removeprefix(" at ") or what
        course.plot(
            x, y, color=colour, marker=marker, markersize=3.0, linestyle="none", label=label
        )
        values_ms = 1e3 * series.values
        course.axhline(float(np.mean(values_ms)), color=colour, linewidth=0.8, linestyle="--")
        in_order = np.sort(values_ms)
        share = np.arange(1, len(in_order) + 1) / len(in_order)
        order.step(share, in_order, where="pre", color=colour)
    course.set_ylabel(f"{what.capitalize()}, ms")
    order.set_xlim(0.0, 1.0)
    order.set_xticks([0.0, 0.25, 0.5, 0.75, 1.0], ["0", "25 %", "50 %", "75 %", "all"])


def _at(series: Series) -> str:
    return f" at {series.conditions['knob']}" if "knob" in series.conditions else ""


def _in_words(values_s: FloatArray) -> str:
    least, middle, greatest = (
        quantity(float(value), "s", decimals=5) for value in np.quantile(values_s, (0.0, 0.5, 1.0))
    )
    return f"{len(values_s)} keyings from {least} to {greatest}, median {middle}"
