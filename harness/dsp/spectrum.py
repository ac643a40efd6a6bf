"""Power against frequency: density of audio, band power, lines of a channel."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

FLAT_TOP = (0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368)
"""Cosine terms of the flat-top window: D'Antona & Ferrero, Digital Signal Processing for
Measurement Systems (2006), as in the documentation of scipy.signal.windows.flattop."""


def fast_length(least: int) -> int:
    """Give the next length whose only factors are 2, 3, 5 and 7: its transform is quick."""
    length = max(least, 1)
    while not _is_fast(length):
        length += 1
    return length


def fast_length_within(most: int) -> int:
    """Give the longest such length that is not above ``most``, which is at least 1."""
    length = most
    while not _is_fast(length):
        length -= 1
    return length


def _is_fast(length: int) -> bool:
    for factor in (2, 3, 5, 7):
        while length % factor == 0:
            length //= factor
    return length == 1


@lru_cache(maxsize=4)
def hann_window(length: int) -> FloatArray:
    """Give a periodic Hann window; kept, read-only."""
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)
    window.flags.writeable = False
    return np.asarray(window)


@lru_cache(maxsize=4)
def _hann_energy(length: int) -> float:
    """Give the sum of the window's squares."""
    window = hann_window(length)
    return float(window @ window)


def hann_transform(audio: FloatArray) -> NDArray[np.complex128]:
    """Transform real samples through a Hann window: shape (n // 2 + 1,)."""
    return np.asarray(np.fft.rfft(audio * hann_window(len(audio))))


def power_density(
    audio: FloatArray,
    sample_rate_hz: float,
    *,
    transform: NDArray[np.complex128] | None = None,
) -> FloatArray:
    """One-sided power density of real samples through a Hann window.

    Parameters
    ----------
    audio : float64, shape (n,), unit U
    transform : ``hann_transform`` of the audio, where it is known already

    Returns
    -------
    float64, shape (n // 2 + 1,), U^2/Hz, at k * sample_rate_hz / n. Summed over all bins times
    the bin width it is the mean square of ``audio`` as weighted by the window.
    """
    n = len(audio)
    spectrum = hann_transform(audio) if transform is None else transform
    density = spectrum.real**2 + spectrum.imag**2
    density *= 2.0 / (sample_rate_hz * _hann_energy(n))
    density[0] *= 0.5
    if n % 2 == 0:
        density[-1] *= 0.5
    return np.asarray(density, dtype=np.float64)


def band_share(
    count: int, bin_hz: float, low_hz: float, high_hz: float, first: int = 0
) -> FloatArray:
    """Share of each bin k * bin_hz, bin_hz wide, k from ``first``, between two frequencies."""
    k = np.arange(first, count)
    below = np.clip((high_hz / bin_hz) - k + 0.5, 0.0, 1.0)
    return np.asarray(below * np.clip(k + 0.5 - low_hz / bin_hz, 0.0, 1.0))


def band_power(
    density: FloatArray, bin_hz: float, low_hz: float, high_hz: float, weight: FloatArray | None
) -> float:
    """Power between two frequencies, with the share of a bin that lies within the band.

    Parameters
    ----------
    density : float64, shape (m,), one-sided, at k * bin_hz
    weight : power weight of each bin, shape (m,), or None for flat
    """
    first = min(max(math.floor(low_hz / bin_hz - 0.5), 0), len(density))
    last = min(max(math.ceil(high_hz / bin_hz + 0.5), 0) + 1, len(density))
    share = band_share(last, bin_hz, low_hz, high_hz, first)
    weighted = density[first:last] * share
    if weight is not None:
        weighted *= weight[first:last]
    return float(weighted.sum() * bin_hz)


def flat_top_window(length: int) -> FloatArray:
    """Give a periodic flat-top window: a line reads right wherever it falls between bins."""
    angle = 2.0 * np.pi * np.arange(length) / length
    signs = (-1.0) ** np.arange(len(FLAT_TOP))
    return np.asarray(
        sum(s * a * np.cos(k * angle) for k, (a, s) in enumerate(zip(FLAT_TOP, signs, strict=True)))
    )


def flat_top_lobe() -> FloatArray:
    """Give the share of a sinusoid's power in each line about it, shape (9,), 1 in all."""
    half = np.array([FLAT_TOP[0], *(a / 2.0 for a in FLAT_TOP[1:])]) ** 2
    lobe = np.concatenate([half[:0:-1], half])
    return np.asarray(lobe / lobe.sum())


def line_samples(resolution_hz: float, sample_rate_hz: float) -> int:
    """Count the samples of a segment whose lines are ``resolution_hz`` wide or a little less.

    Parameters
    ----------
    resolution_hz : float, above 0, equivalent noise bandwidth

    Returns
    -------
    int : even, with no prime factor above 5, so that the transform is quick
    """
    a0, rest = FLAT_TOP[0], FLAT_TOP[1:]
    noise_bins = (a0**2 + sum(a * a for a in rest) / 2.0) / a0**2
    count = 2 * math.ceil(noise_bins * sample_rate_hz / resolution_hz / 2.0)
    while not _is_quick(count):
        count += 2
    return count


def _is_quick(count: int) -> bool:
    for factor in (2, 3, 5):
        while count % factor == 0:
            count //= factor
    return count == 1


SEGMENTS_AT_ONCE = 8


class LineSpectrum:
    """Mean power per line of complex samples, segment by segment, half overlapping.

    A sinusoid of power P shows as P at its place; noise of density N shows as N times
    ``resolution_hz``.

    Parameters
    ----------
    length : int, samples per segment
    """

    def __init__(self, length: int, sample_rate_hz: float) -> None:
        self.length = length
        self._window = flat_top_window(length)
        self._sum = np.zeros(length)
        self._highest = np.zeros(length)
        self._count = 0
        self._rate_hz = sample_rate_hz

    @property
    def resolution_hz(self) -> float:
        """Equivalent noise bandwidth of a line."""
        window = self._window
        return float(self._rate_hz * (window @ window) / window.sum() ** 2)

    @property
    def frequency_hz(self) -> FloatArray:
        """Where the lines lie, rising, 0 in the middle."""
        return np.fft.fftshift(np.fft.fftfreq(self.length, 1.0 / self._rate_hz))

    @property
    def count(self) -> int:
        """Segments so far."""
        return self._count

    def add(self, iq: NDArray[np.complexfloating]) -> None:
        """Add the segments of an uninterrupted run of samples; a shorter rest is left out."""
        if len(iq) < self.length:
            return
        segments = sliding_window_view(iq, self.length)[:: self.length // 2]
        # A few at a time: the memory stays small.
        for first in range(0, len(segments), SEGMENTS_AT_ONCE):
            lines = np.fft.fft(segments[first : first + SEGMENTS_AT_ONCE] * self._window)
            power = lines.real**2 + lines.imag**2
            self._sum += power.sum(axis=0)
            np.maximum(self._highest, power.max(axis=0), out=self._highest)
        self._count += len(segments)

    def include(self, other: LineSpectrum) -> None:
        """Add the segments of another of the same length and rate."""
        if (other.length, other._rate_hz) != (self.length, self._rate_hz):
            raise ValueError(f"{other.length=} at another rate or length than {self.length=}")
        self._sum += other._sum
        np.maximum(self._highest, other._highest, out=self._highest)
        self._count += other._count

    def power(self) -> FloatArray:
        """Mean power per line, shape (length,), in the order of ``frequency_hz``."""
        scale = self._window.sum() ** 2 * max(self._count, 1)
        return np.asarray(np.fft.fftshift(self._sum) / scale)

    def highest(self) -> FloatArray:
        """Highest power of each line in any segment (peak hold), as ``power``."""
        return np.asarray(np.fft.fftshift(self._highest) / self._window.sum() ** 2)
