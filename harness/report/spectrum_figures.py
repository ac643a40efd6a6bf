"""Plots of the spectrum: the emission under its mask, the frequency at key-up and drop."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from harness.readings import Findings, Series
from harness.report.drawing import (
    FIRST,
    INK,
    QUIET,
    SECOND,
    Figure,
    all_series,
    capital,
    draw_figure,
    draw_line,
    one_series,
)
from harness.report.thin import finite_span
from harness.report.wording import in_words, plain

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing

_LOWEST_DB = -110.0  # chosen: below what 8 bits show
_PANELS = (
    ("transient_key_up", "after key-up", ("t1", "t2")),
    ("transient_drop", "before the drop", ("t3",)),
)


def spectrum_figures(group: Sequence[Findings]) -> list[Figure]:
    """Draw what a measurement of the spectrum found; nothing where there are no series."""
    figures = []
    for number, part in enumerate(group):
        if all_series([part], "emission"):
            figures.append(_emission(part, f"emission{number}"))
        if any(all_series([part], name) for name, *_ in _PANELS):
            figures.append(_transients(part, f"transient{number}"))
    return figures


def _emission(part: Findings, name: str) -> Figure:
    mean = all_series([part], "emission")[0]
    held, mask = one_series([part], "emission_peak_hold"), one_series([part], "emission_mask")
    low, high = finite_span(mean.axes[0].values)
    width = f"{mean.conditions.get('resolution_bandwidth_hz', 0.0):g} Hz"

    def fill(drawing: Drawing) -> None:
        axes = drawing.subplots()
        if held is not None:
            draw_line(axes, _clipped(held), 1e-3, color=QUIET, linewidth=0.7, label="peak hold")
        draw_line(axes, _clipped(mean), 1e-3, color=FIRST, linewidth=0.9, label="mean")
        if mask is not None:
            axes.plot(
                mask.axes[0].values * 1e-3,
                mask.values,
                color=SECOND,
                linestyle="--",
                label=f"mask {mask.conditions.get('mask', '')}".rstrip(),
            )
            axes.legend(loc="upper right")
        axes.margins(x=0.0)
        axes.set_ylim(top=5.0)
        axes.set_xlabel("Offset from the middle of the channel, kHz")
        axes.set_ylabel(f"dB to the carrier, in {width}")

    words = [
        f"{reading.name.replace('_', ' ')} {in_words(reading)}"
        for reading in part.readings
        if reading.name in ("occupied_bandwidth", "emission_mask_margin")
        and reading.value is not None
    ]
    span = f"from {plain(round(low / 1e3, 1), 'kHz')} to {plain(round(high / 1e3, 1), 'kHz')}"
    told = capital("; ".join(words) or "no bandwidth was measured")
    return draw_figure(
        name,
        "Emission" if mask is None else "Emission and its mask",
        f"Level to the carrier in lines of {width}, {span}. {told}.",
        2.9,
        fill,
    )


def _clipped(series: Series) -> Series:
    return replace(series, values=np.maximum(series.values, _LOWEST_DB))


def _transients(part: Findings, name: str) -> Figure:
    tracks = [
        (series, words, intervals)
        for what, words, intervals in _PANELS
        if (series := one_series([part], what)) is not None and len(series.values)
    ]
    said = {
        str(reading.conditions.get("interval")): in_words(reading)
        for reading in part.readings
        if reading.name == "transient_frequency" and reading.value is not None
    }

    def fill(drawing: Drawing) -> None:
        panels = drawing.subplots(1, len(tracks), sharey=True, squeeze=False)[0]
        for axes, (series, words, intervals) in zip(panels, tracks, strict=True):
            axes.plot(series.axes[0].values * 1e3, series.values * 1e-3, color=FIRST)
            axes.axhline(0.0, color=QUIET, linewidth=0.8, linestyle=":")
            axes.axvline(0.0, color=INK, linewidth=0.8)
            axes.set_title(", ".join(f"{what}: {said[what]}" for what in intervals if what in said))
            axes.set_xlabel(f"Time {words}, ms")
        panels[0].set_ylabel("Offset, kHz")

    spans = "; ".join(
        f"{words} from {plain(round(finite_span(series.values)[0]), 'Hz')} to"
        f" {plain(round(finite_span(series.values)[1]), 'Hz')}"
        for series, words, _ in tracks
    )
    return draw_figure(
        name,
        "Carrier frequency at key-up and drop",
        f"Offset from the reference against time, of the keying with the largest: {spans}.",
        2.6,
        fill,
    )
