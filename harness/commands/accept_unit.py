"""``harness accept``: a unit accepted by a test plan, on the bench that a bench file describes."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from harness.describe import Bench, Plan, Unit


def accept_unit(
    files: Annotated[
        list[str],
        typer.Argument(
            metavar="UNIT BENCH | PLAN",
            help="Unit file and bench file; or a plan, which may name both.",
        ),
    ],
    plan: Annotated[
        str | None,
        typer.Option(
            metavar="NAME|FILE", help="Test plan: short, 12.5-khz, 25-khz, or a file [short]."
        ),
    ] = None,
    unit: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Unit file, where a plan is given alone.")
    ] = None,
    bench: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Bench file, where a plan is given alone.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Where to leave everything [captures/accept-<time>]."),
    ] = None,
    resume: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Go on with a run that ended early, where it was."),
    ] = None,
    repeat: Annotated[
        list[str] | None,
        typer.Option(
            metavar="STEP",
            help="With --resume, also of a run that is done: this step once more; may be repeated.",
        ),
    ] = None,
    battery: Annotated[
        bool, typer.Option("--battery", help="Run the unit's battery down as well: hours.")
    ] = False,
    operator: Annotated[
        str, typer.Option(metavar="NAME", help="Who measures [as the bench file says].")
    ] = "",
    temperature: Annotated[
        float | None, typer.Option(metavar="DEGC", help="Of the room, into the record.")
    ] = None,
    humidity: Annotated[
        float | None, typer.Option(metavar="PERCENT", help="Of the room, into the record.")
    ] = None,
    note: Annotated[str, typer.Option(metavar="TEXT", help="A note, into the record.")] = "",
    photo: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE", help="PNG, JPEG or WebP, copied into the record; may be repeated."
        ),
    ] = None,
) -> int:
    """Accept a unit by a test plan, and write the report.

    Shows the levels at each place first and refuses what would overload or destroy something.
    Put a load on the antenna port, and key only where you are licensed to. Ctrl-C switches RF off
    and keeps what was measured; --resume goes on from there, with the same files.
    """
    from rich.console import Console

    from harness.commands.operator import TerminalOperator
    from harness.commands.progress import TerminalWatcher
    from harness.commands.show import print_run
    from harness.commands.show_hints import print_hints
    from harness.commands.table import say
    from harness.commands.words import dated_folder
    from harness.errors import BadInput
    from harness.procedures.accept import accept
    from harness.procedures.said import Said
    from harness.report.seal import seal_of
    from harness.report.write import REPORT_NAME, write_report

    asked = _asked(files, plan, unit, bench, battery)
    if out is not None and resume is not None:
        raise BadInput("goes without --out", "--resume", "The run stays in its folder.")
    if repeat and resume is None:
        raise BadInput("goes with --resume FOLDER", "--repeat", "Name the folder of the run.")
    folder = resume or out or dated_folder("accept")
    with TerminalWatcher() as watcher:
        watcher_operator = TerminalOperator(watcher)
        done = accept(
            asked.unit,
            asked.bench,
            folder,
            watcher,
            asked.plan,
            watcher_operator,
            resume=resume is not None,
            go_on_with=shlex.join(["harness", "accept", *asked.words, "--resume", str(folder)]),
            repeat=repeat or (),
            said=Said(
                operator=operator,
                temperature_degc=temperature,
                humidity_percent=humidity,
                note=note,
                photos=tuple(photo or ()),
            ),
        )
        report = folder / REPORT_NAME
        write_report(report, done.run, seal=seal_of(done.path))
    console = Console()
    print_run(done.run, console)
    print_hints(done.run, console)
    say(console, f"Report:     {report.resolve()}", folded=False)
    say(console, f"Results:    {done.path.resolve()}", folded=False)
    say(console, f"Recordings: {(folder / 'recordings').resolve()}", folded=False)
    return 0 if done.run.verdict == "pass" else 4


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """The descriptions, and the words that ask for them once more."""

    plan: Plan
    unit: Unit
    bench: Bench
    words: tuple[str, ...]


def _asked(
    files: list[str], plan: str | None, unit: Path | None, bench: Path | None, battery: bool
) -> _Asked:
    """Read plan, unit and bench, in whichever of the two ways they were given.

    Raises
    ------
    BadInput : something is missing, is given twice, or is not what it ought to be.
    """
    from harness.describe import load_bench, load_plan, load_unit
    from harness.errors import BadInput

    words = list(files)
    if len(files) > 2:
        raise BadInput(
            f"{len(files)} files are given", "accept", "Give UNIT and BENCH, or PLAN alone."
        )
    if len(files) == 2:
        for given, option in ((unit, "--unit"), (bench, "--bench")):
            if given is not None:
                raise BadInput("is given twice", option, "Give it once.")
        its_plan = load_plan(plan or "short")
        unit_file, bench_file = (Path(file) for file in files)
        words += ["--plan", plan] if plan is not None else []
    else:
        if plan is not None:
            raise BadInput(
                "goes with a unit file and a bench file", "--plan", "Give both, or PLAN alone."
            )
        _require_plan(files[0])
        its_plan = load_plan(files[0])
        unit_file = _named("unit", unit, its_plan.unit, files[0])
        bench_file = _named("bench", bench, its_plan.bench, files[0])
        for option, given in (("--unit", unit), ("--bench", bench)):
            words += [option, str(given)] if given is not None else []
    optional = [step.known_as for step in its_plan.steps if step.procedure == "battery" and battery]
    if battery and not optional:
        raise BadInput(f"the plan {its_plan.name} has no battery run", "--battery", "Leave it out.")
    words += ["--battery"] if battery else []
    described = load_unit(unit_file)
    return _Asked(
        plan=its_plan.doing(optional),
        unit=described,
        bench=load_bench(bench_file, described),
        words=tuple(words),
    )


def _require_plan(name: str) -> None:
    """Tell whoever gave a unit or a bench alone what is missing."""
    from harness.describe import PLANS
    from harness.describe.document import read_toml
    from harness.errors import BadInput

    if name in PLANS or not Path(name).is_file():
        return
    table = read_toml(name)
    if "steps" not in table and "receive_hz" in table:
        raise BadInput("is a unit file and stands alone", name, "Give a bench file after it.")
    if "steps" not in table and ("output" in table or "input" in table):
        raise BadInput("is a bench file and stands alone", name, "Give the unit file before it.")


def _named(what: str, given: Path | None, in_plan: str | None, plan: str) -> Path:
    """Give the file that was named on the command line, else the plan's, seen from its folder."""
    from harness.errors import BadInput

    if given is not None:
        return given
    if in_plan is None:
        raise BadInput(
            f"the plan names no {what} file", plan, f"Give it: --{what} FILE, or write it there."
        )
    return Path(plan).parent / in_plan
