"""Record what the unit makes of a tone: carrier, deviation, SINAD, distortion; then sensitivity.

Wire: generator, pads, tap, pad, unit's antenna port; tap to the input receiver; the unit's port by
a power pad to the output receiver. docs/bench.md has the drawing and the arithmetic.

Caution: it keys the transmitter. A load on the port before power, pads that stand its power, never
a transmitter straight into a receiver or generator. Keep to a load, or to frequencies that you are
licensed for; local rules come first.
"""

from dataclasses import replace
from typing import Annotated

import typer

from harness.procedures.acceptance import SHORT, STANDARD_SHARE, carrier_take, sensitivity_sweep
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


def steps(unit, extent):
    """Record a strong signal at the marked knob, a falling one where the squelch is loosest."""
    deviation_hz = STANDARD_SHARE * unit.rated_deviation_hz
    yield TurnKnob(position=marked_knob(unit))
    yield from carrier_take(deviation_hz)
    yield TurnKnob(position=knobs(unit)[0])
    yield from sensitivity_sweep(deviation_hz, extent)


def capture(
    unit: UnitFile = UNIT,
    bench: BenchFile = BENCH,
    out: Folder = None,
    low: Annotated[float, typer.Option(metavar="DBM", help="Lowest level of the sweep.")] = -124.0,
    high: Annotated[float, typer.Option(metavar="DBM", help="Highest level of it.")] = -110.0,
) -> None:
    """Make the takes."""
    the_unit, the_bench = described(unit, bench)
    extent = replace(SHORT, sensitivity_dbm=levels(low, high))
    folder = take("audio", the_unit, the_bench, out, steps(the_unit, extent))
    for name in ("carrier", "sensitivity"):
        recorded = folder / "recordings" / f"{name}.sigmf-collection"
        show_next("measure", "audio", recorded, "--unit", unit, "--bench", bench)
