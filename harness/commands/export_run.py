"""``harness export``: a results file for programs that read other forms."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def export(
    run: Annotated[Path, typer.Argument(metavar="RUN.h5", help="Results to write.")],
    form: Annotated[str, typer.Option("--to", metavar="FORM", help="csv, parquet or json.")],
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="PLACE",
            help="New folder, for json a new file [RUN-csv, RUN-parquet, RUN.json beside it].",
        ),
    ] = None,
) -> None:
    """Write a run as CSV, Parquet or JSON.

    CSV and Parquet: a folder with a file for each table (readings, contributions, each series).
    JSON: one file. Nothing is overwritten.
    """
    from rich.console import Console

    from harness.commands.table import say
    from harness.errors import BadInput
    from harness.results import read_run
    from harness.results.export import FORMATS, export_place, export_run

    if form not in FORMATS:
        raise BadInput(f"no form {form!r}", "--to", f"Choose one of {', '.join(FORMATS)}.")
    place = out or export_place(run, form)
    names = export_run(read_run(run), form, place)
    console = Console()
    if form != "json":
        say(console, f"{len(names)} tables: {', '.join(names)}")
    say(console, f"{'File' if form == 'json' else 'Folder'}: {place.resolve()}", folded=False)
