"""Plots of the receiver: SINAD by transmitter state and against offset, quieting."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from harness.readings import Findings, Reading, Series
from harness.report.drawing import FIRST, INK, SECOND, Figure, draw_figure, draw_line, number_of
from harness.report.thin import finite_span
from harness.report.wording import plain, quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Drawing

_STATES = (("off", "o", "-", FIRST, "white"), ("on", "s", "--", SECOND, SECOND))
_WANTED_SINAD_DB = 12.0
_WANTED_QUIETING_DB = 20.0


def receiver_figures(kind: str, group: Sequence[Findings]) -> list[Figure]:
    """Draw what stepped takes say of the receiver; nothing where there are none."""
    if kind != "audio":
        return []
    made = []
    for number, part in enumerate(group):
        made += [
            figure
            for figure in (
                _by_transmitter(part, f"desensitisation{number}"),
                _against_offset(part, f"offset{number}"),
                _quieting(part, f"quieting{number}"),
            )
            if figure is not None
        ]
    return made


def _series(part: Findings, name: str) -> Series | None:
    return next((series for series in part.series if series.name == name), None)


def _reading(part: Findings, name: str) -> Reading | None:
    known = (r for r in part.readings if r.name == name and r.value is not None)
    return next(known, None)


def _points(axes: Axes, series: Series, **style: Any) -> None:
    axes.plot(series.axes[0].values, series.values, markersize=4.5, **style)


def _by_transmitter(part: Findings, name: str) -> Figure | None:
    """Both sweeps of level: how far apart they lie is the desensitisation."""
    sweeps = {
        state: points
        for state, *_ in _STATES
        if (points := _series(part, f"sinad_against_level_transmitter_{state}")) is not None
    }
    if not sweeps:
        return None
    reading = _reading(part, "desensitisation")
    lost_db = number_of(reading)
    words = (
        "no desensitisation could be told"
        if reading is None or lost_db is None
        else f"desensitisation {quantity(lost_db, 'dB', reading.expanded_uncertainty)}"
    )

    def fill(drawing: Drawing) -> None:
        axes = drawing.subplots()
        for state, marker, line, colour, face in _STATES:
            fit = _series(part, f"sinad_fit_transmitter_{state}")
            if fit is not None:
                draw_line(axes, fit, color=colour, linestyle=line)
            if state in sweeps:
                style = {"marker": marker, "color": colour, "markerfacecolor": face}
                _points(axes, sweeps[state], linestyle="", label=f"transmitter {state}", **style)
        axes.axhline(_WANTED_SINAD_DB, color=INK, linewidth=0.9, linestyle=":", label="12 dB")
        axes.set_xlabel("Input level at the unit's port, dBm")
        axes.set_ylabel("SINAD, dB")
        axes.legend(loc="upper left")

    return draw_figure(
        name,
        "SINAD against input level, transmitter off and on",
        f"Sweeps with the transmitter {' and '.join(sweeps)}; {words}.",
        2.8,
        fill,
    )


def _against_offset(part: Findings, name: str) -> Figure | None:
    """SINAD off the channel: the edges, and the centre between them."""
    drawn = [s for s in part.series if s.name.startswith("sinad_against_offset")]
    if not drawn:
        return None
    centre_hz = number_of(_reading(part, "receiver_centre"))
    low, high = finite_span(drawn[0].axes[0].values)

    def fill(drawing: Drawing) -> None:
        axes = drawing.subplots()
        for points, (_, marker, line, colour, face) in zip(drawn, _STATES, strict=False):
            state = points.conditions.get("transmitter")
            label = "measured" if state is None else f"transmitter {state}"
            style = {"marker": marker, "color": colour, "markerfacecolor": face}
            _points(axes, points, linestyle=line, label=label, linewidth=0.8, **style)
        axes.axhline(_WANTED_SINAD_DB, color=INK, linewidth=0.9, linestyle=":", label="12 dB")
        if centre_hz is not None:
            axes.axvline(centre_hz, color=INK, linewidth=0.9, linestyle="--", label="centre")
        axes.set_xlabel("Generator off the nominal frequency, Hz")
        axes.set_ylabel("SINAD, dB")
        axes.legend(loc="lower center")

    words = "no centre" if centre_hz is None else f"centre at {quantity(centre_hz, 'Hz')}"
    return draw_figure(
        name,
        "SINAD against the generator's offset",
        f"{drawn[0].values.size} offsets from {plain(low, 'Hz')} to {plain(high, 'Hz')}; {words}.",
        2.6,
        fill,
    )


def _quieting(part: Findings, name: str) -> Figure | None:
    """By how much a carrier lowers the noise."""
    points = _series(part, "quieting_against_level")
    if points is None:
        return None
    reading = _reading(part, "quieting_20db")
    level_dbm = number_of(reading)
    fit = _series(part, "quieting_fit")

    def fill(drawing: Drawing) -> None:
        axes = drawing.subplots()
        if fit is not None:
            draw_line(axes, fit, color=FIRST, label="fitted")
        style = {"marker": "o", "color": FIRST, "markerfacecolor": "white"}
        _points(axes, points, linestyle="", label="measured", **style)
        axes.axhline(
            _WANTED_QUIETING_DB, color=SECOND, linewidth=1.0, linestyle="--", label="20 dB"
        )
        axes.set_xlabel("Input level at the unit's port, dBm")
        axes.set_ylabel("Quieting, dB")
        axes.legend(loc="upper left")

    where = points.conditions.get("seen_at", "")
    words = (
        "20 dB is not passed"
        if level_dbm is None or (reading is not None and reading.bound)
        else f"it passes 20 dB at {quantity(level_dbm, 'dBm')}"
    )
    return draw_figure(
        name,
        "Quieting against input level",
        f"Noise of an unmodulated carrier against that without one, at the {where}; {words}.",
        2.6,
        fill,
    )
