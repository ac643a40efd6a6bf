"""A span of a channel on its way into frames of audio: cut, demodulated, measured."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block, Frames
from harness.dsp.demodulate import HALF_TAPS, demodulated_frequency_hz
from harness.measure.audio_frame import AudioFrame, Radio, audio_frame
from harness.measure.frames import keyed_frame
from harness.measure.modulation import tone_frame
from harness.measure.setup import Channel, Options
from harness.measure.steps import piece
from harness.measure.stimulus import StimulusTrack

FRAME_S = 0.5
LEAST_FRAME_S = 0.1
KEYED_RANGE = 0.25
"""A frame whose weakest grain lies below this share of the strongest frame's carrier is left
out: the transmitter was not keyed all through. Chosen."""


class AudioSpan:
    """The frames of one span of a channel, cut as they come.

    Parameters
    ----------
    first, last : samples of the channel, the last not included; None for all there is
    track : takes the tones of the frames too, where there is one
    frame_s : about how long a frame is
    """

    def __init__(
        self,
        channel: Channel,
        options: Options,
        first: int,
        last: int | None,
        track: StimulusTrack | None,
        frame_s: float = FRAME_S,
    ) -> None:
        self._channel = channel
        self._options = options
        self._first = first
        self._last = last
        rate_hz = channel.sample_rate_hz
        length = max(round(frame_s * rate_hz), 1)
        if last is not None:
            whole = max(last - first, 1)
            length = max(whole // max(round(whole / length), 1), 1)
        self._margin = 2 * HALF_TAPS if channel.signal == "iq" else 0
        length = max(length - self._margin, 1)
        if last is None:
            length = _quickly_transformed(length)
        self._frames = Frames(length + self._margin, length)
        self.frames: list[AudioFrame] = []
        self._track = track

    def push(self, block: Block) -> None:
        """Take a channel block; what lies outside the span is left."""
        last = block.end if self._last is None else self._last
        part = piece(block, self._first, last)
        if part is None:
            return
        if self._frames.interrupted_by(part):
            self._end_stretch()
        for frame in self._frames.push(part):
            self._measure(frame)

    def finish(self) -> None:
        """Take what is still inside."""
        self._end_stretch()

    def _end_stretch(self) -> None:
        rest = self._frames.rest()
        # A last piece counts for little beside whole frames, but may hold a tone of its own.
        if rest is not None:
            self._measure(rest, is_kept=not self.frames)

    def _measure(self, frame: Block, *, is_kept: bool = True) -> None:
        rate_hz = self._channel.sample_rate_hz
        samples: NDArray[Any] = frame.samples
        audio, radio = samples, Radio()
        if self._channel.signal == "iq":
            if len(samples) <= self._margin:
                return
            keyed = keyed_frame(samples, rate_hz)
            if keyed is None or not keyed.holds_carrier:
                return
            radio = Radio(
                carrier_power=keyed.carrier_power,
                noise_power=max(keyed.second - keyed.carrier_power, 0.0),
                weakest_power=keyed.lowest,
            )
            audio = demodulated_frequency_hz(samples, rate_hz)
        if len(audio) < LEAST_FRAME_S * rate_hz:
            return
        audio = np.asarray(audio, dtype=np.float64)
        found = tone_frame(audio, rate_hz)
        if found is None:
            return
        measured_frame = audio_frame(
            audio,
            rate_hz,
            found,
            de_emphasis=self._options.de_emphasis,
            radio=radio,
            start_s=(frame.start + self._margin // 2) / rate_hz + self._channel.skew_s,
        )
        if is_kept:
            self.frames.append(measured_frame)
        if self._track is not None:
            self._track.add(audio, found, measured_frame)


def _quickly_transformed(most: int) -> int:
    """Give the largest length up to ``most`` with no prime factor above 7."""
    for length in range(most, 1, -1):
        rest = length
        for prime in (2, 3, 5, 7):
            while rest % prime == 0:
                rest //= prime
        if rest == 1:
            return length
    return 1


def kept_frames(spans: Sequence[AudioSpan]) -> list[list[AudioFrame]]:
    """Frames of each span with the transmitter keyed all through."""
    frames = [frame for span in spans for frame in span.frames]
    least = KEYED_RANGE * max((frame.carrier_power for frame in frames), default=0.0)
    return [[f for f in span.frames if f.weakest_power >= least] for span in spans]
