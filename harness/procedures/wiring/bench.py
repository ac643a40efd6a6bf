"""Opens the devices that a bench file names, as one bench.

What goes together:

==============  ==========================  ====================================================
receivers       generator, meter            is
==============  ==========================  ====================================================
simulated       simulated                   the simulated bench
simulated       by hand, one or both        a rehearsal: the operator is asked, and what is said
                                            to be set is what the simulated bench is set to
simulated       scpi                        refused by the bench file: a real generator does
                                            nothing to a simulated unit
live            scpi or by hand; the meter  a real bench
                also csv
live            simulated                   refused by the bench file
==============  ==========================  ====================================================
"""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from typing import cast

from harness.describe import Bench, Unit
from harness.devices import Memory, Operator, Role, RunningSource
from harness.procedures.wiring.instruments import open_instruments
from harness.procedures.wiring.live import live_bench
from harness.procedures.wiring.parts import OpenBench
from harness.procedures.wiring.receivers import OFF_CHANNEL_HZ, open_source, receiver_roles
from harness.procedures.wiring.simulated import devices_of, simulated_bench
from harness.procedures.wiring.sound import with_sound


def open_bench(
    bench: Bench,
    operator: Operator | None = None,
    memory: Memory | None = None,
    unit: Unit | None = None,
    readings_done: int = 0,
    *,
    hears: bool = False,
) -> OpenBench:
    """Open the devices that a bench file names.

    Parameters
    ----------
    unit : what real receivers are tuned by; a simulated bench needs none
    operator : who is asked where something is done by hand. memory : keeps what is typed
    readings_done : how often the meter was read in earlier parts of the run
    hears : whether the receiver's audio is a stream too: the sound card of the bench file, or the
        simulated one

    Raises
    ------
    BadInput : the bench names a device that there is no driver for, or does not go together.
    HardwareFault : a device is not there.
    """
    roles = receiver_roles(bench)
    if hears:
        # The transmitter's carrier comes strong to the input's receiver, whose level is not taken.
        roles = tuple(role for role in roles if role == "output")
    real = [part for part in (bench.input, bench.output) if part and part.source == "rtlsdr"]
    if bench.simulated is None and real and unit is not None:
        with ExitStack() as kept:
            centres_hz: dict[Role, float] = {
                "input": unit.receive_hz - OFF_CHANNEL_HZ,
                "output": unit.transmit_hz - OFF_CHANNEL_HZ,
            }
            opened = kept.enter_context(open_source(bench, roles, centres_hz))
            source = cast(RunningSource, opened)
            if hears:
                source = kept.enter_context(with_sound(source, bench))
            live = live_bench(bench, source, source, operator, memory, readings_done)
            # What was entered last is closed first: RF is off before the receivers go.
            kept.enter_context(live.closing)
            return replace(live, closing=kept.pop_all())
    simulated = simulated_bench(bench, hears=hears)
    instruments = open_instruments(bench, operator, memory, simulated, readings_done)
    return replace(
        devices_of(simulated),
        generator=instruments.generator or simulated,
        meter=instruments.meter or simulated,
        identities=instruments.identities,
        cautions=instruments.cautions,
        closing=instruments.closing,
    )
