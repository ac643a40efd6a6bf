"""Key the unit again and again: attack time, hang time, squelch tail.

Wire: generator, pads, tap, pad, unit's antenna port; tap to the input receiver; the unit's port by
a power pad to the output receiver. docs/bench.md has the drawing and the arithmetic.

Caution: it keys the transmitter each time. A load on the port before power, pads that stand its
power, never a transmitter straight into a receiver or generator. Keep to a load, or to frequencies
that you are licensed for; local rules come first.
"""

from dataclasses import replace
from typing import Annotated

import typer

from harness.procedures.acceptance import SHORT, STANDARD_SHARE, keyings
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


def steps(unit, extent):
    """Turn the knob to where it is used, then on and off."""
    yield TurnKnob(position=marked_knob(unit))
    yield from keyings(STANDARD_SHARE * unit.rated_deviation_hz, extent)


def capture(
    unit: UnitFile = UNIT,
    bench: BenchFile = BENCH,
    out: Folder = None,
    count: Annotated[int, typer.Option(min=1, metavar="N", help="How often.")] = 20,
) -> None:
    """Make the take."""
    the_unit, the_bench = described(unit, bench)
    procedure = steps(the_unit, replace(SHORT, keyings=count))
    folder = take("keyings", the_unit, the_bench, out, procedure)
    recorded = folder / "recordings" / "timing.sigmf-collection"
    show_next("measure", "timing", recorded, "--unit", unit, "--bench", bench)
