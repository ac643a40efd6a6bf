"""What a page is made of, before it is HTML or PDF: headings, paragraphs, lists, tables, plots.

Both are drawn from one ``Document``, so that no word stands in a template. All text is plain: the
templates escape it or take it as data.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from harness.readings import Verdict
from harness.report.drawing import Figure
from harness.report.seal import Seal


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One cell: its text, and smaller lines below it.

    Parameters
    ----------
    text : the first line
    small : lines below, less prominent
    verdict : drawn with its mark before the text, never by colour alone
    is_strong : whether the text is what the row is about
    is_code : whether it is digits to compare, which may be cut at any place
    is_empty : whether there is nothing to say, so that a narrow screen may leave it out
    """

    text: str
    small: tuple[str, ...] = ()
    verdict: Verdict | None = None
    is_strong: bool = False
    is_code: bool = False
    is_empty: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A row; its first cell is its heading."""

    cells: tuple[Cell, ...]
    is_marked: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column's heading, and its share of the table's width in percent; 0: as it comes."""

    title: str
    percent: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with headings of columns and rows.

    ``style`` is ``readings`` (folds up on a narrow screen), ``compact``, ``advice`` or ``plain``.
    """

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    style: Literal["readings", "compact", "advice", "plain"] = "plain"
    kind: Literal["table"] = "table"


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """A paragraph; ``lead`` stands before it, and stands out."""

    text: str
    lead: str = ""
    style: Literal["plain", "answer", "notice", "quiet"] = "plain"
    kind: Literal["paragraph"] = "paragraph"


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """An item of a list, and the command that belongs to it."""

    text: str
    command: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """A list."""

    items: tuple[Point, ...]
    kind: Literal["points"] = "points"


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading within a section."""

    text: str
    kind: Literal["heading"] = "heading"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """A plot; what it shows stands beside it in words."""

    figure: Figure
    kind: Literal["plot"] = "plot"


@dataclass(frozen=True, slots=True, kw_only=True)
class Blanks:
    """Lines to fill in by hand."""

    labels: tuple[str, ...]
    kind: Literal["blanks"] = "blanks"


@dataclass(frozen=True, slots=True, kw_only=True)
class Digits:
    """A fingerprint for eyes: its digits in groups, and what they are."""

    groups: tuple[str, ...]
    label: str
    kind: Literal["digits"] = "digits"


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """A fingerprint on the first page: for a camera, and its digits for eyes.

    ``matrix`` is the code without its quiet zone, a row of 0 and 1 each, dark is 1.
    """

    described: str
    matrix: tuple[str, ...]
    digits: Digits

    def svg(self) -> str:
        """Draw it, with its quiet zone."""
        side = len(self.matrix) + 2 * _QUIET_ZONE
        dark = "".join(
            f"M{x + _QUIET_ZONE} {y + _QUIET_ZONE}h1v1h-1z"
            for y, row in enumerate(self.matrix)
            for x, module in enumerate(row)
            if module == "1"
        )
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{self.described}"'
            f' viewBox="0 0 {side} {side}" shape-rendering="crispEdges">'
            f'<rect width="{side}" height="{side}" fill="#fff"/>'
            f'<path fill="#000" d="{dark}"/></svg>'
        )


_QUIET_ZONE = 4
"""Light modules around a QR code (ISO/IEC 18004, from memory)."""

Block = Table | Paragraph | Points | Heading | Plot | Blanks | Digits


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading, where there is one, and what stands below it."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Whole:
    """The verdict of the whole, as a word, a sign and a sentence."""

    verdict: Verdict
    headline: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A page: its head, what a customer reads first, and what it rests on.

    Parameters
    ----------
    kicker : what kind of page it is
    title : of the page
    subject : what it is about, for a PDF's description
    whole : its verdict, where it has one
    particulars : who, when, where, with what
    front : the first page
    sections : the evidence, on further pages
    footer : the last line
    code : the fingerprint
    seal : which results file it is drawn from
    """

    kicker: str
    title: str
    subject: str = ""
    whole: Whole | None = None
    notices: tuple[Paragraph, ...] = ()
    particulars: tuple[tuple[str, str], ...] = ()
    front: tuple[Section, ...] = ()
    sections: tuple[Section, ...] = ()
    footer: str = ""
    code: Code | None = None
    seal: Seal | None = None


def points(items: tuple[str, ...]) -> Points:
    """Make a list of sentences."""
    return Points(items=tuple(Point(text=item) for item in items))


def prose(*lines: str) -> tuple[Paragraph, ...]:
    """Make paragraphs of what is not empty."""
    return tuple(Paragraph(text=line) for line in lines if line)
