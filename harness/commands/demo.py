"""``harness demo``: the main job on the simulated bench, two invented units, one comparison."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def demo(
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Where to leave everything [captures/demo-<time>]."),
    ] = None,
) -> None:
    """Accept two invented repeaters on the simulated bench and compare them."""
    from datetime import datetime

    from rich.console import Console

    from harness.commands.progress import TerminalWatcher
    from harness.commands.show import print_run
    from harness.compare import compare_runs
    from harness.describe import example_path, load_bench, load_unit
    from harness.errors import BadInput
    from harness.procedures.accept import accept
    from harness.report import write_report

    folder = out or Path("captures") / f"demo-{datetime.now():%Y%m%d-%H%M%S}"
    if folder.exists() and any(folder.iterdir()):
        raise BadInput("the folder is not empty", str(folder), "Name another with --out.")
    bench = load_bench(example_path("packing-shed.toml"))
    console = Console()
    console.print(
        "Everything here is simulated and invented. On real gear, before anything is keyed:",
        highlight=False,
    )
    accepted = []
    with TerminalWatcher() as watcher:
        for name in ("frost-watch-2", "frost-watch-1"):
            unit = load_unit(example_path(f"{name}.toml"))
            watcher.say(f"\n{unit.name}")
            accepted.append(accept(unit, bench.with_simulated_unit(name), folder / name, watcher))
        second, first = accepted
        watcher.step("Report")
        comparison = compare_runs(
            second.run, first.run, second.run.unit["name"], first.run.unit["name"]
        )
        report = folder / "report.html"
        write_report(report, second.run, comparison=comparison, other=first.run)
        own = folder / "frost-watch-1" / "report.html"
        write_report(own, first.run)
    for done in accepted:
        print_run(done.run, console)
    console.print(f"\nReport:     {report.resolve()}", highlight=False, soft_wrap=True)
    for done in accepted:
        console.print(f"Results:    {done.path.resolve()}", highlight=False, soft_wrap=True)
    console.print(
        f"Recordings: {(folder / 'frost-watch-2' / 'recordings').resolve()}",
        highlight=False,
        soft_wrap=True,
    )
