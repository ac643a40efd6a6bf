"""A page as PDF, by typst: tagged (PDF/UA-1), its fonts in it, the same bytes for the same page.

The page travels as JSON, so that nothing in it can be taken for markup. Two fonts are used, both
out of wheels and not out of the system: the same computer or another gives the same page.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from harness.errors import BadInput
from harness.report.document import Document, Plot
from harness.report.wording import tied

if TYPE_CHECKING:
    import typst

MARK = "harness-page"
"""Stands among the keywords of each PDF: such a file may be written anew."""
FORMAT: Final = "ua-1"
"""PDF/UA-1 (ISO 14289-1): tagged, with title, language and a text for each image."""
_FONT = "DejaVu Sans"


def pdf_of(document: Document) -> bytes:
    """Draw a page as PDF.

    Raises
    ------
    BadInput : it holds what typst cannot lay out.
    """
    import typst

    with _told(document):
        return typst.compile(
            _template(),
            format="pdf",
            pdf_standards=FORMAT,
            font_paths=_fonts(),
            ignore_system_fonts=True,
            sys_inputs={"page": page_json(document)},
        )


def pictures_of(document: Document, pixels_per_inch: float = 90.0) -> list[bytes]:
    """Draw each page of the PDF as PNG, for somebody to look at."""
    import typst

    with _told(document):
        drawn: Any = typst.compile(  # a list where there is more than one page: not as typed
            _template(),
            format="png",
            ppi=pixels_per_inch,
            font_paths=_fonts(),
            ignore_system_fonts=True,
            sys_inputs={"page": page_json(document)},
        )
    return drawn if isinstance(drawn, list) else [drawn]


@contextmanager
def _told(document: Document) -> Iterator[None]:
    import typst

    try:
        yield
    except typst.TypstError as fault:
        raise BadInput(
            f"cannot be drawn as PDF ({fault.message})", document.title, "Take HTML instead."
        ) from fault


def _template() -> bytes:
    return files("harness.report").joinpath("templates/page.typ").read_bytes()


@cache
def _fonts() -> typst.Fonts:
    import matplotlib
    import typst

    # The plots' font is matplotlib's own; the page's comes with typst.
    ttf = Path(matplotlib.get_data_path(), "fonts", "ttf")
    return typst.Fonts(include_system_fonts=False, font_paths=[ttf])


def page_json(document: Document) -> str:
    """Write the page as the template takes it."""
    page = {
        "metadata": document.title,
        "title": document.title,
        "author": "harness",
        "subject": document.subject,
        "keywords": [MARK, *([document.seal.line()] if document.seal else [])],
        "foot": document.title,
        "kicker": document.kicker,
        "code": {
            "described": document.code.described,
            "svg": document.code.svg(),
            "digits": asdict(document.code.digits),
        }
        if document.code
        else None,
        "whole": asdict(document.whole) if document.whole else None,
        "notices": [asdict(notice) for notice in document.notices],
        "particulars": document.particulars,
        "front": [_section(section) for section in document.front],
        "sections": [_section(section) for section in document.sections],
        "footer": document.footer,
    }
    return json.dumps(_laid(page), ensure_ascii=False)


def _section(section: Any) -> dict[str, Any]:
    return {"title": section.title, "blocks": [_block(block) for block in section.blocks]}


def _block(block: Any) -> dict[str, Any]:
    if isinstance(block, Plot):
        return {
            "kind": block.kind,
            "caption": block.figure.caption,
            "description": block.figure.description,
            "svg": _alone(block.figure.svg),
        }
    return asdict(block)


def _alone(svg: str) -> str:
    """Make an element of an HTML page a drawing by itself."""
    return re.sub(
        r"<svg ",
        '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        if "xmlns" not in svg.partition(">")[0]
        else "<svg ",
        svg,
        count=1,
    ).replace("var(--sans)", f"'{_FONT}'")


_AS_THEY_ARE = frozenset("metadata svg keywords command groups kind style verdict".split())
_LONG_WORD = re.compile(r"\S{41,}")
_PIECE = 20
"""Letters after which a very long word may be cut; chosen, as its length is."""
BREAK = "\N{ZERO WIDTH SPACE}"


def _laid(held: Any, key: str = "") -> Any:
    """Tie numbers to their units in all that is read, and let very long words be cut."""
    if isinstance(held, str):
        return held if key in _AS_THEY_ARE else _LONG_WORD.sub(_cut, tied(held))
    if isinstance(held, dict):
        return {name: _laid(value, name) for name, value in held.items()}
    if isinstance(held, list | tuple):
        return [_laid(value, key) for value in held]
    return held


def _cut(word: re.Match[str]) -> str:
    letters = word[0]
    return BREAK.join(letters[at : at + _PIECE] for at in range(0, len(letters), _PIECE))
