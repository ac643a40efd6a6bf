"""A bounded queue between the thread that a dongle's samples come on and whoever reads them."""

from __future__ import annotations

import threading
import time
from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block
from harness.instruments.lateness import Lateness

ROOM_S = 8.0
"""How much the queue holds. Chosen: far more than a disk takes its time; 40 MB at 2.4 MS/s."""


class Arrivals:
    """Samples of a running stream, kept while a take is wanted.

    Counted from the start of the stream; a take counts from its own first sample. What the queue
    has no room for and what was lost on the way are missing before the next block.

    Parameters
    ----------
    sample_rate_hz : nominal, of the blocks
    true_rate_hz : with the declared error of the clock
    """

    def __init__(self, sample_rate_hz: float, true_rate_hz: float) -> None:
        self._rate_hz = sample_rate_hz
        self._room = round(ROOM_S * sample_rate_hz)
        self._changed = threading.Condition()
        self._lateness = Lateness(true_rate_hz)
        self._queue: deque[Block] = deque()
        self._queued = 0
        self._end = 0
        self._lost = 0
        self._origin: int | None = None
        self._last_s = time.monotonic()
        self.ended: str | None = None
        self.overrun_samples = 0
        """Samples dropped because nobody took those before them in time."""
        self.lost_samples = 0
        """Samples that never arrived."""
        self.losses = 0
        """How often some did not."""

    def put(self, codes: Any, at_s: float) -> None:
        """Take a buffer of the library's: copied here, since it is used again."""
        samples = np.array(codes, dtype=np.uint8).reshape(-1, 2)
        samples.flags.writeable = False
        with self._changed:
            self._last_s = time.monotonic()
            for arrived in self._lateness.push(samples, at_s):
                self._keep(arrived.samples, arrived.lost_before)
            self._changed.notify_all()

    def _keep(self, samples: NDArray[np.uint8], lost_before: int) -> None:
        self._end += lost_before
        self.lost_samples += lost_before
        self.losses += lost_before > 0
        start, self._end = self._end, self._end + len(samples)
        if self._origin is None or self._end <= self._origin:
            return
        if start < self._origin:
            samples, start = samples[self._origin - start :], self._origin
            lost_before = 0
        elif start - lost_before < self._origin:
            # Missing from the take's first sample on.
            lost_before = start - self._origin
        self._lost += lost_before
        if self._queued + len(samples) > self._room:
            self._lost += len(samples)
            self.overrun_samples += len(samples)
            return
        self._queue.append(Block(samples, start, self._rate_hz, self._lost))
        self._queued += len(samples)
        self._lost = 0

    def end(self, why: str) -> None:
        """Say that nothing will come any more, and why."""
        with self._changed:
            for arrived in self._lateness.rest():
                self._keep(arrived.samples, arrived.lost_before)
            self.ended = why
            self._changed.notify_all()

    @property
    def counted(self) -> int:
        """Samples of the stream that have arrived or are known to be lost."""
        with self._changed:
            return self._lateness.counted

    def index_at(self, at_s: float) -> int:
        """Give the index in the stream of the sample taken at a time."""
        with self._changed:
            return self._lateness.index_at(at_s)

    def begin(self, origin: int) -> bool:
        """Begin a take with the sample of that index in the stream; False if that is past."""
        with self._changed:
            if origin < self._end:
                return False
            self._origin = origin
            self._queue.clear()
            self._queued = self._lost = 0
            return True

    def stop(self) -> None:
        """End the take: what comes is counted and not kept."""
        with self._changed:
            self._origin = None
            self._queue.clear()
            self._queued = self._lost = 0

    def wait(self, until: int, silence_s: float) -> bool:
        """Wait until the take has that many samples; False when it ended or fell silent."""
        with self._changed:
            while True:
                if self._origin is None:
                    raise ValueError("no take is running: start() one first")
                if self._end - self._origin >= until:
                    return True
                left_s = self._last_s + silence_s - time.monotonic()
                if self.ended is not None or left_s <= 0.0:
                    return False
                self._changed.wait(left_s)

    def take(self, until: int) -> list[Block]:
        """Give the blocks of the take up to a sample; the rest stays."""
        given: list[Block] = []
        with self._changed:
            if self._origin is None:
                raise ValueError("no take is running: start() one first")
            origin = self._origin
            while self._queue and self._queue[0].start - origin < until:
                block = self._queue.popleft()
                count = min(len(block.samples), until - (block.start - origin))
                rest = block.samples[count:]
                self._queued -= count
                given.append(
                    Block(
                        block.samples[:count],
                        block.start - origin,
                        self._rate_hz,
                        block.lost_before,
                    )
                )
                if len(rest):
                    self._queue.appendleft(Block(rest, block.start + count, self._rate_hz))
        return given

    def restart_watch(self) -> None:
        """Begin to count silence from now on."""
        with self._changed:
            self._last_s = time.monotonic()
