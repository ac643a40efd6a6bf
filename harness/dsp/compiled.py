"""The channel by compiled code: decode, shift and first filter in one pass over the bytes.

Numba is loaded when a receiver is made, not before. Where it is not installed, or switched off
by its own NUMBA_DISABLE_JIT, nothing here is available and the plain way is taken.
"""

from __future__ import annotations

import importlib
import importlib.util
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block
from harness.dsp.decode import coding
from harness.dsp.plan import ChannelPlan, turned_taps

CHUNK_SAMPLES = 4608
"""Worked on at a time by the first filter: decoded it stays in the first-level cache, and at
2.4 MS/s its 192 outputs fill registers when they are turned. Chosen by trial."""
LANES = 32
"""Taps are filled up with zeros to whole registers, as ``sums.py`` wants them: no odd ends."""
MIDDLE_SAMPLES = 2048
"""Middle samples gathered before the second filter runs. Chosen."""

_kernels: ModuleType | None = None


def is_available() -> bool:
    """Whether there is a compiler, without loading it."""
    if os.environ.get("NUMBA_DISABLE_JIT", "0") not in ("", "0"):
        return False
    return importlib.util.find_spec("numba") is not None


def kernels() -> ModuleType:
    """Load the compiled loops; a second, and some more when they are compiled at first use."""
    global _kernels
    if _kernels is None:
        with _hidden("scipy.linalg"):
            _kernels = importlib.import_module("harness.dsp.kernels")
            # Numba loads the rest of itself at the first call.
            _kernels.clipped_count(np.zeros(2, np.uint8), np.uint8(0), np.uint8(255))
    return _kernels


@contextmanager
def _hidden(module: str) -> Iterator[None]:
    """Keep a module from being imported for a while; one that is loaded already stays.

    Numba looks for SciPy's linear algebra as it starts, and loads it with 13 MB of tables, for
    functions that no loop here calls.
    """
    if module in sys.modules:
        yield
        return
    sys.modules[module] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        del sys.modules[module]


def loaded() -> ModuleType | None:
    """Give the compiled loops if something has loaded them already."""
    return _kernels


def bank(datatype: str, plans: Sequence[ChannelPlan]) -> CompiledBank | None:
    """Make a bank, or None where there is no compiler."""
    return CompiledBank(datatype, plans) if is_available() else None


class CompiledBank:
    """Channels out of one recording, decoded once: as ``channel.ChannelBank`` describes it.

    What it is given is used before ``push`` returns, so the memory of a block may be used again.
    State: the values that the next window needs, the middle samples that it needs.

    Parameters
    ----------
    plans : at least one, that differ in the offset only
    """

    def __init__(self, datatype: str, plans: Sequence[ChannelPlan]) -> None:
        how = coding(datatype)
        self.plan = plan = plans[0]
        self._plans = plans
        self._datatype = datatype
        self.clipped = 0
        self._kernels = kernels()
        self._dtype = np.dtype(how.dtype)
        self._zero = np.float32(how.zero)
        rails = (np.nan, np.nan) if how.lowest is None else (how.lowest, how.highest)
        self._rails = np.array(rails, dtype=self._dtype)
        step = plan.first_decimation
        outputs = 4 * max(CHUNK_SAMPLES // (4 * step), 1)
        turns = np.array([each.turns_per_sample for each in plans])
        turned = [turned_taps(each, datatype) for each in plans]
        is_whole = turned[0].unit is not None
        kind = WHOLE if is_whole else FLOATS
        # Whole numbers are decoded to twice their distance from the zero.
        self._units = np.array([(each.unit or 2.0) / (2.0 * how.scale) for each in turned], "f4")
        rows = [_in_turn(each.taps / (each.unit or 1.0)) for each in turned]
        self._first = _aligned(np.rint(rows) if is_whole else np.array(rows), kind)
        self._second = _aligned(_filled(plan.second_taps))
        self._turns = turns * step
        angles = -2.0 * np.pi * (np.multiply.outer(self._turns, np.arange(outputs)) % 1.0)
        self._turning = _aligned(np.stack([np.cos(angles), np.sin(angles)], axis=1))
        length = self._first.shape[2] // 2
        self._numbers = _aligned(np.zeros(2 * ((outputs - 1) * step + length)), kind)
        # A window counts as there when the rows that the plain way takes for it are there.
        within = len(plan.first_taps) // 2 + (plan.first_rows + 1) * step
        self._reach = 2 * ((outputs - 1) * step + max(length, within))
        half = len(plan.second_taps) // 2
        within = half + (plan.second_rows + 1) * plan.second_decimation
        self._second_reach = 3 * plan.second_decimation + max(len(self._second), within)
        self._tail = np.zeros(2 * self._reach + 2 * outputs * step, dtype=self._dtype)
        # What is left of the middle when no group is complete, and chunks.
        room = self._second_reach + 4 * plan.second_decimation + outputs
        self._middle = _aligned(np.zeros((len(plans), 2, max(room, MIDDLE_SAMPLES))))
        self._state = np.zeros(6, dtype=np.int64)
        self._expected: int | None = None
        self._skip = 0
        self._next = 0
        self._lost = 0
        self._given_to: int | None = None

    def warm_up(self) -> None:
        """Compile for this datatype, or fetch from the disk what was compiled before."""
        other = CompiledBank(self._datatype, [self.plan])
        other._advance(np.zeros(2, self._dtype), None)
        nothing = np.zeros(0)
        few = np.zeros(8, dtype=np.float32)
        self._kernels.demodulate(few, 0.0, np.zeros(8), np.zeros(2), 1.0, np.zeros(4), nothing)
        self._kernels.add_moments(few, 1, np.zeros((2, 4)))

    def push(self, block: Block) -> list[list[Block]]:
        """Take an undecoded block; give the blocks of each channel that are complete."""
        codes = np.ascontiguousarray(block.samples, dtype=self._dtype).reshape(-1)
        given: list[list[Block]] = [[] for _ in self._plans]
        if self._expected is None or block.lost_before > 0 or block.start != self._expected:
            if self._expected is not None:
                _extend(given, self.finish())
                self._lost += max(block.lost_before, block.start - self._expected, 1)
            self._begin(block.start)
        self._expected = block.end
        if self._skip:
            skipped = min(self._skip, len(codes))
            self._skip -= skipped
            self.clipped += self._kernels.clipped_count(codes[:skipped], *self._rails)
            codes = codes[skipped:]
        if len(codes):
            _extend(given, self._advance(codes, None))
            self.clipped += int(self._state[self._kernels.CLIPPED])
        return given

    def finish(self) -> list[list[Block]]:
        """Give what is still inside; the filters then stand empty."""
        nothing: list[list[Block]] = [[] for _ in self._plans]
        if self._expected is None or self._skip:
            return nothing
        # Outputs whose windows do not end within the stretch are made of filling and dropped.
        plan = self.plan
        middle_end = self._expected // plan.first_decimation - plan.first_rows
        last = middle_end // plan.second_decimation - plan.second_rows
        more = last - self._next
        if more <= 0:
            return nothing
        values = 2 * plan.decimation * (more + 4) + 2 * self._second_reach * plan.first_decimation
        filling = np.zeros(values + 2 * self._reach, dtype=self._dtype)
        given = self._advance(filling, more)
        self._skip = 1
        return given

    def _begin(self, start: int) -> None:
        """Stand at the first output whose window lies within the stretch from ``start``."""
        plan = self.plan
        first = -(-start // plan.first_decimation) + plan.first_rows
        half = len(plan.first_taps) // 2
        self._skip = 2 * (first * plan.first_decimation - half - start)
        channel = -(-first // plan.second_decimation) + plan.second_rows
        window = channel * plan.second_decimation - len(plan.second_taps) // 2 - first
        self._state[:] = 0, 0, window, first, 0, 0
        self._next = channel

    def _advance(self, codes: NDArray[np.generic], most: int | None) -> list[list[Block]]:
        plan, channels = self.plan, len(self._plans)
        room = len(codes) // (2 * plan.decimation) + 8
        room += (self._middle.shape[2] + 4) // plan.second_decimation
        samples = np.empty((channels, room), dtype=np.complex64)
        made = self._kernels.advance(
            codes,
            self._rails,
            self._zero,
            self._tail,
            self._state,
            self._numbers,
            self._first,
            self._units,
            plan.first_decimation,
            self._reach,
            self._turning,
            self._turns,
            self._middle,
            self._second,
            plan.second_decimation,
            self._second_reach,
            np.empty((channels, 2, room), dtype=np.float32),
            samples.view(np.float32),
        )
        if most is not None:
            made = min(made, most)
        if not made:
            return [[] for _ in self._plans]
        lost = -(-self._lost // plan.decimation)
        if lost and self._given_to is not None:
            lost = max(lost, self._next - self._given_to)
        start, rate_hz = self._next, plan.channel_rate_hz
        self._lost = 0
        self._next += made
        self._given_to = self._next
        return [[Block(row[:made], start, rate_hz, lost)] for row in samples]


def _extend(given: list[list[Block]], more: list[list[Block]]) -> None:
    for blocks, further in zip(given, more, strict=True):
        blocks += further


CACHE_LINE_BYTES = 64
FLOATS, WHOLE = np.dtype(np.float32), np.dtype(np.int16)


def _aligned(values: NDArray[Any], dtype: np.dtype[Any] = FLOATS) -> NDArray[Any]:
    """Give the values as another type that begins on a cache line: quick for whole registers."""
    size = dtype.itemsize * values.size
    octets = np.empty(size + CACHE_LINE_BYTES, dtype=np.uint8)
    at = -octets.ctypes.data % CACHE_LINE_BYTES
    made = octets[at : at + size].view(dtype).reshape(values.shape)
    made[:] = values
    return made


def _filled(taps: NDArray[np.float64], lanes: int = LANES) -> NDArray[np.float64]:
    """Add zeros at the end up to whole registers."""
    return np.concatenate([taps, np.zeros(-len(taps) % lanes)])


def _in_turn(taps: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Write complex taps as ``kernels.advance`` has them.

    Complex taps c on numbers I + iQ in turn: the real part takes re c, -im c of each, the imaginary
    part im c, re c.
    """
    real, imaginary = (_filled(part, LANES // 2) for part in (taps.real, taps.imag))
    to_real = np.column_stack([real, -imaginary]).reshape(-1)
    return np.array([to_real, np.column_stack([imaginary, real]).reshape(-1)])
