"""Draws the wiring of docs/bench.md: ``python docs/drawings.py`` writes the SVG files beside it.

Boxes stand on a grid and are joined by straight wires. Beside a wire, in black, what the
transmitter sends through it, in the accent of the reports, what the generator does.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from pathlib import Path

from harness.report.drawing import FIRST

# Chosen, in pixels.
PITCH_X, PITCH_Y = 212, 112
BOX_X, BOX_Y = 140, 66
MARGIN, LINE = 20, 15
HEAD = 62


@dataclass(frozen=True)
class Box:
    """A thing on the bench, at a column and a row; its first line is its name."""

    column: float
    row: float
    lines: tuple[str, ...]

    @property
    def middle(self) -> tuple[float, float]:
        """Give its middle in the drawing."""
        return (
            MARGIN + BOX_X / 2 + self.column * PITCH_X,
            HEAD + BOX_Y / 2 + self.row * PITCH_Y,
        )


@dataclass(frozen=True)
class Wire:
    """A cable between two boxes of one row or column; with the levels that run in it."""

    begin: str
    end: str
    transmit: str = ""
    receive: str = ""


@dataclass(frozen=True)
class Drawing:
    """A whole drawing."""

    name: str
    title: str
    below: str
    boxes: dict[str, Box]
    wires: tuple[Wire, ...]


def text(x: float, y: float, words: str, more: str = "") -> str:
    """Write one line."""
    return f'<text x="{x:g}" y="{y:g}" font-size="12"{more}>{escape(words)}</text>'


def box_pieces(box: Box) -> list[str]:
    """Draw a box, its lines about its middle."""
    x, y = box.middle
    pieces = [
        f'<rect x="{x - BOX_X / 2:g}" y="{y - BOX_Y / 2:g}" width="{BOX_X}" height="{BOX_Y}"'
        ' fill="white" stroke="black" stroke-width="1.2"/>'
    ]
    first = y - LINE * len(box.lines) / 2 + 11
    for number, line in enumerate(box.lines):
        bold = ' font-weight="bold"' if number == 0 else ""
        pieces.append(text(x, first + LINE * number, line, f' text-anchor="middle"{bold}'))
    return pieces


def wire_pieces(wire: Wire, boxes: dict[str, Box]) -> list[str]:
    """Draw a wire from middle to middle; boxes are drawn over its ends."""
    (x1, y1), (x2, y2) = boxes[wire.begin].middle, boxes[wire.end].middle
    if x1 != x2 and y1 != y2:
        raise ValueError(f"{wire.begin} and {wire.end} share no row and no column")
    pieces = [
        f'<line x1="{x1:g}" y1="{y1:g}" x2="{x2:g}" y2="{y2:g}" stroke="black" stroke-width="1.2"/>'
    ]
    x, y = (x1 + x2) / 2, (y1 + y2) / 2
    accent = f' fill="{FIRST}"'
    if y1 == y2:
        middle = ' text-anchor="middle"'
        pieces.append(text(x, y - 6, wire.transmit, middle))
        pieces.append(text(x, y + 16, wire.receive, middle + accent))
    else:
        pieces.append(text(x - 7, y + 4, wire.transmit, ' text-anchor="end"'))
        pieces.append(text(x + 7, y + 4, wire.receive, accent))
    return [piece for piece in pieces if "></text>" not in piece]


def svg(drawing: Drawing) -> str:
    """Give a drawing as an SVG document that needs nothing else."""
    columns = max(box.column for box in drawing.boxes.values())
    rows = max(box.row for box in drawing.boxes.values())
    width = round(2 * MARGIN + BOX_X + columns * PITCH_X)
    height = round(HEAD + BOX_Y + rows * PITCH_Y + MARGIN)
    pieces = [
        f'<text x="{MARGIN}" y="26" font-size="15" font-weight="bold">',
        f"{escape(drawing.title)}</text>",
        text(MARGIN, 45, drawing.below),
        *(piece for wire in drawing.wires for piece in wire_pieces(wire, drawing.boxes)),
        *(piece for box in drawing.boxes.values() for piece in box_pieces(box)),
    ]
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}"'
            f' viewBox="0 0 {width} {height}" role="img" font-family="sans-serif">',
            f"<title>{escape(drawing.title)}</title>",
            f'<rect width="{width}" height="{height}" fill="white"/>',
            *pieces,
            "</svg>",
            "",
        )
    )


OUTPUT = Box(0, 0, ("output receiver", "dongle", "stands 10 dBm"))
INPUT = Box(0, 2, ("input receiver", "dongle", "stands 10 dBm"))
ATTENUATOR = Box(3, 0, ("power attenuator", "30 dB, 10 W", "gets 4 W"))
SPLITTER = ("splitter", "resistive, 6 dB")
LEVELS = "Levels in dBm. Black: the transmitter at 4 W. Green: the generator at 0 dBm, its highest."
LEFT, RIGHT, UP, DOWN = (
    "\N{LEFTWARDS ARROW}",
    "\N{RIGHTWARDS ARROW}",
    "\N{UPWARDS ARROW}",
    "\N{DOWNWARDS ARROW}",
)

DRAWINGS = (
    Drawing(
        name="wiring-shared",
        title="One antenna port: squelch, keyings, audio, sensitivity, acceptance",
        below=LEVELS,
        boxes={
            "output": OUTPUT,
            "output pad": Box(1, 0, ("pad", "10 dB, 1 W")),
            "splitter": Box(2, 0, SPLITTER),
            "attenuator": ATTENUATOR,
            "unit": Box(4, 0, ("repeater", "antenna port", "4 W")),
            "pad": Box(2, 1, ("pad", "20 dB, 1 W")),
            "fuse": Box(4, 1, ("fuse", "at the battery")),
            "input": INPUT,
            "input pad": Box(1, 2, ("pad", "10 dB, 1 W")),
            "tap": Box(2, 2, ("tap: splitter", "resistive, 6 dB")),
            "generator": Box(3, 2, ("generator", "0 dBm at most")),
            "supply": Box(4, 2, ("battery", "or supply")),
        },
        wires=(
            Wire("unit", "attenuator", f"{LEFT} 36.0", f"−62.0 {RIGHT}"),
            Wire("attenuator", "splitter", f"{LEFT} 6.0", f"−32.0 {RIGHT}"),
            Wire("splitter", "output pad", f"{LEFT} 0.0"),
            Wire("output pad", "output", f"{LEFT} −10.0"),
            Wire("splitter", "pad", f"0.0 {DOWN}", f"{UP} −26.0"),
            Wire("pad", "tap", f"−20.0 {DOWN}", f"{UP} −6.0"),
            Wire("tap", "generator", f"−26.0 {RIGHT}", f"{LEFT} 0.0"),
            Wire("tap", "input pad", f"{LEFT} −20.0", f"{LEFT} −6.0"),
            Wire("input pad", "input", f"{LEFT} −30.0", f"{LEFT} −16.0"),
            Wire("unit", "fuse"),
            Wire("fuse", "supply"),
        ),
    ),
    Drawing(
        name="wiring-separate",
        title="A port each for transmitter and receiver",
        below=LEVELS,
        boxes={
            "output": OUTPUT,
            "output pad": Box(1, 0, ("pad", "10 dB, 1 W")),
            "output pad 2": Box(2, 0, ("pad", "10 dB, 1 W")),
            "attenuator": ATTENUATOR,
            "transmitter": Box(4, 0, ("repeater", "transmitter port", "4 W")),
            "receiver": Box(4, 1, ("repeater", "receiver port")),
            "input": Box(0, 1, INPUT.lines),
            "input pad": Box(1, 1, ("pad", "10 dB, 1 W")),
            "tap": Box(2, 1, ("tap: splitter", "resistive, 6 dB")),
            "pad": Box(3, 1, ("pad", "30 dB, 1 W")),
            "generator": Box(2, 2, ("generator", "0 dBm at most")),
        },
        wires=(
            Wire("transmitter", "attenuator", f"{LEFT} 36.0"),
            Wire("attenuator", "output pad 2", f"{LEFT} 6.0"),
            Wire("output pad 2", "output pad", f"{LEFT} −4.0"),
            Wire("output pad", "output", f"{LEFT} −14.0"),
            Wire("generator", "tap", "", f"{UP} 0.0"),
            Wire("tap", "pad", "", f"−6.0 {RIGHT}"),
            Wire("pad", "receiver", "", f"−36.0 {RIGHT}"),
            Wire("tap", "input pad", "", f"{LEFT} −6.0"),
            Wire("input pad", "input", "", f"{LEFT} −16.0"),
        ),
    ),
    Drawing(
        name="wiring-battery",
        title="Battery run: the supply side",
        below="The RF side as in the first drawing. The fuse comes first, at the battery.",
        boxes={
            "battery": Box(0, 0, ("battery", "in an aired place")),
            "fuse": Box(1, 0, ("fuse", "at the terminal,", "rated for the lead")),
            "amperes": Box(2, 0, ("ammeter", "or shunt")),
            "unit": Box(3, 0, ("repeater", "supply")),
            "volts": Box(0, 1, ("voltmeter", "at the terminals,", "fused leads")),
            "rf": Box(3, 1, ("antenna port", "to the attenuator")),
        },
        wires=(
            Wire("battery", "fuse"),
            Wire("fuse", "amperes"),
            Wire("amperes", "unit"),
            Wire("battery", "volts"),
            Wire("unit", "rf"),
        ),
    ),
    Drawing(
        name="wiring-calibration",
        title="Calibrating the level of the input receiver",
        below="Nothing that transmits is on these cables. Levels in dBm, for one of several.",
        boxes={
            "generator": Box(0, 0, ("generator", "level known")),
            "tap": Box(1, 0, ("tap: splitter", "resistive, 6 dB")),
            "pad": Box(2, 0, ("pad", "10 dB, 1 W")),
            "input": Box(3, 0, ("input receiver", "gain by hand", "stands 10 dBm")),
            "load": Box(1, 1, ("load", "50 ohm, where", "the unit was")),
        },
        wires=(
            Wire("generator", "tap", "", f"−24.0 {RIGHT}"),
            Wire("tap", "pad", "", f"−30.0 {RIGHT}"),
            Wire("pad", "input", "", f"−40.0 {RIGHT}"),
            Wire("tap", "load", "", f"{DOWN} −30.0"),
        ),
    ),
    Drawing(
        name="wiring-desensitisation",
        title="Desensitisation: the generator through a coupler, the receiver's own audio",
        below=LEVELS,
        boxes={
            "output": OUTPUT,
            "output pad": Box(1, 0, ("pad", "20 dB, 1 W")),
            "attenuator": Box(2, 0, ("power attenuator", "30 dB, 10 W", "the load")),
            "coupler": Box(3, 0, ("coupler, 20 dB", "main line 0.5 dB", "stands 50 W")),
            "unit": Box(4, 0, ("repeater", "antenna port", "4 W")),
            "pad": Box(3, 1, ("pad", "20 dB, 1 W")),
            "switch": Box(4, 1, ("transmitter", "disabled,", "then keyed")),
            "generator": Box(3, 2, ("generator", "0 dBm at most")),
            "transformer": Box(5, 0, ("transformer", "1 : 1, for audio,", "parts the grounds")),
            "card": Box(5, 1, ("sound card", "line input")),
        },
        wires=(
            Wire("unit", "coupler", f"{LEFT} 36.0", f"−40.0 {RIGHT}"),
            Wire("coupler", "attenuator", f"{LEFT} 35.5"),
            Wire("attenuator", "output pad", f"{LEFT} 5.5"),
            Wire("output pad", "output", f"{LEFT} −14.5"),
            Wire("coupler", "pad", f"16.0 {DOWN}", f"{UP} −20.0"),
            Wire("pad", "generator", f"−4.0 {DOWN}", f"{UP} 0.0"),
            Wire("unit", "switch"),
            Wire("unit", "transformer"),
            Wire("transformer", "card"),
        ),
    ),
)


def main(folder: Path = Path(__file__).parent) -> None:
    """Write all drawings into a folder."""
    for drawing in DRAWINGS:
        (folder / f"{drawing.name}.svg").write_text(svg(drawing), encoding="utf-8")


if __name__ == "__main__":
    main()
