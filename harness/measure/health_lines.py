"""Lines of a whole stream, each with what stands at its mirror: what health is told from."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from harness.dsp.decode import coding
from harness.dsp.spectrum import LineSpectrum, band_power, flat_top_window
from harness.measure.emission import CENTRE_REACH_LINES
from harness.units import FloatArray

GROUPS = 8
"""Looks are dealt in turn to so many groups, whose scatter tells the repeatability."""
INNER_SHARE = 0.4
"""On each side, of the sample rate: further out the receiver's own filter falls off. Chosen."""
QUARTILE_SIGMAS = -0.6745
"""Of a normal: the lower quartile. The quietest quarter of the lines is taken for noise."""
STANDS_SIGMAS = 5.0
STANDS_RATIO = 2.0
"""A line stands above the noise by so many of its scatter, and by 3 dB: a noise is not flat.
Chosen."""


class Lines:
    """Mean power of the lines of a whole stream, and their products with their mirrors.

    Parameters
    ----------
    length : samples of a frame

    Notes
    -----
    Lines are in the transform's order: line k and its mirror -k. ``LineSpectrum`` scales alike,
    and knows where they lie; it keeps no phases.
    """

    def __init__(self, length: int, sample_rate_hz: float) -> None:
        like = LineSpectrum(length, sample_rate_hz)
        self.length = length
        self.frequency_hz: FloatArray = np.fft.ifftshift(like.frequency_hz)
        self.resolution_hz = like.resolution_hz
        self.line_hz = sample_rate_hz / length
        self._window = flat_top_window(length).astype(np.float32)
        self.scale = float(self._window.sum(dtype=np.float64)) ** 2
        self._mirror = -np.arange(length) % length
        self._groups = np.zeros((GROUPS, length))
        self._counts = np.zeros(GROUPS, dtype=np.int64)
        self._products = np.zeros(length, dtype=np.complex128)
        self._group = 0
        offset = np.abs(np.rint(self.frequency_hz / self.line_hz))
        self.is_centre = offset <= CENTRE_REACH_LINES
        self._beside = (offset > CENTRE_REACH_LINES) & (offset <= 4 * CENTRE_REACH_LINES)
        self.is_inner = (np.abs(self.frequency_hz) <= INNER_SHARE * sample_rate_hz) & (
            ~self.is_centre
        )
        self._sample_rate_hz = sample_rate_hz

    def add(self, iq: NDArray[np.complex64]) -> FloatArray:
        """Add a frame; give the power of its lines, times ``scale``."""
        lines = np.fft.fft(iq * self._window)
        power = lines.real.astype(np.float64) ** 2 + lines.imag.astype(np.float64) ** 2
        self._groups[self._group] += power
        self._counts[self._group] += 1
        self._products += lines * lines[self._mirror]
        return np.asarray(power)

    def next_group(self) -> None:
        """Let the frames from here on belong to the next group."""
        self._group = (self._group + 1) % GROUPS

    @property
    def count(self) -> int:
        """Frames so far."""
        return int(self._counts.sum())

    def power(self) -> FloatArray:
        """Mean power per line; 1.0 is 0 dBFS."""
        return np.asarray(self._groups.sum(axis=0) / (self.scale * max(self.count, 1)))

    def groups(self) -> list[tuple[int, FloatArray]]:
        """Give the frames and the mean power per line of each group that has any."""
        return [
            (int(count), group / (self.scale * count))
            for count, group in zip(self._counts, self._groups, strict=True)
            if count
        ]

    def products(self) -> NDArray[np.complex128]:
        """Mean of each line times its mirror, scaled as ``power``."""
        return np.asarray(self._products / (self.scale * max(self.count, 1)))

    def mirrored(self, lines: FloatArray) -> FloatArray:
        """Give for each line what stands at its mirror."""
        return np.asarray(lines[self._mirror])

    def noise(self, mean: FloatArray, count: int) -> float:
        """Power per line of the noise: from the lower quartile of the inner lines of ``count``."""
        quartile = float(np.quantile(mean[self.is_inner], 0.25))
        return quartile / _scatter_ratio(QUARTILE_SIGMAS, count)

    def stands(self, noise: float, count: int) -> float:
        """Give the power per line from which a line stands above the noise."""
        return noise * max(_scatter_ratio(STANDS_SIGMAS, count), STANDS_RATIO)

    def above(self, mean: FloatArray, noise: float, count: int) -> float:
        """Power of all that stands above the noise, the centre left out; 0 for nothing."""
        stands = mean > self.stands(noise, count)
        stands[self.is_centre] = False
        return float((mean[stands] - noise).sum()) * self.line_hz / self.resolution_hz

    def emissions(self, gap_hz: float, *, with_centre: bool) -> list[tuple[float, float]]:
        """Give the edges of what stands above the noise, rising, as offsets from the centre.

        Parameters
        ----------
        gap_hz : what stands no further apart is one emission
        with_centre : whether the receiver's own centre is looked at too
        """
        mean, count = self.power(), self.count
        stands = mean > self.stands(self.noise(mean, count), count)
        if not with_centre:
            stands[self.is_centre] = False
        at_hz = np.sort(self.frequency_hz[stands])
        if not len(at_hz):
            return []
        runs = np.split(at_hz, np.flatnonzero(np.diff(at_hz) > gap_hz) + 1)
        return [(float(run[0]), float(run[-1])) for run in runs]

    def between(self, edges_hz: tuple[float, float]) -> NDArray[np.bool_]:
        """Tell which lines lie between two offsets, both included."""
        low_hz, high_hz = edges_hz
        return np.asarray((self.frequency_hz >= low_hz) & (self.frequency_hz <= high_hz))

    def spike(self, mean: FloatArray) -> tuple[float, float]:
        """Power of the line at 0 Hz above those beside it, and of those."""
        beside = float(np.median(mean[self._beside]))
        return float(mean[0]) - beside, beside

    def band(self, mean: FloatArray, low_hz: float, high_hz: float) -> float:
        """Power between two offsets from the centre."""
        ordered = np.fft.fftshift(mean) / self.resolution_hz
        first_hz = float(self.frequency_hz.min())
        return band_power(ordered, self.line_hz, low_hz - first_hz, high_hz - first_hz, None)

    def converter_noise(self, datatype: str) -> float:
        """Power per line of a converter's rounding: a twelfth of a code squared, for I and Q.

        0 for a datatype without codes. Common practice, no source: white, as with noise of half a
        code and more.
        """
        how = coding(datatype)
        if how.lowest is None:
            return 0.0
        return 2.0 / 12.0 / how.scale**2 * self.resolution_hz / self._sample_rate_hz


def _scatter_ratio(sigmas: float, count: int) -> float:
    """Give where a quantile of a mean of ``count`` noise powers lies, to their mean.

    Such a mean is a chi-square with 2 ``count`` degrees of freedom; its quantiles after Wilson and
    Hilferty, Proc. Natl. Acad. Sci. 17 (1931) 684 (from memory): to 2 % of the quartile for one.
    """
    ninth = 1.0 / (9.0 * count)
    return max(1.0 - ninth + sigmas * math.sqrt(ninth), 0.0) ** 3
