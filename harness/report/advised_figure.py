"""The plot of the advice: levels and false keying against the position of the knob.

It is read in black and white: opening and closing differ by marker and line, the chosen position
is hatched and named, a position that is left out says why in its column.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from harness.advice import Advice, Judged
from harness.readings import Reading, ends
from harness.report.advised import knob_in_words
from harness.report.drawing import (
    FIRST,
    INK,
    QUIET,
    SECOND,
    WIDTH_IN,
    Figure,
    draw_figure,
    number_of,
)
from harness.report.quiet_wording import rate_in_words
from harness.report.wording import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Drawing

_LEVELS = (
    ("squelch_opening", "opens", "^", "-", FIRST, FIRST, -0.06),
    ("squelch_closing", "closes", "v", "--", SECOND, "white", 0.06),
)
"""Name, word, marker, line, colour, face, and how far beside the position it is drawn."""
_BAND = "#c9d4d1"
_DECADES_BELOW = 1.0
"""So far below the lowest bound or limit the axis of false keying reaches. Chosen."""


def advised_figure(
    advice: Advice, name: str = "advice", *, width_in: float = WIDTH_IN, height_in: float = 4.2
) -> Figure | None:
    """Draw opening, closing and sensitivity, and the bounds of false keying, by position.

    Parameters
    ----------
    advice : what was decided
    name : of the drawing, for its ids
    width_in, height_in : size on paper

    Returns
    -------
    Figure : None where no position has a level or a bound
    """
    shown = advice.positions
    drawn = [
        one
        for one in shown
        if one.position.quiet is not None
        or any(one.position.reading(level[0]) is not None for level in _LEVELS)
    ]
    if not drawn:
        return None

    def fill(drawing: Drawing) -> None:
        levels, rates = drawing.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        for axes in (levels, rates):
            axes.grid(False, axis="x")
            _mark_choice(axes, advice)
        _name_the_choice(levels, advice)
        _draw_levels(levels, shown, advice.sensitivity)
        _draw_rates(rates, shown)
        _name_what_is_left_out(levels, shown)
        rates.set_xticks(
            range(len(shown)), [knob_in_words(one.position.knob) for one in shown], fontsize=9.5
        )
        rates.set_xlim(-0.5, len(shown) - 0.5)
        rates.set_xlabel("Squelch knob, loose to tight")
        drawing.align_ylabels()
        named = [axes.get_legend_handles_labels() for axes in (levels, rates)]
        handles, labels = ([*one, *other] for one, other in zip(*named, strict=True))
        drawing.legend(handles, labels, loc="outside upper center", ncols=len(labels) or 1)

    return draw_figure(
        name,
        "Levels and false keying against the squelch knob",
        _description(advice),
        height_in,
        fill,
        width_in,
    )


def _description(advice: Advice) -> str:
    chosen = advice.chosen
    choice = (
        "No position is chosen."
        if chosen is None
        else f"{knob_in_words(chosen.position.knob)} is chosen, hatched."
    )
    return (
        "Above, the levels at which the unit opens and closes and the sensitivity for 12 dB SINAD,"
        " each with its U, of which they share the calibration; below, the 95 % bounds of false"
        f" keying and the limit. {choice}"
    )


def _is_out(one: Judged) -> bool:
    return one.standing in ("always keyed", "chatters", "never keyed")


def _mark_choice(axes: Axes, advice: Advice) -> None:
    for at, one in enumerate(advice.positions):
        if one is advice.chosen:
            axes.axvspan(
                at - 0.36,
                at + 0.36,
                facecolor="none",
                edgecolor=_BAND,
                hatch="////",
                linewidth=0.0,
                zorder=0,
            )


def _name_the_choice(axes: Axes, advice: Advice) -> None:
    for at, one in enumerate(advice.positions):
        if one is advice.chosen:
            axes.text(
                at,
                0.97,
                "set here",
                ha="center",
                va="top",
                fontweight="bold",
                color=INK,
                transform=axes.get_xaxis_transform(),
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
            )


def _draw_levels(axes: Axes, shown: Sequence[Judged], sensitivity: Reading | None) -> None:
    for name, word, marker, line, colour, face, beside in _LEVELS:
        held = [
            (at + beside, level_dbm, _halves(reading))
            for at, one in enumerate(shown)
            if (reading := one.position.reading(name)) is not None
            and (level_dbm := number_of(reading)) is not None
        ]
        if not held:
            continue
        axes.errorbar(
            [at for at, *_ in held],
            [level_dbm for _, level_dbm, _ in held],
            yerr=[[halves[side] for *_, halves in held] for side in (0, 1)],
            color=colour,
            linestyle=line,
            linewidth=1.1,
            elinewidth=1.6,
            capsize=3.5,
            marker=marker,
            markersize=6.0,
            markerfacecolor=face,
            label=word,
        )
    sensitivity_dbm = number_of(sensitivity)
    if sensitivity is not None and sensitivity_dbm is not None:
        below, above = _halves(sensitivity)
        axes.axhspan(
            sensitivity_dbm - below, sensitivity_dbm + above, color=QUIET, alpha=0.16, linewidth=0.0
        )
        axes.axhline(
            sensitivity_dbm, color=INK, linewidth=1.2, linestyle=":", label="12 dB SINAD ± U"
        )
    axes.set_ylabel("Input level, dBm")
    axes.margins(y=0.16)


def _halves(reading: Reading) -> tuple[float, float]:
    """How far the bar reaches down and up; a bound has no end on its open side."""
    low, high = ends(reading)
    value = number_of(reading)
    if value is None:
        return 0.0, 0.0
    return (
        value - low if math.isfinite(low) else 0.0,
        high - value if math.isfinite(high) else 0.0,
    )


def _draw_rates(axes: Axes, shown: Sequence[Judged]) -> None:
    """Draw a bar up to each upper bound, from the lower one or from off the axis."""
    bounds = [one.position.quiet.upper_per_h for one in shown if one.position.quiet is not None]
    limits = [one.limit.per_h for one in shown if one.limit.per_h > 0.0]
    if not bounds:
        axes.set_yticks([])
        axes.text(0.5, 0.5, "not measured", ha="center", transform=axes.transAxes, color=INK)
        axes.set_ylabel("False keying")
        return
    axes.set_yscale("log")
    # The usual labels are formulas, which are not drawn here.
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    lowest, highest = min((*bounds, *limits)), max((*bounds, *limits))
    axes.set_ylim(lowest * 10.0**-_DECADES_BELOW, highest * 6.0)
    for at, one in enumerate(shown):
        quiet = one.position.quiet
        if quiet is not None:
            bottom = max(quiet.lower_per_h, axes.get_ylim()[0])
            axes.plot([at, at], [bottom, quiet.upper_per_h], color=INK, linewidth=1.6)
            axes.plot([at], [quiet.upper_per_h], "_", color=INK, markersize=13, markeredgewidth=2)
            if quiet.key_ups:
                axes.plot([at], [quiet.rate_per_h], "o", color=INK, markersize=4.5)
            bound = rate_in_words(quiet.upper_per_h, one.limit.per_h, is_upper=True)
            axes.annotate(
                f"≤ {bound.removesuffix(' per hour')}",
                (at, quiet.upper_per_h),
                xytext=(0, 4),
                textcoords="offset points",
                ha="center",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
            )
    of_limit = {limit: plain(limit, "1/h") for limit in limits}
    for at, one in enumerate(shown):
        if one.limit.per_h > 0.0:
            axes.plot(
                [at - 0.5, at + 0.5],
                [one.limit.per_h] * 2,
                color=INK,
                linewidth=1.2,
                linestyle="-.",
                # Each limit once.
                label=f"limit {named}" if (named := of_limit.pop(one.limit.per_h, "")) else "",
            )
    axes.set_ylabel("False keying, 1/h")


def _name_what_is_left_out(axes: Axes, shown: Sequence[Judged]) -> None:
    """Write into the column of a position without levels why there are none."""
    for at, one in enumerate(shown):
        if any(one.position.reading(level[0]) is not None for level in _LEVELS):
            continue
        axes.text(
            at,
            0.5,
            one.standing if _is_out(one) else "not measured",
            rotation=90,
            ha="center",
            va="center",
            color=INK,
            transform=axes.get_xaxis_transform(),
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        )
