"""Plots of the audio against frequency: its response, and the gain of the repeater."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from harness.readings import Findings, Series
from harness.report.thin import finite_span
from harness.report.wording import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Drawing

RESPONSE_LINES = (
    ("audio_response", "relative to 1 kHz", "o-"),
    ("audio_response_to_emphasis", "relative to 6 dB/octave", "s--"),
    ("repeat_gain_against_frequency", "out against in", "D:"),
)
"""Series that are drawn, in words, and with what marker and line."""
TICKS_HZ = (300, 500, 1000, 2000, 3000)


def response_series(group: Sequence[Findings]) -> list[tuple[Series, str, str]]:
    """Give the series to draw, each with its words and its style."""
    held = {series.name: series for part in group for series in part.series}
    return [(held[name], words, style) for name, words, style in RESPONSE_LINES if name in held]


def response_in_words(lines: Sequence[tuple[Series, str, str]]) -> str:
    """Say what the plot shows, for who cannot see it."""
    said = []
    for series, words, _ in lines:
        low_hz, high_hz = finite_span(series.axes[0].values)
        low_db, high_db = finite_span(series.values)
        said.append(
            # Adding 0 makes of a rounded -0 a 0.
            f"{words}: {plain(round(low_db, 1) + 0.0, 'dB')}"
            f" to {plain(round(high_db, 1) + 0.0, 'dB')}"
            f" from {plain(round(low_hz), 'Hz')} to {plain(round(high_hz), 'Hz')}"
        )
    text = "; ".join(said)
    return f"{text[:1].upper()}{text[1:]}."


def draw_response(
    drawing: Drawing, lines: Sequence[tuple[Series, str, str]], colours: Sequence[str]
) -> None:
    """Draw decibels against the logarithm of the frequency."""
    axes: Axes = drawing.subplots()
    for number, (series, words, style) in enumerate(lines):
        frequency_hz = np.asarray(series.axes[0].values)
        axes.plot(
            frequency_hz,
            series.values,
            style,
            color=colours[number % len(colours)],
            markersize=3.5,
            markerfacecolor="white",
            label=words,
        )
    axes.set_xscale("log")
    axes.set_xticks(TICKS_HZ, [str(tick) for tick in TICKS_HZ])
    axes.minorticks_off()
    axes.set_xlabel("Audio frequency, Hz")
    axes.set_ylabel("dB")
    axes.legend(loc="best")
