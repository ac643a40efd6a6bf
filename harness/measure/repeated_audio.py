"""The repeated audio of an output channel, kept as long as one carrier is on.

Channel blocks are demodulated, taken down to an audio rate and kept, at most ten seconds: what
is asked for afterwards is the end of a keying. Memory: that, and nothing else.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block, Frames
from harness.dsp.demodulate import Discriminator
from harness.dsp.plan import lowpass_taps
from harness.measure.tail import AUDIO_RATE_HZ, LONGEST_S

FloatArray = NDArray[np.float64]
ROWS = 512
PASS_SHARE, STOP_SHARE = 0.3, 0.55
"""Of the audio's rate: speech passes, and what folds lies above it. Chosen."""


class RepeatedAudio:
    """Complex blocks in; the demodulated frequency of the last ten seconds out.

    Parameters
    ----------
    sample_rate_hz : float, of the channel blocks
    """

    def __init__(self, sample_rate_hz: float) -> None:
        self._decimation = max(round(sample_rate_hz / AUDIO_RATE_HZ), 1)
        self.rate_hz = sample_rate_hz / self._decimation
        self._discriminator = Discriminator()
        self._taps = lowpass_taps(
            PASS_SHARE * self.rate_hz, STOP_SHARE * self.rate_hz, sample_rate_hz, self._decimation
        )
        half = len(self._taps) // 2
        hop = ROWS * self._decimation
        self._frames = Frames(hop + 2 * half, hop, align=self._decimation)
        self._kept: list[tuple[int, FloatArray]] = []
        self._most = round(LONGEST_S * self.rate_hz)

    def push(self, block: Block) -> None:
        """Take a complex block."""
        for frequency in self._discriminator.push(block):
            for frame in self._frames.push(frequency):
                self._keep(frame)

    def finish(self) -> None:
        """Take what is still inside the discriminator."""
        for frequency in self._discriminator.finish():
            for frame in self._frames.push(frequency):
                self._keep(frame)
        rest = self._frames.rest()
        if rest is not None and len(rest.samples) >= len(self._taps):
            self._keep(rest)

    @property
    def end_s(self) -> float:
        """Up to when there is audio."""
        if not self._kept:
            return -np.inf
        start, samples = self._kept[-1]
        return (start + len(samples)) / self.rate_hz

    def forget_before(self, time_s: float) -> None:
        """Drop the pieces that end before a time, and what is too old in any case."""
        oldest = max(time_s, self.end_s - LONGEST_S)
        while self._kept and self._end(0) < oldest:
            self._kept.pop(0)

    def between(self, start_s: float, end_s: float) -> tuple[FloatArray, float] | None:
        """Give the audio of a time without a gap in it, and when it begins; None if not there."""
        first, last = round(start_s * self.rate_hz), round(end_s * self.rate_hz)
        pieces: list[FloatArray] = []
        position: int | None = None
        begin = first
        for start, samples in self._kept:
            if start + len(samples) <= first or start >= last:
                continue
            if position is None or start != position:
                pieces, begin = [], max(start, first)
            pieces.append(samples[max(first - start, 0) : max(last - start, 0)])
            position = start + len(samples)
        if not pieces:
            return None
        return np.concatenate(pieces), begin / self.rate_hz

    def _keep(self, frame: Block) -> None:
        half = len(self._taps) // 2
        outputs = (len(frame.samples) - 2 * half + self._decimation - 1) // self._decimation
        lowered = np.convolve(frame.samples, self._taps, mode="valid")[:: self._decimation]
        start = frame.start + half
        assert start % self._decimation == 0
        self._kept.append((start // self._decimation, lowered[:outputs]))
        self.forget_before(-np.inf)

    def _end(self, number: int) -> float:
        start, samples = self._kept[number]
        return (start + len(samples)) / self.rate_hz
