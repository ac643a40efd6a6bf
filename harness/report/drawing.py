"""What all plots share: inline SVG, and the pieces of findings that they draw.

The same run gives the same bytes, and no script or network is needed. Colour never stands
alone: what is told apart by colour differs in line or marker too.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from harness.readings import Findings, Reading, Series
from harness.report.thin import thin

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Drawing

INK = "#22302f"
QUIET = "#647270"
FIRST = "#17625b"
SECOND = "#a4540c"
WIDTH_IN = 7.0
_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "harness",
    "text.parse_math": False,
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.titlesize": 8.5,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.unicode_minus": True,
    "grid.color": "#dfe5e3",
    "grid.linewidth": 0.6,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "text.color": INK,
    "lines.linewidth": 1.3,
    "legend.frameon": False,
    "legend.fontsize": 8,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A drawn plot: caption, what it shows in words, and the SVG element."""

    caption: str
    description: str
    svg: str


def draw_figure(
    name: str,
    caption: str,
    description: str,
    height_in: float,
    fill: Callable[[Drawing], None],
    width_in: float = WIDTH_IN,
) -> Figure:
    """Draw a figure into an inline SVG; ``fill`` puts it on the canvas."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure as Drawing

    text = io.StringIO()
    with matplotlib.rc_context({**matplotlib.rcParamsDefault, **_STYLE, "backend": "svg"}):
        drawing = Drawing(figsize=(width_in, height_in), layout="constrained")
        fill(drawing)
        canvas: Any = FigureCanvasSVG(drawing)  # untyped in the library
        canvas.print_svg(text, metadata={"Date": None, "Creator": None})
    return Figure(
        caption=caption,
        description=description,
        svg=_inline(text.getvalue(), name, caption, description),
    )


def _inline(document: str, name: str, caption: str, description: str) -> str:
    """Make a stand-alone SVG document an element of the page, with words for who cannot see it."""
    from html import escape

    svg = document[document.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    # Several drawings share a page: their ids must not.
    svg = re.sub(r'\bid="', f'id="{name}-', svg)
    svg = re.sub(r"url\(#", f"url(#{name}-", svg)
    svg = re.sub(r'xlink:href="#', f'xlink:href="#{name}-', svg)
    svg = re.sub(r"'DejaVu Sans'(, [^;\"]*)?", "var(--sans)", svg)
    words = (
        f'<title id="{name}-title">{escape(caption)}</title>'
        f'<desc id="{name}-desc">{escape(description)}</desc>'
    )
    return re.sub(
        r"<svg ([^>]*)>",
        lambda found: (
            f'<svg role="img" aria-labelledby="{name}-title {name}-desc" {found[1]}>{words}'
        ),
        svg,
        count=1,
    ).strip()


def all_series(group: Sequence[Findings], name: str) -> list[Series]:
    """Give every series of a name."""
    return [series for part in group for series in part.series if series.name == name]


def one_series(group: Sequence[Findings], name: str) -> Series | None:
    """Give the first series of a name, or None."""
    return next(iter(all_series(group, name)), None)


def one_reading(group: Sequence[Findings], name: str) -> Reading | None:
    """Give the first reading of a name that is a number, or None."""
    for part in group:
        for reading in part.readings:
            if reading.name == name and isinstance(reading.value, int | float):
                return reading
    return None


def number_of(reading: Reading | None) -> float | None:
    """Give a reading's number, or None."""
    value = None if reading is None else reading.value
    return float(value) if isinstance(value, int | float) else None


def capital(text: str) -> str:
    """Begin a text with a capital."""
    return text[:1].upper() + text[1:]


def draw_line(axes: Axes, series: Series, scale: float = 1.0, **style: Any) -> None:
    """Draw a series, thinned to what a page can show."""
    x, y = thin(series.axes[0].values, series.values)
    axes.plot(x * scale, y, **style)
