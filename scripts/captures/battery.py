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

from harness.errors import BadInput
from harness.procedures.acceptance import STANDARD_SHARE, STRONG_DBM
from harness.procedures.battery_run import INTERVAL_S, battery_run
from harness.procedures.runner import LOG_NAME
from harness.procedures.steps import TurnKnob
from scripts.captures.taking import (
    BENCH,
    UNIT,
    BenchFile,
    Folder,
    UnitFile,
    described,
    marked_knob,
    show_next,
    take,
)


def steps(unit, interval_s):
    """Turn the knob to where it is used, then run the battery down."""
    yield TurnKnob(position=marked_knob(unit))
    yield from battery_run(
        unit.battery,
        level_port_dbm=STRONG_DBM,
        deviation_hz=STANDARD_SHARE * unit.rated_deviation_hz,
        interval_s=interval_s,
    )


def capture(
    unit: UnitFile = UNIT,
    bench: BenchFile = BENCH,
    out: Folder = None,
    interval: Annotated[
        float, typer.Option(min=1.0, metavar="S", help="From one sample to the next.")
    ] = INTERVAL_S,
) -> None:
    """Make the log, and a short recording at each of its rows."""
    the_unit, the_bench = described(unit, bench)
    if the_unit.battery is None:
        raise BadInput("has no [battery]", str(unit), "Describe it there.")
    folder = take("battery", the_unit, the_bench, out, steps(the_unit, interval))
    show_next("measure", "discharge", folder / LOG_NAME, "--unit", unit)
