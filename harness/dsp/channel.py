"""One channel out of a recording: shift, filter, decimate. The engine's seam.

Undecoded blocks in, complex64 channel blocks out; ``ChannelReceiver`` is the one stage that
everything uses. Two filters, both symmetric, both with their delay removed:

1. The first shifts and decimates by ``first_decimation``: its taps are a low-pass turned up to
   the channel, so that it works on the samples as they are; what comes out is turned down to
   0 Hz at the low rate. It rejects only what would alias onto the channel.
2. The second decimates to the channel rate and is the channel's selectivity: flat to 0.6 of the
   spacing, 90 dB down from 0.9 of it.

Sums over taps are matrix products: the samples as rows of ``decimation`` columns, times the taps
cut into as many pieces as rows overlap, then the pieces added along the diagonal. Frames have a
fixed size, so that the cut of the blocks never shows in the bits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block, Frames
from harness.dsp.decode import coding, decode

STOPBAND_DB = 90.0
"""Rejection by design: 80 dB is promised (issue), 10 dB in hand for ripple adding up. Chosen."""
PASSBAND_SPACINGS = 0.6
STOPBAND_SPACINGS = 0.9
FRAME_SAMPLES = 49152
"""Recording samples per frame of the first filter. Chosen: long enough that the cost of a call
does not show, short enough for the cache."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelPlan:
    """How a channel is taken out of a recording.

    Parameters
    ----------
    sample_rate_hz : float, of the recording, true
    offset_hz : float, of the channel from the recording's true centre
    spacing_hz : float
    first_decimation, second_decimation : int
    first_taps, second_taps : float64, symmetric, odd length; ``(length - 1) / 2`` is a multiple
        of the decimation, so that outputs fall on input samples
    """

    sample_rate_hz: float
    offset_hz: float
    spacing_hz: float
    first_decimation: int
    second_decimation: int
    first_taps: NDArray[np.float64]
    second_taps: NDArray[np.float64]

    @property
    def decimation(self) -> int:
        """Recording samples per channel sample."""
        return self.first_decimation * self.second_decimation

    @property
    def channel_rate_hz(self) -> float:
        """Rate of the channel blocks."""
        return self.sample_rate_hz / self.decimation

    @property
    def settling_samples(self) -> int:
        """Channel samples lost at each end of an uninterrupted stretch."""
        half = (len(self.first_taps) // 2) / self.first_decimation
        return math.ceil((half + len(self.second_taps) // 2) / self.second_decimation)


def plan_channel(sample_rate_hz: float, offset_hz: float, spacing_hz: float) -> ChannelPlan:
    """Plan the filters for a channel.

    Parameters
    ----------
    sample_rate_hz, spacing_hz : float, above 0; the rate at least 1.2 times the spacing
    offset_hz : float; the channel must lie within the recording

    Raises
    ------
    ValueError : the channel does not fit into the recording's band.

    Notes
    -----
    The channel rate is the lowest that is a whole part of the recording's rate and at least
    twice the spacing, or the recording's own where that is lower.
    """
    if not sample_rate_hz >= 2 * PASSBAND_SPACINGS * spacing_hz > 0:
        raise ValueError(f"{spacing_hz=} does not fit into {sample_rate_hz=}")
    if not abs(offset_hz) + PASSBAND_SPACINGS * spacing_hz <= sample_rate_hz / 2:
        raise ValueError(f"{offset_hz=} with {spacing_hz=} lies outside {sample_rate_hz=}")
    first, second = _decimations(max(int(sample_rate_hz / (2 * spacing_hz) + 1e-6), 1))
    middle_rate_hz = sample_rate_hz / first
    pass_hz = PASSBAND_SPACINGS * spacing_hz
    stop_hz = min(STOPBAND_SPACINGS * spacing_hz, 0.98 * middle_rate_hz - pass_hz)
    first_taps = (
        np.ones(1)
        if first == 1
        else lowpass_taps(pass_hz, middle_rate_hz - stop_hz, sample_rate_hz, first)
    )
    return ChannelPlan(
        sample_rate_hz=sample_rate_hz,
        offset_hz=offset_hz,
        spacing_hz=spacing_hz,
        first_decimation=first,
        second_decimation=second,
        first_taps=first_taps,
        second_taps=lowpass_taps(pass_hz, stop_hz, middle_rate_hz, second),
    )


def _decimations(most: int) -> tuple[int, int]:
    """Split a decimation: the second from 2 to 5, the product as large as may be."""
    if most < 4:
        return 1, most
    return max(((most // second, second) for second in (4, 5, 3, 2)), key=lambda p: p[0] * p[1])


def lowpass_taps(
    pass_hz: float, stop_hz: float, sample_rate_hz: float, decimation: int
) -> NDArray[np.float64]:
    """Give a symmetric low-pass with unit gain at 0 Hz, half its length a multiple of decimation.

    References
    ----------
    Kaiser's design of window and length: Oppenheim & Schafer, Discrete-Time Signal Processing,
    section 7.6 of the third edition (formulas from memory; the rejection is tested).
    """
    width = (stop_hz - pass_hz) / sample_rate_hz
    length = (STOPBAND_DB - 7.95) / (14.36 * width) + 1
    half = decimation * math.ceil(length / 2 / decimation)
    n = np.arange(-half, half + 1)
    cutoff = (pass_hz + stop_hz) / sample_rate_hz
    taps = cutoff * np.sinc(cutoff * n) * np.kaiser(len(n), 0.1102 * (STOPBAND_DB - 8.7))
    return np.asarray(taps / taps.sum(), dtype=np.float64)


def _pieces(taps: NDArray[np.complex128], decimation: int) -> NDArray[np.complex128]:
    """Cut taps into columns of ``decimation`` rows, the last filled up with zeros."""
    count = len(taps) // decimation + 1
    filled = np.zeros(count * decimation, dtype=np.complex128)
    filled[: len(taps)] = taps
    return filled.reshape(count, decimation).T


def _diagonal_sum(products: NDArray[np.float32], outputs: int) -> NDArray[np.float32]:
    """Add ``products[j, k + j]`` over the pieces j, for the outputs k."""
    total = products[0, :outputs].copy()
    for piece in range(1, len(products)):
        total += products[piece, piece : piece + outputs]
    return total


class ChannelReceiver:
    """A stage: undecoded blocks of a recording in, complex64 channel blocks out.

    Channel sample k belongs to time ``k / channel_rate_hz`` of the recording. Where the filters
    are not yet filled, at the ends and beside a gap, nothing is given. State: two queues.

    Parameters
    ----------
    datatype : SigMF datatype of the blocks' samples, shape (n, 2)
    plan : ChannelPlan
    """

    def __init__(self, datatype: str, plan: ChannelPlan) -> None:
        coding(datatype)
        self._datatype = datatype
        self.plan = plan
        first, second = plan.first_decimation, plan.second_decimation
        self._turn_per_sample = plan.offset_hz / plan.sample_rate_hz
        half = len(plan.first_taps) // 2
        n = np.arange(-half, half + 1)
        turned = plan.first_taps * np.exp(-2j * np.pi * self._turn_per_sample * n)
        pieces = _pieces(turned, first)
        self._first_matrix = _real_matrix(pieces)
        self._first_pieces = pieces.shape[1]
        outputs = max(FRAME_SAMPLES // first, self._first_pieces)
        self._first = Frames((outputs + self._first_pieces - 1) * first, outputs * first, first)
        pieces = _pieces(plan.second_taps.astype(np.complex128), second)
        self._second_matrix = np.ascontiguousarray(pieces.real.T.astype(np.float32))
        self._second_pieces = pieces.shape[1]
        rows = max(outputs // second, self._second_pieces)
        self._second = Frames((rows + self._second_pieces - 1) * second, rows * second, second)

    def push(self, block: Block) -> list[Block]:
        """Take an undecoded block; give the channel blocks that are complete."""
        given = self._flush() if self._first.interrupted_by(block) else []
        for frame in self._first.push(block):
            given += self._narrow(self._shift(frame))
        return given

    def finish(self) -> list[Block]:
        """Give what is still inside."""
        return self._flush()

    def _flush(self) -> list[Block]:
        given: list[Block] = []
        rest = self._first.rest()
        if (
            rest is not None
            and len(rest.samples) >= self._first_pieces * self.plan.first_decimation
        ):
            given += self._narrow(self._shift(rest))
        rest = self._second.rest()
        if (
            rest is not None
            and len(rest.samples) >= self._second_pieces * self.plan.second_decimation
        ):
            given.append(self._select(rest))
        return given

    def _shift(self, frame: Block) -> Block:
        """First filter: decode, turn the channel to 0 Hz, decimate."""
        decimation = self.plan.first_decimation
        rows = len(frame.samples) // decimation
        numbers = decode(frame.samples[: rows * decimation], self._datatype)
        products = self._first_matrix @ numbers.reshape(rows, 2 * decimation).T
        outputs = rows - self._first_pieces + 1
        iq = np.empty(outputs, dtype=np.complex64)
        iq.real = _diagonal_sum(products[: self._first_pieces], outputs)
        iq.imag = _diagonal_sum(products[self._first_pieces :], outputs)
        start = frame.start // decimation + len(self.plan.first_taps) // 2 // decimation
        turns = np.arange(start, start + outputs) * (self._turn_per_sample * decimation)
        iq *= np.exp(-2j * np.pi * (turns % 1.0)).astype(np.complex64)
        lost = -(-frame.lost_before // decimation)
        return Block(iq, start, frame.sample_rate_hz / decimation, lost)

    def _narrow(self, block: Block) -> list[Block]:
        return [self._select(frame) for frame in self._second.push(block)]

    def _select(self, frame: Block) -> Block:
        """Second filter: the channel's selectivity, decimate to the channel rate."""
        decimation = self.plan.second_decimation
        rows = len(frame.samples) // decimation
        iq = frame.samples[: rows * decimation].reshape(rows, decimation)
        outputs = rows - self._second_pieces + 1
        selected = np.empty(outputs, dtype=np.complex64)
        selected.real = _diagonal_sum(self._second_matrix @ iq.real.T, outputs)
        selected.imag = _diagonal_sum(self._second_matrix @ iq.imag.T, outputs)
        start = frame.start // decimation + len(self.plan.second_taps) // 2 // decimation
        lost = -(-frame.lost_before // decimation)
        return Block(selected, start, self.plan.channel_rate_hz, lost)


def _real_matrix(pieces: NDArray[np.complex128]) -> NDArray[np.float32]:
    """Write complex taps as a real matrix: rows real then imaginary, columns I and Q in turn."""
    rows, count = pieces.shape
    matrix = np.empty((2 * rows, 2 * count))
    matrix[0::2, :count], matrix[1::2, :count] = pieces.real, -pieces.imag
    matrix[0::2, count:], matrix[1::2, count:] = pieces.imag, pieces.real
    return np.ascontiguousarray(matrix.T.astype(np.float32))
