"""``harness levels``: where the power goes on a bench, and whether everything can stand it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from harness.commands.table import Row
    from harness.describe import LevelLine


def levels(
    unit: Annotated[Path, typer.Argument(metavar="UNIT", help="Unit file: its rated power.")],
    bench: Annotated[Path, typer.Argument(metavar="BENCH", help="Bench file: what is wired how.")],
    drawing: Annotated[
        Path | None, typer.Option(metavar="FILE.svg", help="Draw it into this file as well.")
    ] = None,
) -> None:
    """Show the level at each place of a bench, both ways.

    On transmit and on receive, with what each pad turns into heat and what it stands. A bench
    that would overload or destroy something is refused; the drawing is made all the same, and
    shows where.
    """
    from rich.console import Console

    from harness.commands.table import print_rows, say
    from harness.describe import cautions_for, level_chains, level_plan, load_bench, load_unit
    from harness.report.level_drawing import write_drawing

    described = load_unit(unit)
    its_bench = load_bench(bench, described)
    plan = level_plan(described, its_bench)
    cautions = cautions_for(described)
    if drawing is not None:
        write_drawing(drawing, plan, level_chains(described, its_bench, plan), cautions)
    plan.require_safe()
    console = Console()
    say(console, f"Levels of {plan.unit} on the {plan.bench}")
    for title, signals in (
        ("On transmit, at its rated power", ("transmit", "back")),
        ("On receive, the generator at its highest level", ("generator",)),
    ):
        rows = [_row(line) for line in plan.lines if line.signal in signals]
        if rows:
            say(console, f"\n{title}")
            print_rows(console, ("arrives at", "level", "power", "heat"), rows)
    for sentence in (*plan.notes, *cautions):
        say(console, f"- {sentence}")
    if drawing is not None:
        say(console, f"Drawing: {drawing.resolve()}", folded=False)


def _row(line: LevelLine) -> Row:
    from harness.commands.table import Row
    from harness.report.wording import quantity, watts_in_words

    # Where a path ends nothing is a pad: its heat is what arrives.
    heat = watts_in_words(line.dissipated_w) if line.out_dbm is not None else ""
    level = quantity(line.level_dbm, "dBm", decimals=1)
    return Row(
        title=line.name, values=(level, watts_in_words(line.power_w), heat), words=line.limit
    )
