"""What is opened together: the devices of a bench, closed at the end of a ``with`` block."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field

from harness.closing import Closing
from harness.devices import (
    Generator,
    KnobHand,
    SampleSource,
    StreamClock,
    SupplyMeter,
    TransmitterKey,
    TransmitterSwitch,
    Waiter,
)

LIVE = "live"
"""Kind of a bench whose time is that of the clock on the wall."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Devices(Closing):
    """Devices that are closed together at the end of a ``with`` block: RF goes off."""

    closing: ExitStack = field(default_factory=ExitStack)

    def close(self) -> None:
        """Close the devices, the last opened first."""
        self.closing.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenBench(Devices):
    """The devices of a bench, by what they can do; a context manager that closes them.

    ``stream_clock`` is None where the streams stand still between two reads. ``identities``
    is what instruments say that they are. ``transmitter`` and ``transmitter_key`` are None where
    nobody can reach the unit's.
    """

    source: SampleSource
    generator: Generator
    knob: KnobHand
    meter: SupplyMeter
    waiter: Waiter
    kind: str
    stream_clock: StreamClock | None = None
    transmitter: TransmitterSwitch | None = None
    transmitter_key: TransmitterKey | None = None
    identities: Mapping[str, str] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Instruments(Devices):
    """Generator and meter of a bench; a context manager that closes them."""

    generator: Generator | None
    meter: SupplyMeter | None
    identities: Mapping[str, str]
    cautions: tuple[str, ...]
