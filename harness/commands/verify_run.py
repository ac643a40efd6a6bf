"""``harness verify``: whether a results file, its recordings and its report belong together."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def verify(
    run: Annotated[Path, typer.Argument(metavar="RUN.h5", help="The results file.")],
    report: Annotated[
        Path | None,
        typer.Argument(metavar="[REPORT]", help="Its report, .html or .pdf.", show_default=False),
    ] = None,
    recordings: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Where the recordings are, at any depth [beside RUN.h5, and recordings there].",
        ),
    ] = None,
    no_recordings: Annotated[
        bool, typer.Option("--no-recordings", help="Leave the recordings out.")
    ] = False,
) -> int:
    """Check a results file, its recordings and its report against each other.

    Each part matches, differs or is missing. That finds what was changed by chance or carelessly:
    it is no signature. Exit status 0 where everything matches, else 4.
    """
    from rich.console import Console

    from harness.commands.table import Row, print_rows, say
    from harness.errors import BadInput, one_line
    from harness.verify import check

    if no_recordings and recordings is not None:
        raise BadInput("goes without --recordings", "--no-recordings", "Give one of them.")
    checked = check(run, report, recordings, with_recordings=not no_recordings)
    console = Console()
    rows = [
        Row(title=one_line(part.name), values=(part.finding,), words=one_line(part.because))
        for part in checked.parts
    ]
    print_rows(console, ("Part", "Finding"), rows)
    counted = {
        word: sum(part.finding == word for part in checked.parts) for word in ("differs", "missing")
    }
    told = ", ".join(f"{count} {word}" for word, count in counted.items() if count)
    left_out = " The recordings were left out." if no_recordings else ""
    say(
        console,
        f"\n{f'Not everything matches: {told}' if told else 'Everything matches'}.{left_out}",
    )
    return 0 if checked.matches else 4
