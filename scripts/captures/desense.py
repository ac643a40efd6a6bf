"""Sweep the level with the transmitter disabled, then keyed: sensitivity both ways, and the loss.

Wire: unit's antenna port, main line of a coupler, power pad, output receiver; generator, pads, the
coupler's coupled port; the receiver's audio to the sound card. docs/bench.md has the drawing and
the arithmetic.

Caution: it keys the transmitter for minutes on end. A load on the port before power, pads that
stand its power without a pause, never a transmitter straight into a receiver or generator: what the
coupler takes off the generator's signal it takes off the transmitter's, and no more. Leave the load
on while the transmitter is disabled. Keep to a load, or to frequencies that you are licensed for;
local rules come first.
"""

from dataclasses import replace
from typing import Annotated

import typer

from harness.measure.desensitisation import NAME
from harness.procedures.desense import USUAL, desense, extent_on
from scripts.captures.taking import (
    BENCH,
    UNIT,
    BenchFile,
    Folder,
    UnitFile,
    described,
    knobs,
    levels,
    show_next,
    take,
)


def capture(
    unit: UnitFile = UNIT,
    bench: BenchFile = BENCH,
    out: Folder = None,
    low: Annotated[float, typer.Option(metavar="DBM", help="Search from.")] = USUAL.search_dbm[0],
    high: Annotated[float, typer.Option(metavar="DBM", help="Search to.")] = USUAL.search_dbm[1],
    seconds: Annotated[
        float, typer.Option(min=0.5, metavar="S", help="At each level about 12 dB SINAD.")
    ] = USUAL.dwell_s,
    step: Annotated[
        float, typer.Option(min=0.1, max=2.0, metavar="DB", help="From one level to the next.")
    ] = USUAL.step_db,
) -> None:
    """Make the takes."""
    the_unit, the_bench = described(unit, bench)
    knobs(the_unit)
    extent = replace(USUAL, search_dbm=levels(low, high), dwell_s=seconds, step_db=step)
    steps = desense(the_unit, extent_on(the_bench, extent))
    folder = take("desense", the_unit, the_bench, out, steps, hears=True, shows=NAME)
    for state in ("off", "on"):
        recorded = folder / "recordings" / f"sensitivity-{state}.sigmf-collection"
        if recorded.exists():
            show_next("measure", "audio", recorded, "--unit", unit, "--bench", bench)
