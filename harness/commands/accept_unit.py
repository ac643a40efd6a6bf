"""``harness accept``: an acceptance of a unit on the bench that a bench file describes."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer


def accept_unit(
    unit: Annotated[Path, typer.Argument(metavar="UNIT", help="Unit file: channel, limits.")],
    bench: Annotated[Path, typer.Argument(metavar="BENCH", help="Bench file: what is wired how.")],
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Where to leave everything [captures/accept-<time>]."),
    ] = None,
    resume: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Go on with a run that ended early, where it was."),
    ] = None,
    battery: Annotated[
        bool, typer.Option("--battery", help="Run the unit's battery down as well: hours.")
    ] = False,
) -> int:
    """Accept a unit on a bench, and write the report.

    Shows the levels at each place first and refuses what would overload or destroy something.
    Put a load on the antenna port, and key only where you are licensed to. Ctrl-C switches RF off
    and keeps what was measured; --resume goes on from there, with the same files.
    """
    from rich.console import Console

    from harness.commands.operator import TerminalOperator
    from harness.commands.progress import TerminalWatcher
    from harness.commands.show import print_run
    from harness.commands.table import say
    from harness.commands.words import dated_folder
    from harness.describe import load_bench, load_unit
    from harness.errors import BadInput
    from harness.procedures.accept import accept
    from harness.procedures.acceptance import SHORT
    from harness.report.write import REPORT_NAME, write_report

    described = load_unit(unit)
    its_bench = load_bench(bench, described)
    if out is not None and resume is not None:
        raise BadInput("goes without --out", "--resume", "The run stays in its folder.")
    folder = resume or out or dated_folder("accept")
    words = [str(unit), str(bench), "--resume", str(folder), *(["--battery"] if battery else [])]
    extent = replace(SHORT, battery=battery)
    with TerminalWatcher() as watcher:
        operator = TerminalOperator(watcher)
        done = accept(
            described,
            its_bench,
            folder,
            watcher,
            extent,
            operator,
            resume=resume is not None,
            go_on_with=shlex.join(["harness", "accept", *words]),
        )
        report = folder / REPORT_NAME
        write_report(report, done.run)
    console = Console()
    print_run(done.run, console)
    say(console, f"Report:     {report.resolve()}", folded=False)
    say(console, f"Results:    {done.path.resolve()}", folded=False)
    say(console, f"Recordings: {(folder / 'recordings').resolve()}", folded=False)
    return 0 if done.run.verdict == "pass" else 4
