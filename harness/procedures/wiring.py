"""Opens the devices that a bench file names: the only place that knows concrete drivers."""

from __future__ import annotations

from dataclasses import dataclass

from harness.describe import Bench
from harness.devices import Generator, KnobHand, SampleSource, SupplyMeter, Waiter
from harness.errors import BadInput


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenBench:
    """The devices of a bench, by what they can do."""

    source: SampleSource
    generator: Generator
    knob: KnobHand
    meter: SupplyMeter
    waiter: Waiter
    kind: str


def open_bench(bench: Bench) -> OpenBench:
    """Open the devices that a bench file names.

    Raises
    ------
    BadInput : the bench names a device that there is no driver for.
    """
    if bench.simulated is None:
        raise BadInput(
            "only a simulated bench can be opened so far",
            bench.name,
            "Give the bench file a [simulated] table, or measure recordings with harness measure.",
        )
    from harness.simulator import SimulatedBench, simulated_unit

    simulated = SimulatedBench(
        simulated_unit(bench.simulated.unit),
        seed=bench.simulated.seed,
        faults=bench.simulated.faults,
    )
    return OpenBench(
        source=simulated,
        generator=simulated,
        knob=simulated,
        meter=simulated,
        waiter=simulated,
        kind="simulated",
    )
