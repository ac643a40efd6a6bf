"""Record a carrier of known levels with the input receiver, for harness calibrate level.

Wire: generator, pads or cable, input receiver, as the bench file says; the unit switched off, its
end of the tap on a load. docs/bench.md has the drawing and the arithmetic.

Caution: nothing that transmits may be on these cables: a receiver stands some 10 dBm (common
practice, no source). Let generator and receiver warm up (half an hour, chosen), and keep to cables.
"""

import math
from typing import Annotated

import typer

from harness.commands.words import levels_dbm
from harness.errors import BadInput
from harness.procedures.steps import Measure, Record, Stimulus
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


def steps(levels_port_dbm, seconds):
    """Record each level into a recording of its own, without modulation."""
    for number, level_dbm in enumerate(levels_port_dbm, 1):
        yield Record(
            take=f"level-{number}",
            title=f"Level {number} of {len(levels_port_dbm)}",
            stimuli=(Stimulus(duration_s=seconds, level_port_dbm=level_dbm),),
            roles=("input",),
        )
        yield Measure(kind="carrier", take=f"level-{number}", roles=("input",))


def capture(
    unit: UnitFile = UNIT,
    bench: BenchFile = BENCH,
    out: Folder = None,
    levels: Annotated[
        str, typer.Option(metavar="FROM:TO:STEP", help="Levels at the receiver, in dBm.")
    ] = "-70:-40:10",
    seconds: Annotated[float, typer.Option(min=0.5, metavar="S", help="At each level.")] = 3.0,
) -> None:
    """Make the recordings, and print the line that makes the calibration file of them."""
    the_unit, the_bench = described(unit, bench)
    receiver, generator = the_bench.input, the_bench.generator
    if receiver is None or generator is None or generator.level_uncertainty_db is None:
        raise BadInput(
            "needs [input], and [generator] with level_uncertainty_db", str(bench), "Add them."
        )
    at_receiver_dbm = levels_dbm(levels, "--levels")
    # The program reckons levels at the unit's port.
    at_port_dbm = [level + receiver.port_offset_db for level in at_receiver_dbm]
    folder = take("calibration", the_unit, the_bench, out, steps(at_port_dbm, seconds))
    losses = (one.uncertainty_db for one in (*generator.path, *receiver.path))
    show_next(
        *("calibrate", "level"),
        *(
            folder / "recordings" / f"level-{number}-input.sigmf-meta"
            for number in range(1, len(at_port_dbm) + 1)
        ),
        *("--serial", receiver.serial or "SERIAL", "--frequency", the_unit.receive_hz),
        f"--level={','.join(f'{level:g}' for level in at_receiver_dbm)}",
        *("--uncertainty", f"{math.hypot(generator.level_uncertainty_db, *losses):.3f}"),
        *("--out", folder / "calibration.toml"),
    )
