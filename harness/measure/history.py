"""The last samples of a stream, and where they stand."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block


class History:
    """The last samples of an uninterrupted stretch.

    Parameters
    ----------
    length : int, samples that are kept; more while a longer block is the last
    """

    def __init__(self, length: int) -> None:
        self._length = length
        self.samples: NDArray[Any] = np.empty(0)
        self.start = 0

    def clear(self) -> None:
        """Forget all."""
        self.samples = np.empty(0)

    def push(self, block: Block) -> None:
        """Take the block that follows."""
        if not len(self.samples):
            self.start, self.samples = block.start, block.samples
            return
        joined = np.concatenate([self.samples, block.samples])
        kept = joined[-max(self._length, len(block.samples)) :]
        self.start += len(joined) - len(kept)
        self.samples = kept

    @property
    def end(self) -> int:
        """Index one past the last sample."""
        return self.start + len(self.samples)

    def cut(self, first: int, last: int) -> Block:
        """Give what there is of samples ``first`` to before ``last``."""
        first, last = max(first, self.start), min(last, self.end)
        samples = self.samples[first - self.start : max(last - self.start, first - self.start)]
        return Block(samples, first, 1.0)
