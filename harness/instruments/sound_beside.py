"""A sound card beside receivers: its audio is one more stream of their takes.

The card runs from opening to closing on its own clock. A take counts from the sample that is taken
when it begins, known to about a tenth of a second by the card's own word for its latency: enough
for steps whose first fifths of a second are left out, too little for a time to be measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from typing import Protocol

from harness.blocks import Block
from harness.closing import Closing
from harness.devices import Role, RunningSource, StreamInfo
from harness.errors import HardwareFault
from harness.instruments.sound_card import SILENT_S, WHERE

SKEW_UNCERTAINTY_S = 0.1
"""Standard uncertainty of when its take begins against the receivers'. Chosen: what is left of a
usual card's latency where its driver tells it wrongly."""
BEHIND_S = 0.5
"""So long is waited for audio that the receivers' samples have passed. Chosen: longer than the
latency of any card."""


class SoundStream(Protocol):
    """The input of a sound card: ``sound_card.SoundInput``."""

    name: str
    sample_rate_hz: float

    def __enter__(self) -> object:
        """Begin to listen."""
        ...

    def __exit__(self, *exc: object) -> None:
        """Stop listening."""
        ...

    def take(self, timeout_s: float) -> Block | None:
        """Give the next block, or None where none came in time."""
        ...

    @property
    def position(self) -> int:
        """The sample that is taken now, no earlier a one."""
        ...


class SoundBeside(Closing):
    """Receivers and a sound card as one source; a SampleSource, StreamClock and context manager.

    Parameters
    ----------
    source : of the receivers; open, and closed by whoever opened it
    card : closed here

    Raises
    ------
    BadInput : the card cannot be opened.
    """

    def __init__(self, source: RunningSource, card: SoundStream) -> None:
        self._source = source
        self._card = card
        self._origin: int | None = None
        self._end = 0
        self._quiet_s = 0.0
        with ExitStack() as opened:
            opened.enter_context(card)
            self._opened = opened.pop_all()

    def close(self) -> None:
        """Stop listening; allowed any number of times."""
        self._opened.close()

    @property
    def streams(self) -> Mapping[Role, StreamInfo]:
        """The receivers' streams, and the card's as "audio"."""
        info = StreamInfo(
            role="audio",
            datatype="rf32_le",
            sample_rate_hz=self._card.sample_rate_hz,
            centre_hz=0.0,
            hardware=f"sound card {self._card.name}",
            skew_s=0.0,
            skew_uncertainty_s=SKEW_UNCERTAINTY_S,
        )
        return {**self._source.streams, "audio": info}

    def start(self) -> None:
        """Begin a take: sample 0 of each stream is taken now."""
        # What waited since the take before is of no take.
        while self._card.take(0.0) is not None:
            pass
        self._source.start()
        self._origin = self._card.position
        self._end = self._origin
        self._quiet_s = 0.0

    def read(self, until_s: float) -> Mapping[Role, list[Block]]:
        """Wait for what is sampled up to ``until_s`` and give it.

        Raises
        ------
        HardwareFault : a receiver or the card fell silent.
        """
        if self._origin is None:
            raise ValueError("no take is running: start() one first")
        given = dict(self._source.read(until_s))
        wanted = self._origin + round(until_s * self._card.sample_rate_hz)
        given["audio"] = []
        while self._end < wanted:
            block = self._card.take(BEHIND_S)
            if block is None:
                self._quiet_s += BEHIND_S
                break
            self._quiet_s = 0.0
            self._end = max(self._end, block.end)
            if block.end > self._origin:
                given["audio"].append(_from(block, self._origin))
        if self._quiet_s >= SILENT_S:
            raise HardwareFault(
                f"nothing for {SILENT_S:g} s at {until_s:.1f} s into the take; unplugged?",
                f"{WHERE} {self._card.name}",
                "All up to there is kept. Plug it in and start again.",
            )
        return given

    def stop(self) -> None:
        """End the take; the devices stay open."""
        self._origin = None
        self._source.stop()

    def position(self) -> Mapping[Role, int]:
        """Give the sample of the take that each stream takes now; the card's no earlier a one."""
        origin = self._origin if self._origin is not None else self._card.position
        return {**self._source.position(), "audio": max(self._card.position - origin, 0)}


def _from(block: Block, origin: int) -> Block:
    """Count a block from the take's first sample, what came before it cut off."""
    cut = max(origin - block.start, 0)
    start = block.start + cut - origin
    lost = 0 if cut else min(block.lost_before, start)
    return Block(block.samples[cut:], start, block.sample_rate_hz, lost)
