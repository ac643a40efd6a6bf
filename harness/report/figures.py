"""Plots of each kind of measurement, as inline SVG."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from harness.readings import Findings, Series
from harness.report.carrier_figures import carrier_figures
from harness.report.discharge_figures import discharge_figures
from harness.report.drawing import (
    FIRST,
    INK,
    QUIET,
    SECOND,
    Figure,
    capital,
    draw_figure,
    draw_line,
    number_of,
    one_reading,
    one_series,
)
from harness.report.response import draw_response, response_in_words, response_series
from harness.report.spectrum_figures import spectrum_figures
from harness.report.sweeps import LEVEL, SAME_LEVEL_DB
from harness.report.thin import columns, finite_span
from harness.report.timing_figures import keyings_figures
from harness.report.wording import MINUS, in_words, plain, quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Drawing

_FLOOR_DB = -60.0  # chosen: an envelope below it is drawn at the foot


def figures_of(kind: str, group: Sequence[Findings]) -> list[Figure]:
    """Draw what the findings of one kind of measurement hold; nothing where there are no series."""
    draw = _DRAWN.get(kind)
    return [] if draw is None else draw(group)


def _audio(group: Sequence[Findings]) -> list[Figure]:
    return [*_sinad(group), *_response(group)]


def _response(group: Sequence[Findings]) -> list[Figure]:
    lines = response_series(group)
    if not lines:
        return []
    return [
        draw_figure(
            "response",
            "Audio against frequency",
            response_in_words(lines),
            2.8,
            lambda drawing: draw_response(drawing, lines, (FIRST, SECOND, INK)),
        )
    ]


def _sinad(group: Sequence[Findings]) -> list[Figure]:
    points = one_series(group, "sinad_against_level")
    if points is None:
        return []
    fit = one_series(group, "sinad_fit")
    reading = one_reading(group, "sensitivity_12db_sinad")
    sensitivity_dbm = number_of(reading)

    def fill(drawing: Drawing) -> None:
        axes = drawing.subplots()
        if fit is not None:
            draw_line(axes, fit, color=FIRST, label="fitted")
        axes.plot(
            points.axes[0].values,
            points.values,
            "o",
            color=FIRST,
            markersize=4.5,
            markerfacecolor="white",
            label="measured",
        )
        axes.axhline(12.0, color=SECOND, linewidth=1.0, linestyle="--", label="12 dB")
        if sensitivity_dbm is not None:
            axes.plot([sensitivity_dbm], [12.0], "D", color=SECOND, markersize=5)
            axes.annotate(
                quantity(sensitivity_dbm, "dBm", reading.expanded_uncertainty if reading else None),
                (sensitivity_dbm, 12.0),
                xytext=(8, -12),
                textcoords="offset points",
                color=SECOND,
            )
        axes.set_xlabel(f"Input level at the unit's port{how}, dBm")
        axes.set_ylabel("SINAD, dB")
        axes.legend(loc="upper left")

    low, high = finite_span(points.axes[0].values)
    how = _how_known(points, group)
    crossing = (
        "it does not give a sensitivity"
        if sensitivity_dbm is None
        else f"it crosses 12 dB at {quantity(sensitivity_dbm, 'dBm')}"
    )
    return [
        draw_figure(
            "sinad",
            "SINAD of the repeated audio against input level",
            f"{points.values.size} levels from {plain(round(low, 1), 'dBm')} to"
            f" {plain(round(high, 1), 'dBm')}{how}; {crossing}.",
            2.8,
            fill,
        )
    ]


def _how_known(points: Series, group: Sequence[Findings]) -> str:
    """Say whether the levels of a sweep are as measured or as set; nothing if not known."""
    set_dbm = {
        level
        for part in group
        if any(series is points for series in part.series)
        for reading in part.readings
        if reading.name == "sinad"
        and isinstance(level := reading.conditions.get(LEVEL), int | float)
    }
    levels_dbm = np.sort(points.axes[0].values)
    if not set_dbm or len(set_dbm) != len(levels_dbm):
        return ""
    apart_db = np.abs(levels_dbm - np.array(sorted(set_dbm)))
    return ", as set" if apart_db.max() < SAME_LEVEL_DB else ", as measured"


def _squelch(group: Sequence[Findings]) -> list[Figure]:
    drawn = [part for part in group if any(s.name == "opening_fraction" for s in part.series)]
    figures = []
    for start in range(0, len(drawn), _PANELS_PER_ROW):
        row = drawn[start : start + _PANELS_PER_ROW]
        figures.append(_squelch_row(row, f"squelch{start}"))
    return figures


_PANELS_PER_ROW = 3
_CURVES = (
    ("opening", "^", "-", FIRST, FIRST),
    ("closing", "v", "--", SECOND, "white"),
)


def _squelch_row(row: Sequence[Findings], name: str) -> Figure:
    words = []
    for part in row:
        named = ", ".join(
            f"{what} at {quantity(level, 'dBm')}"
            for what, *_ in _CURVES
            if (level := number_of(one_reading([part], f"squelch_{what}"))) is not None
        )
        words.append(f"{_knob(part)}: {named or 'no threshold fitted'}")

    def fill(drawing: Drawing) -> None:
        panels = drawing.subplots(1, len(row), sharey=True, squeeze=False)[0]
        for panel, part in zip(panels, row, strict=True):
            _squelch_panel(panel, part)
        panels[0].set_ylabel("Part of the sweeps")
        panels[0].legend(loc="center left", bbox_to_anchor=(0.0, 0.78))
        drawing.supxlabel("Input level at the unit's port, dBm", fontsize=8.5)

    return draw_figure(
        name,
        "Squelch opening and closing",
        "Part of the sweeps in which the unit has keyed (opening) or still keys (closing) against"
        f" input level, 50 % marked. {'; '.join(words)}.",
        2.8,
        fill,
    )


def _squelch_panel(panel: Axes, part: Findings) -> None:
    panel.axhline(0.5, color=QUIET, linewidth=0.9, linestyle=":")
    for what, marker, line, colour, face in _CURVES:
        points = one_series([part], f"{what}_fraction")
        fit = one_series([part], f"{what}_fit")
        if fit is not None:
            draw_line(panel, fit, color=colour, linestyle=line)
        if points is not None:
            panel.plot(
                points.axes[0].values,
                points.values,
                marker,
                color=colour,
                markersize=4.5,
                markerfacecolor=face,
                label=what,
                clip_on=False,
            )
        level_dbm = number_of(one_reading([part], f"squelch_{what}"))
        if level_dbm is not None:
            panel.plot([level_dbm], [0.5], "|", color=INK, markersize=12, markeredgewidth=1.6)
            right = what == "opening"
            panel.annotate(
                f"{level_dbm:.1f}".replace("-", MINUS),
                (level_dbm, 0.5),
                xytext=(7 if right else -7, 5),
                textcoords="offset points",
                ha="left" if right else "right",
                color=colour,
            )
    panel.set_ylim(0.0, 1.0)
    panel.set_yticks([0.0, 0.25, 0.5, 0.75, 1.0], ["0", "25 %", "50 %", "75 %", "all"])
    panel.set_title(_knob(part))


def _knob(part: Findings) -> str:
    held = [item.conditions for item in part.series] + [item.conditions for item in part.readings]
    for conditions in held:
        if "knob" in conditions:
            return f"Knob at {conditions['knob']}"
    return "Knob as found"


def _timing(group: Sequence[Findings]) -> list[Figure]:
    envelopes = {
        what: series
        for what in _TRACES
        if (series := one_series(group, f"{what}_envelope")) is not None
    }
    if not envelopes:
        return []
    edges = {what: _first_edges(one_series(group, f"{what}_keying")) for what in _TRACES}
    spans = []
    for number, word, name in ((0, "attack", "attack_time"), (1, "hang", "hang_time")):
        first, last = edges["input"][number], edges["output"][number]
        if first is not None and last is not None and last > first:
            spans.append(_Span(word, first, last, _time_in_words(group, name)))
    longest_s = max(np.ptp(finite_span(series.axes[0].values)) for series in envelopes.values())
    near = [span for span in spans if span.last_s - span.first_s < _ZOOM_BELOW * longest_s]

    def fill(drawing: Drawing) -> None:
        panels = drawing.subplots(
            1, 1 + len(near), squeeze=False, width_ratios=[5] + [3] * len(near)
        )[0]
        _traces(panels[0], envelopes, 1.0)
        for span in spans:
            _marked(panels[0], span, 1.0, "" if span in near else span.words or span.word)
        panels[0].set_xlabel("Time, s")
        panels[0].set_ylabel("dB against settled power")
        for axes, span in zip(panels[1:], near, strict=True):
            margin_s = max(0.3 * (span.last_s - span.first_s), 2e-3)
            start_s, stop_s = span.first_s - margin_s, span.last_s + margin_s
            _traces(axes, envelopes, 1e3, start_s, stop_s)
            _marked(axes, span, 1e3, span.words or span.word)
            axes.set_xlim(start_s * 1e3, stop_s * 1e3)
            axes.set_xlabel("Time, ms")
            axes.tick_params(labelleft=False)
        handles, labels = panels[0].get_legend_handles_labels()
        drawing.legend(handles, labels, loc="outside upper left", ncols=2)

    said = "; ".join(span.words or span.word for span in spans)
    return [
        draw_figure(
            "keying",
            "One keying: what went in and what came out",
            "Power of input and output against time; the time between their edges is shaded."
            f" {capital(said or 'no edge of both is marked')}.",
            2.7,
            fill,
        )
    ]


@dataclass(frozen=True, slots=True)
class _Span:
    """A time between two edges, and what to call it."""

    word: str
    first_s: float
    last_s: float
    words: str


def _time_in_words(group: Sequence[Findings], name: str) -> str:
    reading = one_reading(group, name)
    return "" if reading is None else f"{name.replace('_time', '')} {in_words(reading)}"


_ZOOM_BELOW = 0.15  # chosen: a narrower span could not be labelled
_TRACES = {"input": (SECOND, "--"), "output": (FIRST, "-")}
_COLUMNS = 400  # chosen: about one to each point of the panel's width


def _traces(
    axes: Axes,
    envelopes: dict[str, Series],
    scale: float,
    start_s: float = -math.inf,
    stop_s: float = math.inf,
) -> None:
    for what, series in envelopes.items():
        time_s = series.axes[0].values
        inside = (time_s >= start_s) & (time_s <= stop_s)
        x, y = time_s[inside] * scale, np.maximum(series.values[inside], _FLOOR_DB)
        colour, line = _TRACES[what]
        if len(x) > 2 * _COLUMNS:
            band = columns(x, y, _COLUMNS)
            axes.fill_between(band.x, band.lowest, band.highest, color=colour, alpha=0.28, lw=0)
            x, y = band.x, band.middle
        axes.plot(x, y, color=colour, linestyle=line, label=what)
    axes.set_ylim(_FLOOR_DB, 6.0)


def _marked(axes: Axes, span: _Span, scale: float, words: str) -> None:
    axes.axvspan(span.first_s * scale, span.last_s * scale, color=INK, alpha=0.07, linewidth=0)
    for edge_s in (span.first_s, span.last_s):
        axes.axvline(edge_s * scale, color=INK, linewidth=0.8)
    if words:
        middle = (span.first_s + span.last_s) / 2.0 * scale
        ground = {"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.5}
        axes.text(middle, -9.0, words, ha="center", fontsize=7.5, bbox=ground)


def _first_edges(series: Series | None) -> tuple[float | None, float | None]:
    """Give the times of the first key-up and of the first drop after it."""
    if series is None:
        return None, None
    time_s, sense = series.axes[0].values, series.values
    ups = time_s[sense > 0]
    up = float(ups[0]) if ups.size else None
    drops = time_s[(sense < 0) & (time_s > (-math.inf if up is None else up))]
    return up, float(drops[0]) if drops.size else None


_DRAWN: dict[str, Callable[[Sequence[Findings]], list[Figure]]] = {
    "carrier": carrier_figures,
    "audio": _audio,
    "squelch": _squelch,
    "timing": lambda group: [*_timing(group), *keyings_figures(group)],
    "spectrum": spectrum_figures,
    "discharge": discharge_figures,
}
