"""Long sinusoids and sums against them, by tables: a coarse turn for each row times a fine one.

A cosine of each of n angles costs more than all the rest of a fit; the angle sum formula makes n
of them out of about 2 sqrt(n).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

ROW = 160
"""Samples per row of the tables. Chosen: near the root of a second at the channel rate."""


LEAST_SINE = 1e-3
"""Chosen: above it the short way has ten digits or more at a second of channel."""


def _turns(cycles: NDArray[np.floating]) -> ComplexArray:
    return np.asarray(np.exp(2j * np.pi * (cycles % 1.0)))


def _powers(turns: ComplexArray, count: int) -> ComplexArray:
    """Give the powers 0 to ``count`` of each turn, shape (count + 1, n): products, not cosines."""
    powers = np.ones((count + 1, len(turns)), dtype=np.complex128)
    for k in range(1, count + 1):
        np.multiply(powers[k - 1], turns, out=powers[k])
    return powers


def wave(cycles_per_sample: float, count: int) -> ComplexArray:
    """Give exp(2 pi i cycles_per_sample k) for k from 0: complex128, shape (count,).

    Notes
    -----
    As good as the rounding of ``cycles_per_sample * k`` allows: no error adds up along it.
    """
    rows = -(-count // ROW)
    fine = _turns(cycles_per_sample * np.arange(ROW))
    coarse = _turns(cycles_per_sample * (ROW * np.arange(rows)))
    return np.multiply.outer(coarse, fine).reshape(-1)[:count]


class Table:
    """Real samples, laid out for sums against waves.

    Parameters
    ----------
    audio : float64, shape (n,)
    """

    def __init__(self, audio: FloatArray) -> None:
        self._middle = (len(audio) - 1) / 2.0
        filled = np.zeros(-(-len(audio) // ROW) * ROW)
        filled[: len(audio)] = audio
        self._rows = filled.reshape(-1, ROW)

    def harmonic_sums(self, cycles_per_sample: float, count: int) -> ComplexArray:
        """Sum ``audio[n] exp(-2 pi i k cycles_per_sample n)`` for the harmonics k from 0 to count.

        Returns
        -------
        complex128, shape (count + 1,)
        """
        fine = _powers(_turns(-cycles_per_sample * np.arange(ROW)), count)
        coarse = _powers(_turns(-cycles_per_sample * self._row_starts), count)
        return np.asarray((self._against(fine.T) * coarse.T).sum(axis=0))

    def sums(self, cycles_per_sample: float) -> tuple[complex, complex]:
        """Sum ``audio exp(-2 pi i cycles_per_sample t)``, plain and times t, t from the middle."""
        k = np.arange(ROW)
        fine = _turns(-cycles_per_sample * k)
        inner = self._against(np.column_stack([fine, k * fine]))
        from_middle = self._row_starts - self._middle
        coarse = _turns(-cycles_per_sample * from_middle)
        by_time = from_middle * inner[:, 0] + inner[:, 1]
        return complex(coarse @ inner[:, 0]), complex(coarse @ by_time)

    @property
    def _row_starts(self) -> NDArray[np.int64]:
        return ROW * np.arange(len(self._rows))

    def _against(self, fine: ComplexArray) -> ComplexArray:
        # A real table times real and imaginary parts: half the work of a complex product.
        both = self._rows @ np.concatenate([fine.real, fine.imag], axis=1)
        count = fine.shape[1]
        return np.asarray(both[:, :count] + 1j * both[:, count:])


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveMoments:
    """Sums over t = -(n - 1) / 2 ... (n - 1) / 2 of cos, t sin and t^2 cos of 2 pi c t."""

    plain: float
    by_time: float
    by_time_squared: float


def wave_moments(cycles_per_sample: float, count: int) -> WaveMoments:
    """Give the sums for c cycles per sample and n = ``count`` samples.

    Notes
    -----
    The first is f = sin(n w / 2) / sin(w / 2), w = 2 pi c; the others are -f' and -f'', from
    f sin(w / 2) = sin(n w / 2) differentiated once and twice. Where the sine is small they lose
    digits, and the terms are added up.
    """
    below = math.sin(math.pi * cycles_per_sample)
    if abs(below) > LEAST_SINE:
        beside = math.cos(math.pi * cycles_per_sample)
        angle = math.pi * cycles_per_sample * count
        plain = math.sin(angle) / below
        first = (count / 2.0 * math.cos(angle) - beside * plain / 2.0) / below
        second = (below * plain / 4.0 - count**2 / 4.0 * math.sin(angle) - beside * first) / below
        return WaveMoments(plain=plain, by_time=-first, by_time_squared=-second)
    k = np.arange(ROW)
    fine = _turns(cycles_per_sample * k)
    inner = np.array([fine, k * fine, k * k * fine])
    rows = -(-count // ROW)
    sums = np.repeat(inner.sum(axis=1)[:, None], rows, axis=1)
    sums[:, -1] = inner[:, : count - (rows - 1) * ROW].sum(axis=1)
    from_middle = ROW * np.arange(rows) - (count - 1) / 2.0
    coarse = _turns(cycles_per_sample * from_middle)
    linear = from_middle * sums[0] + sums[1]
    square = from_middle * (linear + sums[1]) + sums[2]
    return WaveMoments(
        plain=float((coarse @ sums[0]).real),
        by_time=float((coarse @ linear).imag),
        by_time_squared=float((coarse @ square).real),
    )


def harmonic_wave(amplitudes: ComplexArray, cycles_per_sample: float, count: int) -> FloatArray:
    """Give the sum of harmonics ``Re(amplitudes[k - 1] exp(2 pi i k cycles_per_sample n))``.

    Returns
    -------
    float64, shape (count,)
    """
    rows = -(-count // ROW)
    count_k = len(amplitudes)
    fine = _powers(_turns(cycles_per_sample * np.arange(ROW)), count_k)[1:]
    coarse = (
        _powers(_turns(cycles_per_sample * (ROW * np.arange(rows))), count_k)[1:].T * amplitudes
    )
    by_row = np.concatenate([coarse.real, -coarse.imag], axis=1)
    return np.asarray(by_row @ np.concatenate([fine.real, fine.imag])).reshape(-1)[:count]


def sum_of_waves(cycles_per_sample: NDArray[np.floating], count: int) -> ComplexArray:
    """Sum exp(2 pi i c n) over n from 0 to count - 1, for each c.

    Notes
    -----
    exp(i (count - 1) w / 2) sin(count w / 2) / sin(w / 2), w = 2 pi c; where the lower sine is
    small it loses digits, and the series is added up in rows.
    """
    below = np.sin(np.pi * cycles_per_sample)
    short = np.abs(below) > LEAST_SINE
    turned = np.exp(1j * np.pi * ((cycles_per_sample[short] * (count - 1)) % 2.0))
    sums = np.empty(len(cycles_per_sample), dtype=np.complex128)
    sums[short] = turned * np.sin(np.pi * ((cycles_per_sample[short] * count) % 2.0)) / below[short]
    sums[~short] = _sum_in_rows(cycles_per_sample[~short], count)
    return sums


def _sum_in_rows(cycles_per_sample: NDArray[np.floating], count: int) -> ComplexArray:
    whole, left = divmod(count, ROW)
    fine = _turns(np.multiply.outer(cycles_per_sample, np.arange(ROW)))
    coarse = _turns(np.multiply.outer(cycles_per_sample, ROW * np.arange(whole)))
    rest = _turns(cycles_per_sample * (whole * ROW)) * fine[:, :left].sum(axis=1)
    return np.asarray(coarse.sum(axis=1) * fine.sum(axis=1) + rest)
