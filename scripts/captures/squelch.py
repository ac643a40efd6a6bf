"""Sweep the level up and down at each knob position: squelch opening, closing, hysteresis, spread.

Wire: generator, pads, tap, pad, unit's antenna port; tap to the input receiver; the unit's port by
a power pad to the output receiver. docs/bench.md has the drawing and the arithmetic.

Caution: it keys the transmitter for minutes on end. A load on the port before power, pads that
stand its power without a pause, never a transmitter straight into a receiver or generator. Keep to
a load, or to frequencies that you are licensed for; local rules come first.
"""

from dataclasses import replace
from typing import Annotated

import typer

from harness.procedures.acceptance import SHORT, STANDARD_SHARE, keyings, squelch_sweeps
from harness.procedures.steps import TurnKnob
from scripts.captures.taking import (
    BENCH,
    UNIT,
    BenchFile,
    Folder,
    UnitFile,
    described,
    knobs,
    levels,
    marked_knob,
    show_next,
    take,
)


def steps(unit, positions, extent):
    """Find the hang time, which the falling steps have to outlast; then each position."""
    yield TurnKnob(position=marked_knob(unit))
    hang_s = yield from keyings(STANDARD_SHARE * unit.rated_deviation_hz, extent)
    for position in positions:
        yield from squelch_sweeps(position, hang_s, extent)


def capture(
    unit: UnitFile = UNIT,
    bench: BenchFile = BENCH,
    out: Folder = None,
    knob: Annotated[
        list[str] | None, typer.Option(metavar="POSITION", help="Only this one; may be repeated.")
    ] = None,
    sweeps: Annotated[int, typer.Option(min=1, metavar="N", help="Up and down at each.")] = 25,
    quiet: Annotated[
        float, typer.Option(min=0.1, metavar="S", help="Without a signal, for false keying.")
    ] = 60.0,
    low: Annotated[float, typer.Option(metavar="DBM", help="Search from.")] = -128.0,
    high: Annotated[float, typer.Option(metavar="DBM", help="Search to.")] = -98.0,
) -> None:
    """Make the takes."""
    the_unit, the_bench = described(unit, bench)
    positions = knobs(the_unit, only=knob)
    extent = replace(SHORT, keyings=2, sweeps=sweeps, quiet_s=quiet, search_dbm=levels(low, high))
    folder = take("squelch", the_unit, the_bench, out, steps(the_unit, positions, extent))
    for recorded in sorted((folder / "recordings").glob("squelch-*.sigmf-collection")):
        show_next("measure", "squelch", recorded, "--unit", unit, "--bench", bench)
