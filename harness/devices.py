"""What devices can do: small Protocols, one ability each, and no code.

The simulated bench, hardware and the operator's hand satisfy the same ones. Truth never rides
with the samples.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

from harness.blocks import Block

Role = Literal["input", "output", "audio"]
TransmitterState = Literal["on", "off"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamInfo:
    """What a stream of samples says of itself; becomes a recording's description.

    ``datatype`` is SigMF's: ``cu8``, ``ci16_le``, ``cf32_le``; ``ri16_le``, ``rf32_le`` for audio.
    ``hardware`` names the device. ``centre_hz`` is 0 for audio. ``skew_s`` is added to its time,
    with its standard uncertainty, where the source itself has found it; None leaves it to the
    bench file.
    """

    role: Role
    datatype: str
    sample_rate_hz: float
    centre_hz: float
    hardware: str
    gain_db: float | None = None
    skew_s: float | None = None
    skew_uncertainty_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundDevice:
    """A device that is plugged in: its kind, what a bench file calls it by, and what it is.

    ``name`` is the bench file's key for it, such as ``serial``, and ``value`` what to write there;
    empty where the device does not tell.
    """

    kind: str
    name: str
    value: str
    detail: str


class SampleSource(Protocol):
    """Gives the streams of one take, side by side.

    ``read`` gives, for each role, the blocks from where the last call ended up to about
    ``until_s`` on the stream's own clock (time of sample 0 is 0). A live source waits for
    them; a simulated one makes them. Blocks hold undecoded samples: shape (n, 2) for IQ,
    (n,) for audio.
    """

    @property
    def streams(self) -> Mapping[Role, StreamInfo]:
        """The streams there are."""
        ...

    def start(self) -> None:
        """Begin a take: the next sample is sample 0."""
        ...

    def read(self, until_s: float) -> Mapping[Role, list[Block]]:
        """Give what came up to ``until_s``."""
        ...

    def stop(self) -> None:
        """End the take; the devices stay open."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Retuned:
    """A change of frequency in a running stream, in samples of the take.

    Between ``begun`` and ``settled`` a sample belongs to neither frequency.
    """

    role: Role
    centre_hz: float
    begun: int
    settled: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """How a stream stands to the reference's, both counted from the opening of their source.

    ``skew_s`` is added to its time to get the reference's, at ``at_s`` of that;
    ``clock_difference_ppm`` is its clock minus the reference's. Uncertainties are standard ones.
    """

    at_s: float
    skew_s: float
    skew_uncertainty_s: float
    clock_difference_ppm: float
    clock_difference_uncertainty_ppm: float


class TunableSource(SampleSource, Protocol):
    """A live source whose streams run on between takes and while it is tuned."""

    @property
    def reference(self) -> Role:
        """The stream whose time the others' is told in."""
        ...

    @property
    def origins_s(self) -> Mapping[Role, float]:
        """Time of the running take's sample 0, counted in each stream from opening."""
        ...

    def retune(self, centres_hz: Mapping[Role, float]) -> list[Retuned]:
        """Tune to other frequencies; no sample is missing for it."""
        ...

    def align(self, role: Role, alignment: Alignment) -> None:
        """Begin takes of a stream, from now on, where the reference's begin."""
        ...


class StreamClock(Protocol):
    """Tells where live streams are while nobody reads them; a SampleSource that is real has it."""

    def position(self) -> Mapping[Role, int]:
        """Give the sample of the take that each stream takes now; never too late a one."""
        ...


class RunningSource(SampleSource, StreamClock, Protocol):
    """A live source, whose streams run on by themselves."""


class Generator(Protocol):
    """A signal generator at the unit's receiver port. RF is off until a level is set."""

    def set_frequency(self, frequency_hz: float) -> None:
        """Set the carrier frequency."""
        ...

    def set_modulation(self, tone_hz: float, deviation_hz: float) -> None:
        """Set sine FM; a deviation of 0 is an unmodulated carrier."""
        ...

    def set_level(self, level_port_dbm: float) -> None:
        """Set the level at the unit's port and switch RF on."""
        ...

    def rf_off(self) -> None:
        """Switch RF off: allowed at any time, any number of times."""
        ...


class KnobHand(Protocol):
    """Whoever turns the squelch knob: the operator, or the simulated bench."""

    def turn_knob(self, position: str) -> None:
        """Turn the knob to a position as marked on the unit, such as ``"3:30"``."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyReading:
    """What a meter on the unit's supply shows; NaN where it cannot tell."""

    voltage_v: float
    current_a: float
    temperature_degc: float


class SupplyMeter(Protocol):
    """Reads the unit's supply."""

    def read_supply(self) -> SupplyReading:
        """Give voltage, current and temperature now."""
        ...


@runtime_checkable
class LaggingMeter(SupplyMeter, Protocol):
    """A meter whose readings come by themselves, some time later; what is too old is NaN."""

    def read_supply_within(self, seconds: float) -> SupplyReading:
        """Give what was read within the last ``seconds``."""
        ...

    def news(self) -> list[str]:
        """Give what has been wrong with it since the last time, a sentence each."""
        ...


class TransmitterSwitch(Protocol):
    """Disables the unit's transmitter, for the level of desensitisation and for safety."""

    def set_transmitter_enabled(self, enabled: bool) -> None:
        """Let the unit transmit when keyed, or keep it from it."""
        ...


class TransmitterKey(Protocol):
    """Keys the unit's transmitter by hand, whatever its squelch does."""

    def hold_transmitter(self, held: bool) -> None:
        """Hold the key, or let it go."""
        ...


class Waiter(Protocol):
    """Lets time pass between takes: the clock, or the simulated bench at its own pace."""

    def wait(self, seconds: float) -> None:
        """Let ``seconds`` pass."""
        ...

    @property
    def now_s(self) -> float:
        """Seconds that have passed since the bench was opened."""
        ...


class GoBack(Exception):
    """The operator asks to do the setting before once more."""


class Operator(Protocol):
    """Whoever sets and reads by hand: at the terminal, at the page, or a script."""

    def ask(self, question: str) -> str:
        """Show a question and give the line typed; ``EOFError`` where nobody will answer."""
        ...

    def say(self, text: str) -> None:
        """Show a line that needs no answer."""
        ...


class Memory(Protocol):
    """Keeps what was typed, so that it need not be typed again."""

    def keep(self, question: str, answer: str) -> None:
        """Keep an answer; it is on the disk when this returns."""
        ...

    def recall(self, question: str) -> str | None:
        """Give what was answered in an earlier run, or None."""
        ...

    @property
    def resuming(self) -> str:
        """What to do to go on after an end, as a sentence."""
        ...
