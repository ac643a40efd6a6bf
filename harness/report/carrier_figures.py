"""Plots of the carrier: its spectrum as far as it was measured, and where its limiter sets in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from harness.readings import Findings, Series
from harness.report.drawing import (
    FIRST,
    QUIET,
    Figure,
    all_series,
    draw_figure,
    draw_line,
    one_series,
)
from harness.report.thin import finite_span
from harness.report.wording import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Drawing


def carrier_figures(group: Sequence[Findings]) -> list[Figure]:
    """Draw what a carrier's findings hold."""
    return [*_spectra(group), *_limiting(group)]


def _limiting(group: Sequence[Findings]) -> list[Figure]:
    """Draw the deviation out against the deviation in, beside what just follows."""
    curve = one_series(group, "deviation_out_against_deviation_in")
    if curve is None:
        return []
    in_khz = curve.axes[0].values / 1e3
    out_khz = curve.values / 1e3

    def fill(drawing: Drawing) -> None:
        axes = drawing.subplots()
        axes.plot(in_khz, out_khz, "o-", color=FIRST, markersize=4, label="peak deviation out")
        ends_khz = [0.0, float(in_khz[-1])]
        follows = [gain * float(out_khz[0] / in_khz[0]) for gain in ends_khz]
        axes.plot(ends_khz, follows, "--", color=QUIET, linewidth=1.0, label="no limiting")
        axes.set_xlim(left=0.0)
        axes.set_ylim(bottom=0.0)
        axes.set_xlabel("Peak deviation in, kHz")
        axes.set_ylabel("Peak deviation out, kHz")
        axes.legend(loc="upper left")

    low_hz, high_hz = finite_span(curve.axes[0].values)
    first_hz, last_hz = float(curve.values[0]), float(curve.values[-1])
    return [
        draw_figure(
            "limiting",
            "Deviation out against deviation in",
            f"{plain(round(first_hz), 'Hz')} out for {plain(round(low_hz), 'Hz')} in, and"
            f" {plain(round(last_hz), 'Hz')} out for {plain(round(high_hz), 'Hz')} in.",
            2.5,
            fill,
        )
    ]


def _spectra(group: Sequence[Findings]) -> list[Figure]:
    """Draw each spectrum where the channel's filter is flat; the rest is marked."""
    figures = []
    for number, spectrum in enumerate(all_series(group, "spectrum")):
        flat_hz = float(spectrum.conditions.get("flat_hz", math.inf))
        outer_low, outer_high = finite_span(spectrum.axes[0].values)
        low, high = max(outer_low, -flat_hz), min(outer_high, flat_hz)
        if not low < high:
            continue

        def fill(
            drawing: Drawing,
            spectrum: Series = spectrum,
            ends_hz: tuple[float, ...] = (outer_low, low, high, outer_high),
        ) -> None:
            axes = drawing.subplots()
            draw_line(axes, _within(spectrum, ends_hz[1], ends_hz[2]), 1e-3, color=FIRST, lw=0.9)
            for from_hz, to_hz in (ends_hz[:2], ends_hz[2:]):
                if from_hz < to_hz:
                    _unmeasured(axes, from_hz * 1e-3, to_hz * 1e-3)
            axes.set_xlim(ends_hz[0] * 1e-3, ends_hz[-1] * 1e-3)
            axes.axvline(0.0, color=QUIET, linewidth=0.8, linestyle=":")
            axes.set_xlabel("Offset from the nominal frequency, kHz")
            axes.set_ylabel(_to_the_carrier(spectrum))

        figures.append(
            draw_figure(
                f"spectrum{number}",
                "Spectrum of what the unit transmits",
                f"{_to_the_carrier(spectrum)}, from {plain(round(low / 1e3, 1), 'kHz')} to"
                f" {plain(round(high / 1e3, 1), 'kHz')} about the nominal frequency."
                + (" Beyond it the channel's filter begins." if low > outer_low else ""),
                2.5,
                fill,
            )
        )
    return figures


def _to_the_carrier(spectrum: Series) -> str:
    width_hz = spectrum.conditions.get("resolution_bandwidth_hz")
    lines = f", in {width_hz:.3g} Hz" if isinstance(width_hz, int | float) else ""
    return f"{spectrum.unit} to the carrier{lines}"


def _within(series: Series, low: float, high: float) -> Series:
    """Cut a series to a part of its axis."""
    axis = series.axes[0]
    inside = (axis.values >= low) & (axis.values <= high)
    return replace(
        series, axes=(replace(axis, values=axis.values[inside]),), values=series.values[inside]
    )


def _unmeasured(axes: Axes, low: float, high: float) -> None:
    """Mark a part of the axis where nothing of the unit is known."""
    axes.axvspan(low, high, facecolor="none", edgecolor="#dfe5e3", hatch="///", linewidth=0)
    axes.text(
        (low + high) / 2.0,
        0.5,
        "not measured",
        rotation=90,
        ha="center",
        va="center",
        color=QUIET,
        fontsize=7.5,
        transform=axes.get_xaxis_transform(),
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
    )
