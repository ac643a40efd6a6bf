"""``harness runs``: which runs lie in a folder tree."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from harness.commands.options import OfUnit, OfVerdict, Since, Until


def runs(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="[FOLDER]", help="Where to look, and below it [here].", show_default=False
        ),
    ] = Path("."),
    unit: OfUnit = None,
    since: Since = None,
    until: Until = None,
    verdict: OfVerdict = None,
    rebuild: Annotated[
        bool, typer.Option("--rebuild", help="Read every file anew, whatever the index says.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, no table.")] = False,
) -> None:
    """Find the runs in a folder tree by unit, day, verdict.

    An index in your cache folder keeps what each file is, so that only new and changed files are
    opened. It looks after itself.
    """
    from rich.console import Console

    from harness.commands.progress import progress_on_terminal
    from harness.commands.show_runs import print_runs, print_runs_json
    from harness.commands.words import wanted_runs
    from harness.results.index import find_runs

    wanted = wanted_runs(unit, since, until, verdict)
    with progress_on_terminal("reading runs", quiet=as_json) as progress:
        search = find_runs(folder, rebuild=rebuild, progress=progress)
    found = [run for run in search.runs if wanted.meets(run.head)]
    if as_json:
        print_runs_json(search, found)
    else:
        print_runs(search, found, folder, Console())
