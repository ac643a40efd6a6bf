"""Draw the page and put it into a file: one HTML document that needs no other."""

from __future__ import annotations

import os
import tempfile
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from harness.advice import Advice
from harness.compare import Comparison
from harness.describe.cautions import LOCAL_RULES
from harness.errors import BadInput
from harness.report.compared import compared
from harness.report.content import content_of, moment
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
) -> None:
    """Write the report of a run, with what it was compared with where that is given.

    Parameters
    ----------
    path : of the page, ending in .html; an earlier page of ours is replaced as a whole
    run : what to report
    comparison : of this run with another
    other : that other run, named in the comparison's head
    advice : on the squelch knob; None: from the run by itself

    Raises
    ------
    BadInput : the page cannot be written there, or something else would be lost.
    """
    require_page(Path(path))
    page = (
        environment()
        .get_template("report.html")
        .render(content=content_of(run, comparison, advice), other=other, moment=moment)
    )
    replace_file(Path(path), page, "page")


def write_comparison(path: str | Path, comparison: Comparison, a: Run, b: Run) -> None:
    """Write a page of a comparison alone.

    Raises
    ------
    BadInput : the page cannot be written there.
    """
    require_page(Path(path))
    page = (
        environment()
        .get_template("comparison.html")
        .render(comparison=compared(comparison), a=a, b=b, moment=moment, local_rules=LOCAL_RULES)
    )
    replace_file(Path(path), page, "page")


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


def require_page(path: Path) -> None:
    """Refuse a name that is no page's, and a file there that is not a page of ours.

    Raises
    ------
    BadInput : it is so, or what is there cannot be read.
    """
    if path.suffix.lower() not in (".html", ".htm"):
        raise BadInput(
            "the page is HTML", str(path), "Give a name that ends in .html; a browser prints it."
        )
    require_ours(path, MARK, "page", within=2000)


def require_ours(path: Path, mark: str, what: str, *, within: int) -> None:
    """Refuse a file that does not bear our mark near its top; none at all will do.

    Parameters
    ----------
    mark : what stands in each file of this kind that this program wrote
    what : "page" or "drawing"
    within : bytes from its beginning

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


def replace_file(path: Path, text: str, what: str) -> None:
    """Write beside the name and rename, so that no half file is ever there.

    Parameters
    ----------
    path : of the file; what is there already is replaced
    text : all of it
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
            with os.fdopen(handle, "w", encoding="utf-8", errors="replace", newline="\n") as file:
                file.write(text)
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
