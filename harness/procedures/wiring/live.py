"""A live bench: receivers that run on by themselves, in real time."""

from __future__ import annotations

from harness.describe import Bench
from harness.devices import Memory, Operator, SampleSource, StreamClock, SupplyReading
from harness.errors import BadInput
from harness.procedures.clock import Clock
from harness.procedures.wiring.by_hand import hand_of
from harness.procedures.wiring.instruments import open_instruments
from harness.procedures.wiring.parts import LIVE, OpenBench


def live_bench(
    bench: Bench,
    source: SampleSource,
    stream_clock: StreamClock,
    operator: Operator | None = None,
    memory: Memory | None = None,
    readings_done: int = 0,
) -> OpenBench:
    """Put a live source of samples and the instruments of a bench file together.

    Parameters
    ----------
    source : open. stream_clock : tells where its streams are
    operator, memory, readings_done : as for ``open_bench``; the knob is always turned by hand

    Raises
    ------
    BadInput : there is no generator, or nobody to turn the knob. HardwareFault : as above.
    """
    from harness.instruments.by_hand import Knob, Transmitter

    if bench.generator is None:
        raise BadInput(
            "has no [generator]",
            bench.name,
            'Add one to the bench file; source = "by hand" will do.',
        )
    if operator is None:
        raise BadInput(
            "somebody has to turn the knob", bench.name, "Start it where somebody can answer."
        )
    instruments = open_instruments(bench, operator, memory, readings_done=readings_done)
    assert instruments.generator is not None
    hand = hand_of(operator, memory)
    return OpenBench(
        source=source,
        generator=instruments.generator,
        knob=Knob(hand),
        meter=instruments.meter or NoMeter(bench.name),
        waiter=Clock(),
        kind=LIVE,
        stream_clock=stream_clock,
        transmitter=(transmitter := Transmitter(hand)),
        transmitter_key=transmitter,
        identities=instruments.identities,
        cautions=instruments.cautions,
        closing=instruments.closing,
    )


class NoMeter:
    """A bench without a meter: what would run a battery down unwatched is refused."""

    def __init__(self, bench_name: str) -> None:
        self._bench_name = bench_name

    def read_supply(self) -> SupplyReading:
        """Refuse.

        Raises
        ------
        BadInput : always.
        """
        raise BadInput(
            "the supply has to be watched, and there is no [meter]",
            self._bench_name,
            'Add one to the bench file; source = "by hand" will do.',
        )
