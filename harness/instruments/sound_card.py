"""The sound card, through ``sounddevice``: tones out, audio in, by the names of its devices.

The library calls back on a thread of its own. What comes in is copied and queued there, nothing
more; what goes out is computed there, which takes a hundredth of the time that it lasts. Flags
that come with a call are gathered with ``|=`` and counted. An overrun does not say how much is
missing: that is reckoned from the card's own time stamps, and is one sample at least.
"""

from __future__ import annotations

import contextlib
import math
import queue
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from harness.blocks import Block
from harness.errors import BadInput, HardwareFault, one_line
from harness.instruments.tones import TestTones

WHERE = "sound card"
BLOCK_SAMPLES = 4096
"""Samples of a call. Chosen: 85 ms at 48 kHz, long against any hiccup of the computer."""
QUEUE_BLOCKS = 256
"""Blocks that may wait for whoever takes them: 20 s at 48 kHz. Chosen."""
SILENT_S = 3.0
"""Without a block for so long, the device is gone. Chosen."""
SILENCE_S = 0.5
"""Played before and after: what a card swallows as it starts and drops as it stops is none of the
signal. A sound server was seen to swallow 85 ms and to drop 160 ms; chosen well above."""
_POLL_S = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundDevice:
    """A device as the system names it."""

    name: str
    inputs: int
    outputs: int


def sound_devices() -> tuple[SoundDevice, ...]:
    """Give the devices there are.

    Raises
    ------
    BadInput : the library PortAudio is not there.
    """
    return tuple(
        SoundDevice(
            name=str(each["name"]),
            inputs=int(each["max_input_channels"]),
            outputs=int(each["max_output_channels"]),
        )
        for each in _library().query_devices()
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """What was played: ``underruns`` is how often the card ran dry, which is heard as a gap."""

    duration_s: float
    underruns: int


def play(
    tones: TestTones,
    device: str | None,
    *,
    sample_rate_hz: float,
    progress: Callable[[float], None] = lambda share: None,
) -> Played:
    """Play a signal to its end, on one channel: the system gives it to all of the device.

    Parameters
    ----------
    device : its name, as the system gives it
    progress : called with the share done

    Raises
    ------
    BadInput : no such device, or not at that rate. HardwareFault : it stopped by itself.
    """
    library = _library()
    name = _named(device, "output")
    rate_hz = float(sample_rate_hz)
    total = round(tones.duration_s * rate_hz)
    silence = round(SILENCE_S * rate_hz)
    flags = library.CallbackFlags()
    state = {"at": -silence, "underruns": 0}
    done = threading.Event()

    def give(outdata: Any, count: int, _time: Any, status: Any) -> None:
        nonlocal flags
        flags |= status
        if status.output_underflow and 0 < state["at"] < total:
            state["underruns"] += 1
        outdata[:] = tones.samples(state["at"], count, rate_hz)[:, None]
        state["at"] += count
        if state["at"] >= total + silence:
            raise library.CallbackStop

    stream = _started(library.OutputStream, name, "output", rate_hz, give, done.set)
    with contextlib.closing(stream):
        last, moved_s = state["at"] - 1, time.monotonic()
        while not done.wait(_POLL_S):
            if state["at"] != last:
                last, moved_s = state["at"], time.monotonic()
            elif time.monotonic() - moved_s > SILENT_S:
                raise _gone(name, max(last, 0) / rate_hz)
            progress(min(max(last / total, 0.0), 1.0))
    return Played(duration_s=total / rate_hz, underruns=state["underruns"])


class SoundInput:
    """Audio from the sound card, in blocks; a context manager.

    Parameters
    ----------
    device : its name, as the system gives it
    sample_rate_hz : asked of the card

    Raises
    ------
    BadInput : no such device, or not at that rate.

    Notes
    -----
    Blocks are float32, shape (n,), full scale 1: the first channel. ``overruns`` counts calls with
    a flag, ``lost`` samples that are missing.
    """

    def __init__(self, device: str | None, *, sample_rate_hz: float) -> None:
        self._library = _library()
        self.name = _named(device, "input")
        self.sample_rate_hz = float(sample_rate_hz)
        self.flags = self._library.CallbackFlags()
        self.overruns = 0
        self.lost = 0
        self._queue: queue.Queue[Block] = queue.Queue(QUEUE_BLOCKS)
        self._at = 0
        self._missing = 0
        self._expected_adc_s: float | None = None
        self._arrived_s = time.monotonic()
        self._stream: Any = None

    def __enter__(self) -> SoundInput:
        """Begin to listen: the next sample is sample 0."""
        self._stream = _started(
            self._library.InputStream,
            self.name,
            "input",
            self.sample_rate_hz,
            self._take,
            lambda: None,
        )
        return self

    def __exit__(self, *exc: object) -> None:
        """Stop listening."""
        self._stream.close()

    def blocks(self, duration_s: float | None = None) -> Iterator[Block]:
        """Give what comes, until so much time has been heard; without, until one is tired of it.

        Raises
        ------
        HardwareFault : nothing comes any more.
        """
        total = None if duration_s is None else round(duration_s * self.sample_rate_hz)
        at = 0
        while total is None or at < total:
            try:
                block = self._queue.get(timeout=SILENT_S)
            except queue.Empty:
                raise _gone(self.name, at / self.sample_rate_hz) from None
            if total is not None and block.end > total:
                if block.start >= total:
                    return
                block = Block(
                    block.samples[: total - block.start],
                    block.start,
                    block.sample_rate_hz,
                    block.lost_before,
                )
            at = block.end
            self.lost += block.lost_before
            yield block

    def take(self, timeout_s: float) -> Block | None:
        """Give the next block that came, or None where none came in time."""
        try:
            block = self._queue.get(timeout=timeout_s) if timeout_s else self._queue.get_nowait()
        except queue.Empty:
            return None
        self.lost += block.lost_before
        return block

    @property
    def position(self) -> int:
        """The sample that is taken now: by the last arrival and the latency that the card tells.

        No earlier a one, so far as the card tells it right: what is set now holds from there.
        """
        late_s = 0.0 if self._stream is None else float(self._stream.latency)
        since_s = time.monotonic() - self._arrived_s
        return self._at + self._missing + math.ceil((since_s + late_s) * self.sample_rate_hz)

    def _take(self, indata: Any, count: int, stamps: Any, status: Any) -> None:
        self._arrived_s = time.monotonic()
        self.flags |= status
        if status.input_overflow:
            self.overruns += 1
            self._missing += self._late(float(stamps.inputBufferAdcTime))
        self._expected_adc_s = float(stamps.inputBufferAdcTime) + count / self.sample_rate_hz
        start = self._at + self._missing
        # The memory is used again as soon as this returns.
        samples = indata[:, 0].copy()
        samples.flags.writeable = False
        try:
            self._queue.put_nowait(Block(samples, start, self.sample_rate_hz, self._missing))
            self._missing = 0
            self._at = start + count
        except queue.Full:
            self._missing += count

    def _late(self, adc_s: float) -> int:
        """Give how many samples are missing before a call with an overrun: one at least."""
        if self._expected_adc_s is None or adc_s <= 0.0:
            return 1
        return max(1, round((adc_s - self._expected_adc_s) * self.sample_rate_hz))


def _started(
    kind: Any,
    name: str,
    direction: str,
    rate_hz: float,
    callback: Callable[[Any, int, Any, Any], None],
    finished: Callable[[], None],
) -> Any:
    library = _library()
    number = _number(name, direction)
    try:
        stream = kind(
            samplerate=rate_hz,
            device=number,
            channels=1,
            dtype="float32",
            latency="high",
            blocksize=BLOCK_SAMPLES,
            callback=callback,
            finished_callback=finished,
        )
        stream.start()
    except (library.PortAudioError, ValueError) as fault:
        raise BadInput(
            f"cannot be opened at {rate_hz:g} samples a second ({_reason(fault)})",
            f"{WHERE} {name}",
            "Is it in use by another program, or of another rate? Set sample_rate_hz in [sound].",
        ) from fault
    return stream


def _named(device: str | None, direction: str) -> str:
    """Give a name that one device has."""
    if device is None:
        raise BadInput(
            f"no {direction} device is named",
            WHERE,
            f"Write {direction}_device into [sound] of the bench file: {_choice(direction)}.",
        )
    _number(device, direction)
    return device


def _number(name: str, direction: str) -> int:
    """Give the number that a device has just now; it changes with what is plugged in.

    Raises
    ------
    BadInput : none has the name, or several have.
    """
    found = [
        number
        for number, each in enumerate(sound_devices())
        if each.name == name and getattr(each, f"{direction}s")
    ]
    if len(found) == 1:
        return found[0]
    what = "several devices are called" if found else f"no {direction} device is called"
    raise BadInput(f'{what} "{name}"', WHERE, f"There is: {_choice(direction)}.")


def _choice(direction: str) -> str:
    names = [each.name for each in sound_devices() if getattr(each, f"{direction}s")]
    return ", ".join(f'"{name}"' for name in names) or f"no {direction} device at all"


def _gone(name: str, at_s: float) -> HardwareFault:
    return HardwareFault(
        f"nothing for {SILENT_S:g} s at {at_s:.1f} s into it; unplugged?",
        f"{WHERE} {name}",
        "All up to there is kept. Plug it in and start again.",
    )


def _library() -> Any:
    # Loads PortAudio as it is imported, and looks for devices.
    try:
        import sounddevice
    except OSError as fault:
        raise BadInput(
            "the library PortAudio is not there",
            WHERE,
            "Install the system's package libportaudio2.",
        ) from fault
    return sounddevice


def _reason(fault: Exception) -> str:
    text = str(fault.args[0]) if fault.args else type(fault).__name__
    return one_line(text).rstrip(".")
