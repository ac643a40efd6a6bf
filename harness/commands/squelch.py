"""``harness squelch``: what each position of the squelch knob does, on the bench."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from harness.readings import Reading
    from harness.results import Run


def squelch(
    unit: Annotated[Path, typer.Argument(metavar="UNIT", help="Unit file: channel, limits.")],
    bench: Annotated[Path, typer.Argument(metavar="BENCH", help="Bench file: what is wired how.")],
    knob: Annotated[
        list[str] | None,
        typer.Option(metavar="POSITION", help="Only this position; may be repeated [all]."),
    ] = None,
    depth: Annotated[
        Literal["quick", "full"],
        typer.Option(help="Few sweeps, or as many as the goals take.", show_choices=True),
    ] = "quick",
    quiet: Annotated[
        str | None,
        typer.Option(
            metavar="TIME",
            help="Without a signal at each position, such as 90s, 10m, 1h [60s; full 180s].",
        ),
    ] = None,
    only_quiet: Annotated[
        bool, typer.Option("--only-quiet", help="Only watch for key-ups without a signal.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Where to leave everything [captures/squelch-<time>]."),
    ] = None,
    resume: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Go on with a run that ended early, where it was."),
    ] = None,
) -> int:
    """Show what each position of the squelch knob does.

    Into a report: opening, closing, hysteresis and spread; key-ups without a signal; attack, hang
    and tail; SINAD at the opening. The knob is turned when asked. It says first how long it takes.
    Put a load on the antenna port, and key only where you are licensed to. Ctrl-C switches RF off
    and keeps what was measured; --resume goes on from there, with the same files and options.
    """
    from rich.console import Console

    from harness.advice import advise
    from harness.commands.operator import TerminalOperator
    from harness.commands.progress import TerminalWatcher
    from harness.commands.show_advice import print_advice
    from harness.commands.table import say
    from harness.commands.words import dated_folder, seconds_of
    from harness.describe import load_bench, load_unit
    from harness.errors import BadInput
    from harness.procedures.squelch_depths import DEPTHS
    from harness.procedures.squelch_run import characterise_squelch, knob_positions
    from harness.report.seal import seal_of
    from harness.report.write import REPORT_NAME, write_report

    described = load_unit(unit)
    its_bench = load_bench(bench, described)
    if out is not None and resume is not None:
        raise BadInput("goes without --out", "--resume", "The run stays in its folder.")
    positions = knob_positions(described, knob or ())
    how = DEPTHS[depth]
    if quiet is not None:
        how = replace(how, quiet_s=seconds_of(quiet, "--quiet"))
    elif only_quiet:
        raise BadInput("takes a time", "--only-quiet", "Say how long: --quiet 8h.")
    folder = resume or out or dated_folder("squelch")
    words = ["harness", "squelch", str(unit), str(bench), "--depth", depth]
    words += [word for position in knob or () for word in ("--knob", position)]
    words += ["--quiet", quiet] if quiet is not None else []
    words += ["--only-quiet"] if only_quiet else []
    with TerminalWatcher() as watcher:
        done = characterise_squelch(
            described,
            its_bench,
            folder,
            watcher,
            how,
            positions,
            TerminalOperator(watcher),
            only_quiet=only_quiet,
            resume=resume is not None,
            go_on_with=shlex.join([*words, "--resume", str(folder)]),
        )
        report = folder / REPORT_NAME
        write_report(report, done.run, seal=seal_of(done.path))
    console = Console()
    _print_positions(console, done.run, positions)
    if not only_quiet:
        print_advice(advise(done.run), console)
    say(console, f"Report:     {report.resolve()}", folded=False)
    say(console, f"Results:    {done.path.resolve()}", folded=False)
    say(console, f"Recordings: {(folder / 'recordings').resolve()}", folded=False)
    return 0 if done.run.verdict in ("pass", "not measured") else 4


SHOWN = (
    "keying_state",
    "squelch_opening",
    "squelch_closing",
    "squelch_hysteresis",
    "squelch_spread",
    "false_keying_rate",
    "attack_time",
    "hang_time",
    "squelch_tail",
    "sinad_at_opening",
    "sinad",
)


def _print_positions(console: Console, run: Run, positions: Sequence[str]) -> None:
    """Print what each position does, and what is to be borne in mind."""
    from harness.commands.table import Row, print_rows, say
    from harness.report.wording import in_words, minus, remark, title_of

    readings = [reading for found in run.findings for reading in found.readings]
    for position in positions:
        given = [
            reading
            for name in SHOWN
            for reading in readings
            if reading.name == name and _is_at(reading, position)
        ]
        rows = [Row(title=title_of(r.name), values=(in_words(r),), words=remark(r)) for r in given]
        if rows:
            say(console, "")
            print_rows(console, (f"Knob at {position}", "value"), rows)
    for caution in dict.fromkeys(c for found in run.findings for c in found.cautions):
        say(console, f"Caution: {minus(caution)}")
    if run.verdict != "not measured":
        say(console, f"Limits: {run.verdict.upper()}", style="bold")


def _is_at(reading: Reading, position: str) -> bool:
    """Whether a reading holds at a position."""
    return reading.conditions.get("knob") == position
