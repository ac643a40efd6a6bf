"""``harness discharge``: a unit keyed until its battery gives out, unattended."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer


def discharge(
    unit: Annotated[Path, typer.Argument(metavar="UNIT", help="Unit file: channel, battery.")],
    bench: Annotated[Path, typer.Argument(metavar="BENCH", help="Bench file: what is wired how.")],
    schedule: Annotated[
        str,
        typer.Option(
            metavar="NAME|FILE", help="continuous, 5-5-90, 10-10-80, or a TOML file of phases."
        ),
    ] = "continuous",
    every: Annotated[
        str, typer.Option(metavar="TIME", help="From one sample to the next, such as 30s, 5m.")
    ] = "5m",
    for_time: Annotated[
        str | None, typer.Option("--for", metavar="TIME", help="End after so long, such as 8h.")
    ] = None,
    to_power: Annotated[
        str | None,
        typer.Option(metavar="POWER", help="End at so many dB below the start, 3dB, or at 2W."),
    ] = None,
    no_tone: Annotated[
        bool, typer.Option("--no-tone", help="Key with a bare carrier; no deviation is logged.")
    ] = False,
    keep_every: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="Keep a recording so often, such as 30m [not by time]."),
    ] = None,
    keep_step: Annotated[
        float,
        typer.Option(metavar="DB", help="Keep one where the power has moved by so many dB."),
    ] = 0.5,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER", help="Where to leave everything [captures/discharge-<time>]."
        ),
    ] = None,
    resume: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Go on with a run that ended early, where it was."),
    ] = None,
) -> int:
    """Run a unit's battery down and log how its power goes.

    Ends at the battery's end voltage, to protect it; at loss of the carrier; at a power or a time.
    Fuse at the battery, air the room, a load rated without a pause on the antenna port, nothing
    that burns near by, and never left alone with any of that unsure; key only where you are
    licensed to. Ctrl-C switches RF off and keeps what was logged; --resume goes on from there, with
    the same files and options.
    """
    from rich.console import Console

    from harness.commands.operator import TerminalOperator
    from harness.commands.progress import TerminalWatcher
    from harness.commands.show import print_run
    from harness.commands.table import say
    from harness.commands.words import dated_folder, power_limit, require_above, seconds_of
    from harness.describe import load_bench, load_unit
    from harness.describe.schedule import load_schedule
    from harness.errors import BadInput
    from harness.procedures.discharge_run import discharge as run_down
    from harness.procedures.discharge_run import run_plan
    from harness.procedures.runner import LOG_NAME
    from harness.report.seal import seal_of
    from harness.report.write import REPORT_NAME, write_report

    described = load_unit(unit)
    its_bench = load_bench(bench, described)
    if out is not None and resume is not None:
        raise BadInput("goes without --out", "--resume", "The run stays in its folder.")
    require_above(keep_step, 0.0, "--keep-step")
    plan = run_plan(
        described,
        its_bench,
        schedule=load_schedule(schedule),
        every_s=seconds_of(every, "--every"),
        keep_every_s=None if keep_every is None else seconds_of(keep_every, "--keep-every"),
        keep_step_db=keep_step,
        power=None if to_power is None else power_limit(to_power, "--to-power"),
        for_s=None if for_time is None else seconds_of(for_time, "--for"),
        with_tone=not no_tone,
    )
    folder = resume or out or dated_folder("discharge")
    words = ["harness", "discharge", str(unit), str(bench), "--schedule", schedule]
    words += ["--every", every, "--keep-step", f"{keep_step:g}"]
    words += ["--no-tone"] if no_tone else []
    for option, given in {
        "--for": for_time,
        "--to-power": to_power,
        "--keep-every": keep_every,
    }.items():
        words += [option, given] if given is not None else []
    with TerminalWatcher() as watcher:
        done = run_down(
            described,
            its_bench,
            folder,
            watcher,
            plan,
            TerminalOperator(watcher),
            resume=resume is not None,
            go_on_with=shlex.join([*words, "--resume", str(folder)]),
        )
        report = folder / REPORT_NAME
        write_report(report, done.run, seal=seal_of(done.path))
    console = Console()
    print_run(done.run, console)
    say(console, f"Report:     {report.resolve()}", folded=False)
    say(console, f"Results:    {done.path.resolve()}", folded=False)
    say(console, f"Log:        {(folder / LOG_NAME).resolve()}", folded=False)
    say(console, f"Recordings: {(folder / 'recordings').resolve()}", folded=False)
    next_words = shlex.join(["harness", "field", str(done.path), "--unit", str(unit)])
    say(console, f"In service: {next_words}", folded=False)
    return 0 if done.run.verdict in ("pass", "not measured") else 4
