"""The squelch tails of an output: its keying, its audio, a search at each falling edge.

Memory: ten seconds of audio, every edge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.blocks import Block, Frames
from harness.measure.keyed_channel import CarrierKeying
from harness.measure.keying import Edge, Keying
from harness.measure.repeated_audio import RepeatedAudio
from harness.measure.setup import Channel
from harness.measure.tail import EDGE_S, LONGEST_S, Tail, find_tail, has_tone_to_end, quiet_from_s
from harness.measure.tone_start import ToneStart, ToneStarts

FRAME_SAMPLES = 4096
"""Keying and audio go forward together by so many samples, far less than the audio that is kept:
what is still there when an edge is found must not hang on the cut of the blocks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenTail:
    """What the audio showed before one falling edge of the output, on its recording's clock.

    Without a tail, ``has_tone_to_end`` says whether the test tone was heard up to the edge, and
    ``quiet_from_s`` from when on there was nothing louder than at the end.
    """

    edge_s: float
    tail: Tail | None
    has_tone_to_end: bool = False
    quiet_from_s: float = math.inf


class TailWatch:
    """Keeps the output's audio, and searches it at each falling edge.

    Parameters
    ----------
    channel : the output, complex blocks
    keying : that of the same channel; what is pushed here is pushed on to it
    """

    def __init__(self, channel: Channel, keying: CarrierKeying) -> None:
        self._keying = keying
        self._audio = RepeatedAudio(channel.sample_rate_hz)
        self._starts = ToneStarts(self._audio)
        self._frames = Frames(FRAME_SAMPLES)
        self._rise_s = -math.inf
        self._waiting: list[tuple[float, float]] = []
        self.seen: list[SeenTail] = []

    @property
    def tone_starts(self) -> list[ToneStart]:
        """When the test tone came after silence, with the carrier on, so far."""
        return self._starts.found

    def push(self, block: Block) -> None:
        """Take a block of the output."""
        if self._frames.interrupted_by(block):
            self._take_rest()
        for frame in self._frames.push(block):
            self._take(frame)

    def finish(self) -> Keying:
        """Search what is left; give the keying on the recording's own clock."""
        self._take_rest()
        found = self._keying.finish()
        self._note(self._keying.new_edges())
        self._audio.finish()
        self._starts.look()
        for span in self._waiting:
            self._search(*span)
        self._waiting = []
        return found

    def _take_rest(self) -> None:
        rest = self._frames.rest()
        if rest is not None:
            self._take(rest)

    def _take(self, frame: Block) -> None:
        self._keying.push(frame)
        self._audio.push(frame)
        self._starts.look()
        self._note(self._keying.new_edges())
        while self._waiting and self._waiting[0][1] <= self._audio.end_s:
            self._search(*self._waiting.pop(0))

    def _note(self, edges: Sequence[Edge]) -> None:
        for edge in edges:
            if edge.is_rising:
                self._rise_s = edge.time_s
            else:
                self._waiting.append((self._rise_s, edge.time_s))

    def _search(self, rise_s: float, fall_s: float) -> None:
        begin_s = max(rise_s, fall_s - LONGEST_S) + EDGE_S
        piece = self._audio.between(begin_s, fall_s - EDGE_S)
        if piece is None:
            self.seen.append(SeenTail(edge_s=fall_s, tail=None))
            return
        samples, start_s = piece
        rate_hz = self._audio.rate_hz
        tail = find_tail(samples, rate_hz, start_s)
        self.seen.append(
            SeenTail(
                edge_s=fall_s,
                tail=tail,
                has_tone_to_end=tail is None and has_tone_to_end(samples, rate_hz),
                quiet_from_s=math.inf if tail else quiet_from_s(samples, rate_hz, start_s),
            )
        )
