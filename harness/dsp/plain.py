"""The channel by matrix products: the way without a compiler, and the check of the compiled one.

Sums over taps are matrix products: the samples as rows of ``decimation`` columns, times the taps
cut into as many pieces as rows overlap, then the pieces added along the diagonal. Frames have a
fixed size, so that the cut of the blocks never shows in the bits.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block, Frames
from harness.dsp.decode import clipped_samples, coding, decode
from harness.dsp.plan import ChannelPlan, turned_taps

FRAME_SAMPLES = 49152
"""Recording samples per frame of the first filter. Chosen: long enough that the cost of a call
does not show, short enough for the cache."""


def _pieces(
    taps: NDArray[np.complex128], decimation: int, rows_each_side: int
) -> NDArray[np.complex128]:
    """Cut taps into columns of ``decimation`` rows, filled up with zeros on both sides."""
    count = 2 * rows_each_side + 1
    filled = np.zeros(count * decimation, dtype=np.complex128)
    before = rows_each_side * decimation - len(taps) // 2
    filled[before : before + len(taps)] = taps
    return filled.reshape(count, decimation).T


def _diagonal_sum(products: NDArray[np.float32], outputs: int) -> NDArray[np.float32]:
    """Add ``products[j, k + j]`` over the pieces j, for the outputs k."""
    total = products[0, :outputs].copy()
    for piece in range(1, len(products)):
        total += products[piece, piece : piece + outputs]
    return total


class PlainReceiver:
    """A stage as ``channel.ChannelReceiver`` describes it. State: two queues."""

    def __init__(self, datatype: str, plan: ChannelPlan) -> None:
        coding(datatype)
        self._datatype = datatype
        self.plan = plan
        self.clipped = 0
        # Samples missing before a stretch that was too short to give anything.
        self._lost_unsaid = 0
        first, second = plan.first_decimation, plan.second_decimation
        self._turn_per_sample = plan.turns_per_sample
        pieces = _pieces(turned_taps(plan, datatype).taps, first, plan.first_rows)
        self._first_matrix = _real_matrix(pieces)
        self._first_pieces = pieces.shape[1]
        outputs = max(FRAME_SAMPLES // first, self._first_pieces)
        self._first = Frames((outputs + self._first_pieces - 1) * first, outputs * first, first)
        pieces = _pieces(plan.second_taps.astype(np.complex128), second, plan.second_rows)
        self._second_matrix = np.ascontiguousarray(pieces.real.T.astype(np.float32))
        self._second_pieces = pieces.shape[1]
        rows = max(outputs // second, self._second_pieces)
        self._second = Frames((rows + self._second_pieces - 1) * second, rows * second, second)

    def push(self, block: Block) -> list[Block]:
        """Take an undecoded block; give the channel blocks that are complete."""
        self.clipped += clipped_samples(block.samples, self._datatype)
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
        if rest is not None:
            if len(rest.samples) >= self._first_pieces * self.plan.first_decimation:
                given += self._narrow(self._shift(rest))
            else:
                self._lost_unsaid += rest.lost_before
        rest = self._second.rest()
        if rest is not None:
            if len(rest.samples) >= self._second_pieces * self.plan.second_decimation:
                given.append(self._select(rest))
            else:
                self._lost_unsaid += rest.lost_before * self.plan.first_decimation
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
        start = frame.start // decimation + self.plan.first_rows
        turns = np.arange(start, start + outputs) * (self._turn_per_sample * decimation)
        iq *= np.exp(-2j * np.pi * (turns % 1.0)).astype(np.complex64)
        lost = -(-(frame.lost_before + self._lost_unsaid) // decimation)
        self._lost_unsaid = 0
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
        start = frame.start // decimation + self.plan.second_rows
        lost = -(-frame.lost_before // decimation)
        return Block(selected, start, self.plan.channel_rate_hz, lost)


def _real_matrix(pieces: NDArray[np.complex128]) -> NDArray[np.float32]:
    """Write complex taps as a real matrix: rows real then imaginary, columns I and Q in turn."""
    rows, count = pieces.shape
    matrix = np.empty((2 * rows, 2 * count))
    matrix[0::2, :count], matrix[1::2, :count] = pieces.real, -pieces.imag
    matrix[0::2, count:], matrix[1::2, count:] = pieces.imag, pieces.real
    return np.ascontiguousarray(matrix.T.astype(np.float32))
