"""Loss of both branches of a duplexer against frequency, as an SVG file of its own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from harness.errors import BadInput
from harness.readings import Findings
from harness.report.drawing import FIRST, INK, SECOND, draw_figure, draw_line, one_series
from harness.report.write import replace_file, require_ours
from harness.units import mhz_in_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing

MARK = "<!-- drawn by harness duplexer -->"
"""Stands at the top of each plot: such a file may be drawn anew."""
_BRANCHES = (
    ("transmit_branch_loss", "transmit branch", FIRST, "-"),
    ("receive_branch_loss", "receive branch", SECOND, "--"),
)


def require_plot(path: Path) -> None:
    """Refuse a name that is no plot's, and a file there that is not a plot of ours.

    Raises
    ------
    BadInput : it is so, or what is there cannot be read.
    """
    if path.suffix.lower() != ".svg":
        raise BadInput("the plot is SVG", str(path), "Give a name that ends in .svg.")
    require_ours(path, MARK, "plot", within=1000)


def write_plot(path: Path, findings: Findings, transmit_hz: float, receive_hz: float) -> None:
    """Draw the series of a duplexer into a file; an earlier plot of ours is replaced as a whole.

    Raises
    ------
    BadInput : the plot cannot be written there, or something else would be lost.
    """
    require_plot(path)
    replace_file(path, drawn(findings, transmit_hz, receive_hz), "plot")


def drawn(findings: Findings, transmit_hz: float, receive_hz: float) -> str:
    """Draw both branches with both frequencies marked.

    Returns
    -------
    str : an SVG document that needs nothing else; the same findings give the same bytes
    """
    marked = ((transmit_hz, "sends"), (receive_hz, "receives"))

    def fill(drawing: Drawing) -> None:
        axes = drawing.subplots()
        for name, label, colour, line in _BRANCHES:
            series = one_series([findings], name)
            if series is None:
                continue
            draw_line(axes, series, 1.0, color=colour, linestyle=line, label=label)
            at_hz = series.axes[0].values
            for frequency_hz, _ in marked:
                loss_db = float(np.interp(frequency_hz, at_hz, series.values))
                if np.isfinite(loss_db):
                    axes.plot([frequency_hz], [loss_db], "o", color=colour, markersize=4.5)
        for frequency_hz, word in marked:
            axes.axvline(frequency_hz, color=INK, linewidth=0.8, linestyle=":")
            axes.annotate(
                f"{word} {mhz_in_words(frequency_hz)}",
                (frequency_hz, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(0, 4),
                textcoords="offset points",
                ha="center",
                color=INK,
            )
        # Loss downwards: what passes stands high, as on an analyser.
        axes.invert_yaxis()
        axes.xaxis.set_major_formatter(lambda value, _place: f"{value / 1e6:.6g}")
        axes.set_xlabel("Frequency, MHz")
        axes.set_ylabel("Loss, dB")
        axes.legend(loc="lower center")

    figure = draw_figure(
        "duplexer",
        "Duplexer: loss of both branches",
        f"Loss against frequency; the unit sends on {mhz_in_words(transmit_hz)} and receives on"
        f" {mhz_in_words(receive_hz)}.",
        3.4,
        fill,
    )
    # By itself there is no page that says what the letters are.
    svg = figure.svg.replace("var(--sans)", "sans-serif")
    head, _, rest = svg.partition(">")
    return f"{head}>{MARK}{rest}\n"
