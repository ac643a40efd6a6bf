"""What flows through the bench, and the shape of what it flows through.

A block knows where it stands: the time of sample k is ``(start + k) / sample_rate_hz``, never a
sum of block lengths. A stage takes blocks and gives blocks, removes its own delay, and gives the
same bits however its input was cut, because it works in frames of its own counted from sample 0.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Block:
    """A run of samples and its place in the recording.

    Parameters
    ----------
    samples : array, shape (n,) or, for undecoded IQ, shape (n, 2); n may be 0; read-only by custom
    start : int
        Index of ``samples[0]`` at ``sample_rate_hz``, counted from the start of the recording.
    sample_rate_hz : float, above 0
    lost_before : int
        Samples (at ``sample_rate_hz``) missing just before ``samples[0]``; ``start`` counts them.
    """

    samples: NDArray[Any]
    start: int
    sample_rate_hz: float
    lost_before: int = 0

    @property
    def end(self) -> int:
        """Index one past the last sample."""
        return self.start + len(self.samples)

    @property
    def start_s(self) -> float:
        """Time of the first sample in seconds from the start of the recording."""
        return self.start / self.sample_rate_hz


class Stage(Protocol):
    """Something that blocks flow through."""

    def push(self, block: Block) -> list[Block]:
        """Take a block; give what is ready: often one, none while filling, two across a gap."""
        ...

    def finish(self) -> list[Block]:
        """Give what is still inside."""
        ...


def flow(blocks: Iterable[Block], *stages: Stage) -> Iterator[Block]:
    """Run blocks through stages in order and give what comes out of the last."""
    for block in blocks:
        yield from _pass_on([block], stages)
    for position, stage in enumerate(stages):
        yield from _pass_on(stage.finish(), stages[position + 1 :])


def _pass_on(blocks: list[Block], stages: tuple[Stage, ...]) -> list[Block]:
    for stage in stages:
        blocks = [given for block in blocks for given in stage.push(block)]
    return blocks


class Frames:
    """Cut a stream of blocks into frames of fixed length, counted from its first sample.

    The first frame, at the start and after each gap, begins at the first sample whose absolute
    number is a multiple of ``align``; each further one ``hop`` later. The same recording so
    gives the same frames however it was cut.

    Parameters
    ----------
    length, hop : int, 1 <= hop <= length; the frames overlap by ``length - hop``
    align : int, at least 1

    Notes
    -----
    Memory: one frame and one block. A frame never reaches across a gap.
    """

    def __init__(self, length: int, hop: int | None = None, align: int = 1) -> None:
        hop = length if hop is None else hop
        if not 1 <= hop <= length or align < 1:
            raise ValueError(f"{length=}, {hop=}, {align=}: need 1 <= hop <= length, align >= 1")
        self.length = length
        self.hop = hop
        self.align = align
        self._queue: list[NDArray[Any]] = []
        self._queued = 0
        self._start = 0
        self._skip = 0
        self._expected: int | None = None
        self._rate_hz = 0.0
        self._lost = 0

    def interrupted_by(self, block: Block) -> bool:
        """Whether samples are missing between what is queued and this block."""
        return self._expected is not None and (
            block.lost_before > 0 or block.start != self._expected
        )

    def push(self, block: Block) -> list[Block]:
        """Take a block; give the frames that are complete, each of ``length`` samples.

        What a gap leaves unfinished is dropped: ask ``interrupted_by`` and take ``rest`` first
        where it matters. The first frame after a gap says in ``lost_before`` what is missing.
        """
        if self._expected is None or self.interrupted_by(block):
            if self._expected is not None:
                self._lost += max(block.lost_before, block.start - self._expected, 1)
            self._queue, self._queued, self._start = [], 0, block.start
            self._skip = -block.start % self.align
        self._rate_hz = block.sample_rate_hz
        self._expected = block.end
        if len(block.samples):
            self._queue.append(block.samples)
            self._queued += len(block.samples)
        if self._queued < self._skip + self.length:
            return []
        samples = np.concatenate(self._queue)
        frames = []
        position = self._skip
        while position + self.length <= len(samples):
            cut = samples[position : position + self.length]
            frames.append(Block(cut, self._start + position, self._rate_hz, self._take_lost()))
            position += self.hop
        self._queue = [samples[position:]]
        self._queued = len(samples) - position
        self._start += position
        self._skip = 0
        return frames

    def rest(self) -> Block | None:
        """Give and forget what is queued: less than a frame, or None when there is nothing."""
        samples = np.concatenate(self._queue)[self._skip :] if self._queued else None
        start = self._start + self._skip
        self._queue, self._queued = [], 0
        if samples is None or not len(samples):
            return None
        return Block(samples, start, self._rate_hz, self._take_lost())

    def _take_lost(self) -> int:
        lost, self._lost = self._lost, 0
        return lost
