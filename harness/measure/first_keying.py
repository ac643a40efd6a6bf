"""The envelope of the first whole keying of a channel, for a plot."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """Envelope of the first whole keying: times (s) and powers, float64, shape (n,)."""

    time_s: FloatArray
    power: FloatArray


class FirstKeying:
    """Keeps frame powers of the first whole keying, with a margin, coarser as it grows."""

    MOST = 8192
    MARGIN_S = 0.1

    def __init__(self, frame_s: float) -> None:
        self._margin = math.ceil(self.MARGIN_S / frame_s)
        self._frame_s = frame_s
        self._clear()

    def _clear(self) -> None:
        self._powers: FloatArray = np.empty(0)
        self._start = 0
        self._coarse = 1
        self._rest: FloatArray = np.empty(0)
        self._tail = 0
        self.is_begun = False
        self.is_whole = False

    def push(self, first_frame: int, powers: FloatArray, *, is_on: bool, fell: bool) -> None:
        """Take frames, whether the carrier is on after them, and whether it fell in them."""
        if self._tail and self.is_whole:
            powers = powers[: self._tail]
            self._tail -= len(powers)
        elif self.is_whole:
            return
        if not len(self._powers) and not len(self._rest):
            self._start = first_frame
        joined = np.concatenate([self._rest, powers])
        whole = len(joined) // self._coarse * self._coarse
        means = joined[:whole].reshape(-1, self._coarse).mean(axis=1)
        self._powers, self._rest = np.concatenate([self._powers, means]), joined[whole:]
        if len(self._powers) > self.MOST:
            self._powers = self._powers[: self.MOST].reshape(-1, 2).mean(axis=1)
            self._rest, self._coarse = np.empty(0), 2 * self._coarse
        if self.is_whole:
            return
        if self.is_begun and fell:
            self.is_whole, self._tail = True, self._margin
        elif is_on or fell:
            self.is_begun = True
            if fell:
                self.is_whole, self._tail = True, self._margin
        elif not self.is_begun:
            self._forget(max(self._margin, len(powers)))

    def _forget(self, kept: int) -> None:
        gone = max(len(self._powers) - kept, 0)
        self._powers, self._start = self._powers[gone:], self._start + gone

    def restart(self) -> None:
        """Forget a keying that was none, or one that missing samples cut in two."""
        if not self.is_whole:
            self._clear()

    def trace(self) -> Trace:
        """Give what was kept."""
        frames = self._start + (np.arange(len(self._powers), dtype=np.float64) + 0.5) * self._coarse
        return Trace(time_s=frames * self._frame_s, power=self._powers)
