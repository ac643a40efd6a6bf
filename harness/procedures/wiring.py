"""Opens the devices that a bench file names: the only place that knows concrete drivers.

What goes together:

==============  ==========================  ====================================================
receivers       generator, meter            is
==============  ==========================  ====================================================
simulated       simulated                   the simulated bench
simulated       by hand, one or both        a rehearsal: the operator is asked, and what is said
                                            to be set is what the simulated bench is set to
simulated       scpi                        refused by the bench file: a real generator does
                                            nothing to a simulated unit
live            scpi or by hand             a real bench
live            simulated                   refused by the bench file
==============  ==========================  ====================================================
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal, Protocol, Self, cast

from harness.blocks import Block
from harness.closing import Closing
from harness.describe import Bench, SoundDescription, Unit
from harness.devices import (
    FoundDevice,
    Generator,
    KnobHand,
    Memory,
    Operator,
    Role,
    SampleSource,
    StreamClock,
    SupplyMeter,
    SupplyReading,
    Waiter,
)
from harness.errors import BadInput
from harness.procedures.entries import NoMemory

if TYPE_CHECKING:
    from harness.instruments.by_hand import Hand
    from harness.simulator import SimulatedBench

OFF_CHANNEL_HZ = 40e3
"""Receivers are tuned so far below the channel: their DC then lies outside it and its neighbours,
and their image beyond them. Chosen."""


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
    is what instruments say that they are.
    """

    source: SampleSource
    generator: Generator
    knob: KnobHand
    meter: SupplyMeter
    waiter: Waiter
    kind: str
    stream_clock: StreamClock | None = None
    identities: Mapping[str, str] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Instruments(Devices):
    """Generator and meter of a bench; a context manager that closes them."""

    generator: Generator | None
    meter: SupplyMeter | None
    identities: Mapping[str, str]
    cautions: tuple[str, ...]


class SoundIn(Protocol):
    """Audio that comes in, in blocks, while its ``with`` block lasts."""

    name: str
    sample_rate_hz: float
    lost: int
    overruns: int

    def blocks(self, duration_s: float | None = None) -> Iterator[Block]:
        """Give what comes."""
        ...

    def __enter__(self) -> Self:
        """Begin to listen."""
        ...

    def __exit__(self, *exc: object) -> None:
        """Stop listening."""
        ...


SignalKind = Literal["tone", "ramp", "sweep", "multitone", "stepped"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """A test signal for the sound card.

    ``level_dbfs`` is that of its peak, of a ramp that at its end; ``from_dbfs`` is where a ramp
    begins. A tone and a ramp take one frequency, a sweep two, the others as many as one likes.
    """

    kind: SignalKind
    frequencies_hz: tuple[float, ...]
    level_dbfs: float
    duration_s: float
    from_dbfs: float = -60.0


def open_bench(
    bench: Bench,
    operator: Operator | None = None,
    memory: Memory | None = None,
    unit: Unit | None = None,
) -> OpenBench:
    """Open the devices that a bench file names.

    Parameters
    ----------
    unit : what real receivers are tuned by; a simulated bench needs none
    operator : who is asked where something is done by hand. memory : keeps what is typed

    Raises
    ------
    BadInput : the bench names a device that there is no driver for, or does not go together.
    HardwareFault : a device is not there.
    """
    real = [part for part in (bench.input, bench.output) if part and part.source == "rtlsdr"]
    if bench.simulated is None and real and unit is not None:
        with ExitStack() as kept:
            centres_hz: dict[Role, float] = {
                "input": unit.receive_hz - OFF_CHANNEL_HZ,
                "output": unit.transmit_hz - OFF_CHANNEL_HZ,
            }
            source = kept.enter_context(open_source(bench, receiver_roles(bench), centres_hz))
            live = live_bench(bench, source, cast(StreamClock, source), operator, memory)
            # What was entered last is closed first: RF is off before the receivers go.
            kept.enter_context(live.closing)
            return replace(live, closing=kept.pop_all())
    simulated = simulated_bench(bench)
    instruments = open_instruments(bench, operator, memory, behind=simulated)
    return replace(
        devices_of(simulated),
        generator=instruments.generator or simulated,
        meter=instruments.meter or simulated,
        identities=instruments.identities,
        cautions=instruments.cautions,
        closing=instruments.closing,
    )


def open_instruments(
    bench: Bench,
    operator: Operator | None = None,
    memory: Memory | None = None,
    behind: SimulatedBench | None = None,
) -> Instruments:
    """Open generator and meter of a bench, RF off.

    Parameters
    ----------
    operator, memory : as for ``open_bench``
    behind : the simulated bench, on a simulated one

    Raises
    ------
    BadInput : one cannot be used so. HardwareFault : one is not there.
    """
    identities: dict[str, str] = {}
    cautions: list[str] = []
    with ExitStack() as closing:
        hand = _hand(bench, operator, memory)
        generator: Generator | None = None
        meter: SupplyMeter | None = None
        described = bench.generator
        if described is not None and described.source == "scpi":
            from harness.instruments.dialect import load_dialect
            from harness.instruments.scpi import open_generator

            by_scpi = closing.enter_context(
                open_generator(
                    described, load_dialect(described.dialect), loss_db=bench.generator_loss_db
                )
            )
            identities["generator"] = by_scpi.identity
            cautions += by_scpi.cautions
            generator = by_scpi
        elif described is not None and described.source == "by hand":
            from harness.instruments import by_hand
            from harness.instruments.level_range import highest_dbm

            generator = by_hand.Generator(
                hand,
                loss_db=bench.generator_loss_db,
                minimum_dbm=described.minimum_dbm,
                maximum_dbm=highest_dbm(described, by_hand.WHERE),
                behind=behind,
            )
        else:
            generator = behind
        shown = bench.meter
        if shown is not None and shown.source == "scpi":
            from harness.instruments.dialect import load_dialect
            from harness.instruments.scpi import open_meter

            read = closing.enter_context(open_meter(shown, load_dialect(shown.dialect)))
            identities["meter"] = read.identity
            cautions += read.cautions
            meter = read
        elif shown is not None and shown.source == "by hand":
            from harness.instruments import by_hand

            meter = by_hand.Meter(hand, reads_current=shown.reads_current, behind=behind)
        else:
            meter = behind
        return Instruments(
            generator=generator,
            meter=meter,
            identities=identities,
            cautions=tuple(cautions),
            closing=closing.pop_all(),
        )


def live_bench(
    bench: Bench,
    source: SampleSource,
    stream_clock: StreamClock,
    operator: Operator | None = None,
    memory: Memory | None = None,
) -> OpenBench:
    """Put a live source of samples and the instruments of a bench file together.

    Parameters
    ----------
    source : open. stream_clock : tells where its streams are
    operator, memory : as for ``open_bench``; the knob is always turned by hand

    Raises
    ------
    BadInput : there is no generator, or nobody to turn the knob. HardwareFault : as above.
    """
    from harness.instruments.by_hand import Knob

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
    instruments = open_instruments(bench, operator, memory)
    assert instruments.generator is not None
    hand = _hand_of(operator, memory)
    return OpenBench(
        source=source,
        generator=instruments.generator,
        knob=Knob(hand),
        meter=instruments.meter or NoMeter(bench.name),
        waiter=Clock(),
        kind="live",
        stream_clock=stream_clock,
        identities=instruments.identities,
        cautions=instruments.cautions,
        closing=instruments.closing,
    )


class Clock:
    """Real time; satisfies ``harness.devices.Waiter``."""

    def __init__(self) -> None:
        self._opened_s = time.monotonic()

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        time.sleep(seconds)

    @property
    def now_s(self) -> float:
        """Seconds since the bench was opened."""
        return time.monotonic() - self._opened_s


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


def _hand(bench: Bench, operator: Operator | None, memory: Memory | None) -> Hand:
    parts = (bench.generator, bench.meter)
    if operator is None and any(part and part.source == "by hand" for part in parts):
        raise BadInput(
            "something on it is done by hand, and nobody is there to be asked",
            bench.name,
            "Start it where somebody can answer.",
        )
    return _hand_of(operator, memory)


def _hand_of(operator: Operator | None, memory: Memory | None) -> Hand:
    from harness.instruments.by_hand import Hand

    return Hand(operator or _Nobody(), memory or NoMemory())


def sound_input(described: SoundDescription) -> SoundIn:
    """Open the input of the sound card; it listens within its ``with`` block.

    Raises
    ------
    BadInput : no such device.
    """
    from harness.instruments.sound_card import SoundInput

    return SoundInput(described.input_device, sample_rate_hz=described.sample_rate_hz)


def play_tones(
    described: SoundDescription, signal: Signal, progress: Callable[[float], None]
) -> tuple[float, int]:
    """Play a test signal; give how long it took in s, and how often the card ran dry.

    Raises
    ------
    BadInput : no such device, or a signal that it cannot give. HardwareFault : it stopped.
    """
    from harness.instruments import tones
    from harness.instruments.sound_card import play

    frequencies_hz, duration_s = list(signal.frequencies_hz), signal.duration_s
    tones.require_tones(frequencies_hz, described.sample_rate_hz)
    level_dbfs = signal.level_dbfs
    first_hz, last_hz = frequencies_hz[0], frequencies_hz[-1]
    match signal.kind:
        case "tone":
            made = tones.single_tone(first_hz, level_dbfs, duration_s)
        case "ramp":
            made = tones.level_ramp(first_hz, signal.from_dbfs, level_dbfs, duration_s)
        case "sweep":
            made = tones.swept_tone(first_hz, last_hz, level_dbfs, duration_s)
        case "multitone":
            made = tones.multitone(frequencies_hz, level_dbfs, duration_s)
        case "stepped":
            made = tones.stepped_tones(frequencies_hz, level_dbfs, duration_s)
    played = play(
        made,
        described.output_device,
        sample_rate_hz=described.sample_rate_hz,
        progress=progress,
    )
    return played.duration_s, played.underruns


class _Nobody:
    """Stands where no question can come up."""

    def ask(self, question: str) -> str:
        raise EOFError

    def say(self, text: str) -> None:
        """Let it go unheard."""


def simulated_bench(bench: Bench) -> SimulatedBench:
    """Set up the simulated bench that a bench file names.

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
    )


def _dongles() -> list[FoundDevice]:
    from harness.instruments.dongles import found_dongles

    return found_dongles()


def _sound_devices() -> list[FoundDevice]:
    from harness.instruments.sound_card import sound_devices

    return [
        FoundDevice(kind="sound card", name=name, value=each.name, detail=f"{count} channels")
        for each in sound_devices()
        for name, count in (("input_device", each.inputs), ("output_device", each.outputs))
        if count
    ]


DEVICE_LISTS: dict[str, Callable[[], list[FoundDevice]]] = {
    "RTL-SDR dongles": _dongles,
    "sound card": _sound_devices,
}
"""What can be looked for on this computer, and how; each may raise a HarnessError."""


def receiver_roles(bench: Bench) -> tuple[Role, ...]:
    """Name the receivers that a bench has, input first."""
    roles: tuple[Role, ...] = ("input", "output")
    return tuple(role for role in roles if bench.receiver(role) is not None)


@contextmanager
def open_source(
    bench: Bench, roles: Sequence[Role], centres_hz: Mapping[Role, float]
) -> Iterator[SampleSource]:
    """Open the receivers of a bench, and close them at the end.

    Parameters
    ----------
    bench : description
    roles : which of its receivers
    centres_hz : what each is tuned to, for those that are real

    Raises
    ------
    BadInput : it has no such receiver, or one that cannot be recorded from as it is described.
    HardwareFault : one is missing or not ours to open.
    """
    missing = [role for role in roles if bench.receiver(role) is None]
    if missing or not roles:
        role = missing[0] if missing else "output"
        raise BadInput(f"has no receiver [{role}]", bench.name, "Describe it, or name another.")
    if bench.simulated is not None:
        yield simulated_bench(bench)
        return
    from harness.instruments.dongle import Settings
    from harness.instruments.dongles import DongleSource

    settings = []
    for role in roles:
        declared = bench.receiver(role)
        assert declared is not None
        where = f"{bench.name}: [{role}]"
        if declared.source != "rtlsdr":
            raise BadInput(
                f'source = "{declared.source}" cannot be recorded from', where, "Use rtlsdr."
            )
        if declared.gain_db is None:
            raise BadInput(
                "gain_db is missing", where, "A dongle's gain is set by hand only: write one."
            )
        if role not in centres_hz:
            raise BadInput(
                "its frequency is not known", where, f"Give the unit file, or --{role}-centre."
            )
        settings.append(
            Settings(
                role=role,
                serial=declared.serial,
                sample_rate_hz=declared.sample_rate_hz,
                centre_hz=centres_hz[role],
                gain_db=declared.gain_db,
                clock_error_ppm=declared.clock_error_ppm or 0.0,
            )
        )
    with DongleSource(settings) as source:
        yield source
