"""``harness demo``: the main job on the simulated bench, two invented units, one comparison."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from harness.describe import Plan

UNITS = ("frost-watch-2", "frost-watch-1")


def demo(
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Where to leave everything [captures/demo-<time>]."),
    ] = None,
) -> None:
    """Accept and compare two invented repeaters, simulated.

    Two to four minutes and 350 MB, in a new folder below captures/ of the folder that you are in.
    The second unit is meant to fail; the exit status is 0 all the same.
    """
    from harness.commands.words import dated_folder
    from harness.describe import load_plan

    demonstrate(out or dated_folder("demo"), load_plan("short").doing(["battery"]))


def demonstrate(folder: Path, plan: Plan) -> None:
    """Accept the units of the demonstration, compare them, and say what was found and where.

    Parameters
    ----------
    folder : for everything that is left; new or empty
    plan : of each acceptance
    """
    from rich.console import Console

    from harness.commands.progress import TerminalWatcher
    from harness.commands.show import print_run
    from harness.commands.show_comparison import print_summary
    from harness.commands.show_hints import print_hints
    from harness.commands.table import say
    from harness.compare import compare_runs
    from harness.describe import example_path, load_bench, load_unit
    from harness.procedures.accept import accept, require_empty
    from harness.report.seal import seal_of
    from harness.report.write import REPORT_NAME, write_report

    require_empty(folder)
    bench = load_bench(example_path("packing-shed.toml"))
    console = Console()
    accepted = []
    with TerminalWatcher() as watcher:
        watcher.say("Everything here is simulated and invented. Before anything is keyed:")
        for number, name in enumerate(UNITS, 1):
            unit = load_unit(example_path(f"{name}.toml"))
            watcher.say(f"\nUnit {number} of {len(UNITS)}: {unit.name}")
            on_it = bench.with_simulated_unit(name)
            accepted.append(accept(unit, on_it, folder / name, watcher, plan))
        watcher.step("Report")
        first, second = (done.run for done in accepted)
        comparison = compare_runs(first, second, first.unit["name"], second.unit["name"])
        report = folder / REPORT_NAME
        seal = seal_of(accepted[0].path, against=accepted[1].path)
        write_report(report, first, comparison=comparison, other=second, seal=seal)
        second_report = folder / UNITS[1] / REPORT_NAME
        write_report(second_report, second, seal=seal_of(accepted[1].path))
    for done in accepted:
        print_run(done.run, console)
        print_hints(done.run, console)
    print_summary(comparison, console)
    say(console, "")
    if second.verdict == "fail":
        say(
            console,
            f"{second.unit['name']} is made to fail, to show what that looks like. The"
            " demonstration itself worked: the exit status is 0.\n",
        )
    say(console, f"Report and comparison: {report.resolve()}", folded=False)
    say(console, f"Report of {second.unit['name']}: {second_report.resolve()}", folded=False)
    for done in accepted:
        say(console, f"Results:    {done.path.resolve()}", folded=False)
    for done in accepted:
        say(console, f"Recordings: {(done.path.parent / 'recordings').resolve()}", folded=False)
