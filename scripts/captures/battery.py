"""Key the unit until its battery is down: power, frequency, voltage and current against time.

Wire: as for the other scripts, and the meter at the battery's terminals. docs/bench.md has the
drawing and the arithmetic.

Caution: it keys the transmitter for hours. Fuse at the battery first: lead-acid delivers hundreds
of amperes into a short, and gives off hydrogen when it is charged: air the room. A load on the port
before power; load, pads and the unit itself get hot: rated without a pause, on something that does
not burn, and never left alone. Keep to a load, or to frequencies that you are licensed for; local
rules come first.
"""

from typing import Annotated

import typer

from harness.procedures.battery_run import INTERVAL_S
from harness.procedures.discharge_run import run_down, run_plan
from harness.procedures.runner import LOG_NAME
from scripts.captures.taking import (
    BENCH,
    UNIT,
    BenchFile,
    Folder,
    UnitFile,
    described,
    show_next,
    take,
)


def capture(
    unit: UnitFile = UNIT,
    bench: BenchFile = BENCH,
    out: Folder = None,
    interval: Annotated[
        float, typer.Option(min=1.0, metavar="S", help="From one sample to the next.")
    ] = INTERVAL_S,
) -> None:
    """Make the log; `harness discharge` does the same with schedules, and goes on after an end."""
    the_unit, the_bench = described(unit, bench)
    plan = run_plan(the_unit, the_bench, every_s=interval)
    folder = take("battery", the_unit, the_bench, out, run_down(the_unit, plan))
    show_next("measure", "discharge", folder / LOG_NAME, "--unit", unit)
