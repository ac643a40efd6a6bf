"""What the scripts of this folder share: their options, and a procedure on a bench, performed."""

import shlex
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from harness.commands.operator import TerminalOperator
from harness.commands.progress import TerminalWatcher
from harness.commands.show import print_findings, print_run
from harness.commands.table import say
from harness.commands.words import dated_folder
from harness.describe import Bench, Unit, example_path, load_bench, load_unit
from harness.errors import BadInput
from harness.procedures.accept import perform
from harness.procedures.squelch_run import knob_positions
from harness.procedures.steps import Procedure

UNIT = example_path("frost-watch-2.toml")
BENCH = example_path("packing-shed.toml")
UnitFile = Annotated[
    Path, typer.Option(metavar="FILE", help="Unit file [the invented one].", show_default=False)
]
BenchFile = Annotated[
    Path, typer.Option(metavar="FILE", help="Bench file [the simulated one].", show_default=False)
]
Folder = Annotated[
    Path | None,
    typer.Option(metavar="FOLDER", help="Where to leave everything [captures/<script>-<time>]."),
]


def described(unit: Path, bench: Path) -> tuple[Unit, Bench]:
    """Read both files."""
    the_unit = load_unit(unit)
    return the_unit, load_bench(bench, the_unit)


def marked_knob(unit: Unit) -> str:
    """Give the knob position that the unit is used at, or the middle one."""
    return unit.marked_knob or knobs(unit)[len(unit.knob_positions) // 2]


def knobs(unit: Unit, only: list[str] | None = None) -> tuple[str, ...]:
    """Give the knob positions, from loose to tight, or those of them that were asked for."""
    return knob_positions(unit, only or ())


def levels(low_dbm: float, high_dbm: float) -> tuple[float, float]:
    """Check two ends of a sweep."""
    if not -150.0 <= low_dbm < high_dbm <= 0.0:
        raise BadInput(
            f"{low_dbm:g} to {high_dbm:g} dBm is no sweep",
            "--low, --high",
            "Give two levels, the lower one first, from -150 to 0.",
        )
    return low_dbm, high_dbm


def take(
    name: str,
    unit: Unit,
    bench: Bench,
    out: Path | None,
    procedure: Procedure,
    *,
    hears: bool = False,
    shows: str = "",
) -> Path:
    """Perform a procedure, and show what was found; give the folder that it is all in.

    ``hears`` takes the receiver's audio from the sound card as well; ``shows`` is a reading that is
    shown whatever limits there are.
    """
    folder = out or dated_folder(name)
    with TerminalWatcher() as watcher:
        done = perform(
            unit,
            bench,
            folder,
            watcher,
            procedure,
            title=f"{name.capitalize()} of {unit.name}",
            name=name,
            operator=TerminalOperator(watcher),
            is_whole=False,
            hears=hears,
        )
    console = Console()
    # Of a calibration, say, no limit asks anything.
    if done.run.verdict != "not measured":
        print_run(done.run, console)
    for found in done.run.findings:
        asked = tuple(r for r in found.readings if r.name == shows and not r.verdict)
        if asked:
            print_findings(replace(found, readings=asked))
    say(console, f"Results:    {done.path.resolve()}", folded=False)
    say(console, f"Recordings: {(folder / 'recordings').resolve()}", folded=False)
    return folder


def show_next(*words: object) -> None:
    """Print a line of ``harness`` that goes on from here."""
    print("Go on with: ./scripts/harness", shlex.join(map(str, words)))
