"""The sound card: opened, listened to, played to."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol, Self

from harness.blocks import Block
from harness.describe import Bench, SoundDescription
from harness.devices import RunningSource
from harness.errors import BadInput

if TYPE_CHECKING:
    from harness.instruments.sound_beside import SoundBeside


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


def sound_input(described: SoundDescription) -> SoundIn:
    """Open the input of the sound card; it listens within its ``with`` block.

    Raises
    ------
    BadInput : no such device.
    """
    from harness.instruments.sound_card import SoundInput

    return SoundInput(described.input_device, sample_rate_hz=described.sample_rate_hz)


def described_sound(bench: Bench) -> SoundDescription:
    """Give the sound card that a bench file names.

    Raises
    ------
    BadInput : it names none.
    """
    if bench.sound is None or bench.sound.source != "sound card":
        raise BadInput(
            "names no sound card",
            bench.name,
            'Add [sound] with source = "sound card", input_device and output_device.',
        )
    return bench.sound


def with_sound(source: RunningSource, bench: Bench) -> SoundBeside:
    """Open the sound card of a bench beside its receivers, as the stream "audio".

    Raises
    ------
    BadInput : the bench names none, or there is no such device.
    """
    from harness.instruments.sound_beside import SoundBeside
    from harness.instruments.sound_card import SoundInput

    described = described_sound(bench)
    card = SoundInput(described.input_device, sample_rate_hz=described.sample_rate_hz)
    return SoundBeside(source, card)


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
