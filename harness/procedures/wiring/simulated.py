"""The simulated bench, which is all devices in one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.describe import Bench
from harness.errors import BadInput
from harness.procedures.wiring.parts import OpenBench

if TYPE_CHECKING:
    from harness.simulator import SimulatedBench


def simulated_bench(bench: Bench, *, hears: bool = False) -> SimulatedBench:
    """Set up the simulated bench that a bench file names.

    Parameters
    ----------
    hears : with its sound card in place of the input's receiver, as ``open_bench`` has it

    Raises
    ------
    BadInput : the bench is not simulated, or names a unit or a fault that there is none of.
    """
    if bench.simulated is None:
        raise BadInput(
            "only a simulated bench can be opened so far",
            bench.name,
            "Give the bench file a [simulated] table, or measure recordings with harness measure.",
        )
    from harness.simulator import SimulatedBench, simulated_unit

    return SimulatedBench(
        simulated_unit(bench.simulated.unit),
        seed=bench.simulated.seed,
        faults=bench.simulated.faults,
        streams=("output", "audio") if hears else ("input", "output"),
    )


def devices_of(simulated: SimulatedBench) -> OpenBench:
    """Give the devices of a simulated bench, by what they can do."""
    return OpenBench(
        source=simulated,
        generator=simulated,
        knob=simulated,
        meter=simulated,
        waiter=simulated,
        kind="simulated",
        transmitter=simulated,
        transmitter_key=simulated,
    )
