"""The level plan as a drawing: SVG that needs nothing else, black on white with one accent."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from html import escape
from pathlib import Path

from harness.describe import LevelBox, LevelChain, LevelPlan, LevelWire
from harness.errors import BadInput
from harness.report.drawing import FIRST
from harness.report.wording import quantity, watts_in_words
from harness.report.write import replace_file, require_ours

MARK = "<!-- drawn by harness levels -->"
"""Stands near the top of each drawing: such a file may be drawn anew."""

# Chosen, in pixels of the drawing.
_MARGIN = 20
_BOX = 132
_WIRE = 92
_LINE = 15
_LETTERS = 20
"""Letters to a line in a box."""
_LEAST_WIDTH = 720


def draw_levels(plan: LevelPlan, chains: Sequence[LevelChain], cautions: Sequence[str] = ()) -> str:
    """Draw a level plan.

    Parameters
    ----------
    plan : names what is unsafe, and what is to be noted
    chains : of this plan
    cautions : sentences for the foot

    Returns
    -------
    str : an SVG document; the same plan gives the same bytes
    """
    longest = max((len(chain.boxes) for chain in chains), default=0)
    width = max(_LEAST_WIDTH, 2 * _MARGIN + longest * _BOX + max(0, longest - 1) * _WIRE)
    title = f"Levels of {plan.unit} on the {plan.bench}"
    pieces = [_text(_MARGIN, 30, title, size=16, bold=True)]
    verdict = "NOT SAFE: do not key." if plan.unsafe else "Safe as declared."
    pieces.append(_text(_MARGIN, 50, verdict, bold=bool(plan.unsafe)))
    pieces.append(
        _text(_MARGIN, 68, "On transmit, above the line: the transmitter at its rated power.")
    )
    pieces.append(
        _text(
            _MARGIN,
            84,
            "On receive, below the line: the generator at its highest level.",
            colour=FIRST,
        )
    )
    y = 120
    for chain in chains:
        drawn, y = _draw_chain(chain, y)
        pieces += drawn
    letters = (width - 2 * _MARGIN) // 6
    for sentence in (*(f"NOT SAFE: {one}." for one in plan.unsafe), *plan.notes, *cautions):
        for piece in textwrap.wrap(sentence, letters):
            pieces.append(_text(_MARGIN, y, piece, bold=sentence.startswith("NOT SAFE")))
            y += _LINE
        y += 3
    height = y + _MARGIN // 2
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}"'
            f' viewBox="0 0 {width} {height}" role="img" font-family="sans-serif">',
            MARK,
            f"<title>{escape(title)}</title>",
            f'<rect width="{width}" height="{height}" fill="white"/>',
            *pieces,
            "</svg>",
            "",
        )
    )


def write_drawing(
    path: Path, plan: LevelPlan, chains: Sequence[LevelChain], cautions: Sequence[str] = ()
) -> None:
    """Draw a level plan into a file; an earlier drawing of ours is replaced as a whole.

    Raises
    ------
    BadInput : the drawing cannot be written there, or something else would be lost.
    """
    require_drawing(path)
    replace_file(path, draw_levels(plan, chains, cautions), "drawing")


def require_drawing(path: Path) -> None:
    """Refuse a name that is no drawing's, and a file there that is not a drawing of ours.

    Raises
    ------
    BadInput : it is so, or what is there cannot be read.
    """
    if path.suffix.lower() != ".svg":
        raise BadInput("the drawing is SVG", str(path), "Give a name that ends in .svg.")
    require_ours(path, MARK, "drawing", within=1000)


def _draw_chain(chain: LevelChain, y: int) -> tuple[list[str], int]:
    """Draw one chain with its title at y; give its pieces, and where the next begins."""
    words = [_box_words(box) for box in chain.boxes]
    height = max(72, _LINE * max(map(len, words)) + 16)
    top, middle = y + 12, y + 12 + height / 2
    pieces = [_text(_MARGIN, y, chain.title, bold=True)]
    x = _MARGIN
    for number, (box, lines) in enumerate(zip(chain.boxes, words, strict=True)):
        edge = 'stroke-width="1.2"' if box.safe else 'stroke-width="4" stroke-dasharray="9 4"'
        pieces.append(
            f'<rect x="{x}" y="{top}" width="{_BOX}" height="{height}" fill="white"'
            f' stroke="black" {edge}/>'
        )
        first = middle - _LINE * len(lines) / 2 + 11
        for row, (line, bold) in enumerate(lines):
            pieces.append(
                _text(x + _BOX / 2, first + _LINE * row, line, anchor="middle", bold=bold)
            )
        if number < len(chain.wires):
            pieces += _draw_wire(chain.wires[number], x + _BOX, middle)
        x += _BOX + _WIRE
    return pieces, int(top + height) + 36


def _draw_wire(wire: LevelWire, x: float, middle: float) -> list[str]:
    pieces = [
        f'<line x1="{x}" y1="{middle}" x2="{x + _WIRE}" y2="{middle}" stroke="black"'
        ' stroke-width="1.2"/>'
    ]
    centre = x + _WIRE / 2
    if wire.transmit_dbm is not None:
        told = f"{quantity(wire.transmit_dbm, 'dBm', decimals=1)} \N{RIGHTWARDS ARROW}"
        pieces.append(_text(centre, middle - 7, told, anchor="middle"))
    if wire.receive_dbm is not None:
        level = quantity(wire.receive_dbm, "dBm", decimals=1)
        told = (
            f"{level} \N{RIGHTWARDS ARROW}"
            if wire.receive_onward
            else f"\N{LEFTWARDS ARROW} {level}"
        )
        pieces.append(_text(centre, middle + 17, told, anchor="middle", colour=FIRST))
    return pieces


def _box_words(box: LevelBox) -> list[tuple[str, bool]]:
    """Give the lines in a box, and whether each is bold."""
    plain = []
    if box.loss_db is not None:
        plain.append(f"loss {quantity(box.loss_db, 'dB', decimals=1)}")
    if box.transmit_loss_db is not None:
        plain.append(f"to transmit {quantity(box.transmit_loss_db, 'dB', decimals=1)}")
    if box.inside_w is not None:
        plain.append(f"heat {watts_in_words(box.inside_w)}")
    plain += box.limits
    words = [(line, True) for line in textwrap.wrap(box.name, _LETTERS - 2)]
    words += [(line, False) for text in plain for line in textwrap.wrap(text, _LETTERS)]
    return words if box.safe else [*words, ("NOT SAFE", True)]


def _text(
    x: float,
    y: float,
    text: str,
    *,
    size: int = 12,
    anchor: str = "start",
    bold: bool = False,
    colour: str = "black",
) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:g}" y="{y:g}" font-size="{size}" text-anchor="{anchor}"{weight}'
        f' fill="{colour}">{escape(text)}</text>'
    )
