"""Plots of a battery run: power and voltage against time, power and carrier against voltage."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from harness.readings import Findings, Series
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
from harness.report.thin import finite_span
from harness.report.wording import MINUS, in_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing


def discharge_figures(group: Sequence[Findings]) -> list[Figure]:
    """Draw a battery run."""
    return [*_against_time(group), *_against_voltage(group)]


def _against_time(group: Sequence[Findings]) -> list[Figure]:
    """Draw it against time: warm-up, knee, and the level that the drops count from."""
    panels = [
        (series, label, colour)
        for name, label, colour in (
            ("power", "Power, dBm", FIRST),
            ("voltage", "Voltage, V", SECOND),
        )
        if (series := one_series(group, name)) is not None
    ]
    if not panels:
        return []
    marks = [
        (word, seconds, down_db, in_words(reading))
        for word, name, down_db in (
            (f"{MINUS}1 dB", "time_to_minus_1db", 1.0),
            (f"{MINUS}3 dB", "time_to_minus_3db", 3.0),
        )
        if (reading := one_reading(group, name)) is not None
        and (seconds := number_of(reading)) is not None
    ]
    knee, warm_up = (one_reading(group, name) for name in ("power_knee", "warm_up_time"))
    knee_s, warm_up_s = number_of(knee), number_of(warm_up)
    start_dbm = _start_level_dbm(one_series(group, "power"), marks)
    longest_s = max(finite_span(series.axes[0].values)[1] for series, *_ in panels)
    unit, scale = ("h", 1 / 3600) if longest_s > 7200 else ("min", 1 / 60)

    def fill(drawing: Drawing) -> None:
        rows = drawing.subplots(len(panels), 1, sharex=True, squeeze=False)[:, 0]
        for axes, (series, label, colour) in zip(rows, panels, strict=True):
            draw_line(axes, series, scale, color=colour)
            axes.set_ylabel(label)
            for _, seconds, *_ in marks:
                axes.axvline(seconds * scale, color=INK, linewidth=0.9, linestyle="--")
            if warm_up_s is not None:
                axes.axvspan(0.0, warm_up_s * scale, color=QUIET, alpha=0.18, linewidth=0)
            if knee_s is not None:
                axes.axvline(knee_s * scale, color=SECOND, linewidth=0.9, linestyle="-.")
        if start_dbm is not None:
            rows[0].axhline(start_dbm, color=QUIET, linewidth=0.9, linestyle=":")
            rows[0].annotate(
                f"start, {start_dbm:.2f} dBm",
                (1.0, start_dbm),
                xycoords=("axes fraction", "data"),
                xytext=(-2, -3),
                textcoords="offset points",
                ha="right",
                va="top",
                color=INK,
            )
            for _, seconds, down_db, _ in marks:
                rows[0].plot([seconds * scale], [start_dbm - down_db], "D", color=INK, markersize=4)
        for word, seconds, *_ in marks:
            rows[0].annotate(
                word,
                (seconds * scale, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(-4, -2),
                textcoords="offset points",
                ha="right",
                va="top",
            )
        for word, at_s, colour in (("knee", knee_s, SECOND), ("warm-up", warm_up_s, QUIET)):
            if at_s is not None:
                rows[0].annotate(
                    word,
                    (at_s * scale, 0.0),
                    xycoords=("data", "axes fraction"),
                    xytext=(4, 3),
                    textcoords="offset points",
                    ha="left",
                    va="bottom",
                    color=colour,
                )
        rows[-1].set_xlabel(f"Time from load on, {unit}")

    spans = "; ".join(
        f"{label.split(',')[0].lower()} from {finite_span(series.values)[1]:.4g} down to"
        f" {finite_span(series.values)[0]:.4g} {series.unit}"
        for series, label, _ in panels
    )
    reached = "; ".join(f"{word} after {words}" for word, _, _, words in marks)
    apart = [
        f"{word} {in_words(reading)}"
        for word, reading in (("warm-up, shaded, over", warm_up), ("knee after", knee))
        if reading is not None
    ]
    reached = "; ".join([reached or "no mark was reached", *apart])
    return [
        draw_figure(
            "discharge",
            "Power and voltage over the battery run",
            f"{capital(spans)}. {capital(reached)}.",
            3.4 if len(panels) > 1 else 2.2,
            fill,
        )
    ]


def _against_voltage(group: Sequence[Findings]) -> list[Figure]:
    """Draw what the transmitter does with its supply."""
    panels = [
        (series, label, colour)
        for name, label, colour in (
            ("power_against_voltage", "Power, dBm", FIRST),
            ("frequency_error_against_voltage", "Frequency error, Hz", SECOND),
        )
        if (series := one_series(group, name)) is not None
    ]
    if not panels:
        return []

    def fill(drawing: Drawing) -> None:
        rows = drawing.subplots(1, len(panels), squeeze=False)[0]
        for axes, (series, label, colour) in zip(rows, panels, strict=True):
            draw_line(axes, series, color=colour, marker=".", markersize=3)
            axes.set_xlabel("Supply voltage under load, V")
            axes.set_ylabel(label)
            # As the battery goes down: from left to right.
            axes.invert_xaxis()

    said = "; ".join(
        f"{label.split(',')[0].lower()} from {series.values[known][-1]:.4g} {series.unit} at"
        f" {series.axes[0].values[known][-1]:.2f} V to {series.values[known][0]:.4g} {series.unit}"
        f" at {series.axes[0].values[known][0]:.2f} V"
        for series, label, _ in panels
        if (known := np.isfinite(series.values)).any()
    )
    return [
        draw_figure(
            "supply",
            "Power and carrier against the supply voltage, after the warm-up",
            f"{capital(said)}.",
            2.4,
            fill,
        )
    ]


def _start_level_dbm(
    power: Series | None, marks: Sequence[tuple[str, float, float, str]]
) -> float | None:
    """Give the level that the marks count from: what was left at the first of them, and its fall.

    A warm-up is left out of it, so it is not the first row of the log.
    """
    if power is None or not marks:
        return None
    known = np.isfinite(power.values)
    if not known.any():
        return None
    _, seconds, down_db, _ = marks[0]
    left_dbm = float(np.interp(seconds, power.axes[0].values[known], power.values[known]))
    return left_dbm + down_db
