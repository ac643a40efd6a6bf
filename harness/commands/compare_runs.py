"""``harness compare``: two results files side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def compare(
    first: Annotated[Path, typer.Argument(metavar="A.h5", help="Results to compare against.")],
    second: Annotated[Path, typer.Argument(metavar="B.h5", help="Results to compare.")],
    out: Annotated[
        Path | None, typer.Option(metavar="PAGE.html", help="Write it as a page too.")
    ] = None,
) -> None:
    """Compare two results files: B minus A.

    Each difference with its uncertainty and En number.
    """
    from rich.console import Console

    from harness.commands.run_names import names_of
    from harness.commands.show_comparison import print_comparison
    from harness.compare import compare_runs
    from harness.report.write import require_page, write_comparison
    from harness.results import read_run

    if out is not None:
        require_page(out)
    a, b = read_run(first), read_run(second)
    comparison = compare_runs(a, b, *names_of((a, first), (b, second)))
    if out is not None:
        write_comparison(out, comparison, a, b)
    console = Console()
    print_comparison(comparison, console)
    if out is not None:
        console.print(f"\nPage: {out.resolve()}", highlight=False, markup=False, soft_wrap=True)
