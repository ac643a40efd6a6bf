"""``harness report``: a page from a results file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def report(
    run: Annotated[Path, typer.Argument(metavar="RUN.h5", help="Results to report.")],
    out: Annotated[
        Path | None,
        typer.Option(metavar="PAGE.html", help="The page [RUN.html beside the results]."),
    ] = None,
    against: Annotated[
        Path | None, typer.Option(metavar="OTHER.h5", help="Results to compare it with.")
    ] = None,
) -> None:
    """Write the report of a run as one page (HTML)."""
    from rich.console import Console

    from harness.commands.run_names import names_of
    from harness.compare import compare_runs
    from harness.report.write import require_page, write_report
    from harness.results import read_run

    if out is not None:
        require_page(out)
    this = read_run(run)
    page = out or run.with_suffix(".html")
    require_page(page)
    if against is None:
        write_report(page, this)
    else:
        other = read_run(against)
        comparison = compare_runs(this, other, *names_of((this, run), (other, against)))
        write_report(page, this, comparison=comparison, other=other)
    Console().print(f"Page: {page.resolve()}", highlight=False, markup=False, soft_wrap=True)
