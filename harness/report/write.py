"""Draw the page and put it into a file, HTML or PDF, that needs no other."""

from __future__ import annotations

import os
import tempfile
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from harness.advice import Advice
from harness.compare import Comparison
from harness.errors import BadInput
from harness.report.content import content_of
from harness.report.document import Document
from harness.report.pages import comparison_document, report_document
from harness.report.pdf import MARK as PDF_MARK
from harness.report.pdf import pdf_of
from harness.report.seal import Seal, sealed
from harness.report.wording import tied
from harness.results import Run

if TYPE_CHECKING:
    from jinja2 import Environment


def write_report(
    path: str | Path,
    run: Run,
    *,
    comparison: Comparison | None = None,
    other: Run | None = None,
    advice: Advice | None = None,
    seal: Seal | None = None,
) -> None:
    """Write the report of a run, with what it was compared with where that is given.

    Parameters
    ----------
    path : of the page, ending in .html or .pdf; an earlier page of ours is replaced as a whole
    run : what to report
    comparison : of this run with another
    other : that other run, named in the comparison's head
    advice : on the squelch knob; None: from the run by itself
    seal : which results file the run was read from; None: the page says nothing of it

    Raises
    ------
    BadInput : the page cannot be written there, or something else would be lost.
    """
    require_page(Path(path), pdf=True)
    document = report_document(content_of(run, comparison, advice), other, seal)
    _write(Path(path), document)


def write_comparison(path: str | Path, comparison: Comparison, a: Run, b: Run) -> None:
    """Write a page of a comparison alone, HTML or PDF.

    Raises
    ------
    BadInput : the page cannot be written there.
    """
    require_page(Path(path), pdf=True)
    _write(Path(path), comparison_document(comparison, a, b))


def drawn(document: Document, suffix: str) -> bytes:
    """Draw a page as HTML, or as PDF where the suffix of its name says so; with its seal."""
    if suffix.lower() == ".pdf":
        return sealed(pdf_of(document))
    html = environment().get_template("page.html").render(document=document)
    return sealed(html.encode("utf-8", errors="replace"))


def _write(path: Path, document: Document) -> None:
    replace_file(path, drawn(document, path.suffix), "page")


@cache
def environment() -> Environment:
    """Give what fills the templates: everything escaped, nothing undefined."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("harness.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["tied"] = tied
    environment.globals["generator"] = MARK
    return environment


REPORT_NAME = "report.html"
"""What the page of a run is called in the run's folder."""
MARK = '<meta name="generator" content="harness">'
"""Stands near the top of each page: such a file may be written anew."""


def require_page(path: Path, *, pdf: bool = False) -> None:
    """Refuse a name that is no page's, and a file there that is not a page of ours.

    Parameters
    ----------
    path : of the page
    pdf : whether it may also be a PDF

    Raises
    ------
    BadInput : it is so, or what is there cannot be read.
    """
    suffix = path.suffix.lower()
    if suffix == ".pdf" and pdf:
        require_ours(path, PDF_MARK, "page", within=None)
        return
    if suffix not in (".html", ".htm"):
        raise BadInput(
            "the page is HTML or PDF" if pdf else "the page is HTML",
            str(path),
            "Give a name that ends in .html or .pdf."
            if pdf
            else "Give a name that ends in .html; a browser prints it.",
        )
    require_ours(path, MARK, "page", within=2000)


def require_ours(path: Path, mark: str, what: str, *, within: int | None) -> None:
    """Refuse a file that does not bear our mark near its top; none at all will do.

    Parameters
    ----------
    mark : what stands in each file of this kind that this program wrote
    what : "page" or "drawing"
    within : bytes from its beginning; None: anywhere in it

    Raises
    ------
    BadInput : it is another's, or cannot be read.
    """
    try:
        with path.open("rb") as file:
            ours = mark.encode() in file.read(within)
    except FileNotFoundError:
        return
    except OSError as fault:
        reason = fault.strerror or str(fault)
        raise BadInput(
            f"the {what} cannot be written ({reason})", str(path), "Give another place."
        ) from fault
    if not ours:
        raise BadInput(
            f"is there already, and no {what} of this program", str(path), "Give another name."
        )


def replace_file(path: Path, content: str | bytes, what: str) -> None:
    """Write beside the name and rename, so that no half file is ever there.

    Parameters
    ----------
    path : of the file; what is there already is replaced
    content : all of it; text is written as UTF-8
    what : what the file is, for the error

    Raises
    ------
    BadInput : the file cannot be written there.
    """
    try:
        handle, unfinished = tempfile.mkstemp(
            prefix=f".{path.name}.", suffix=".unfinished", dir=path.parent
        )
        try:
            if isinstance(content, str):
                content = content.encode("utf-8", errors="replace")
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            mask = os.umask(0)
            os.umask(mask)
            os.chmod(unfinished, 0o666 & ~mask)
            os.replace(unfinished, path)
        finally:
            Path(unfinished).unlink(missing_ok=True)
    except OSError as fault:
        reason = fault.strerror or str(fault)
        raise BadInput(
            f"the {what} cannot be written ({reason})", str(path), "Give another place."
        ) from fault
