"""From channel samples to demodulated frequency, and to power.

Frequency is the rate of phase. The step of phase between neighbours is the mean of the
frequency over one sample, half a sample early, and droops as sinc (-0.26 % at 1 kHz and
25 kS/s); a short symmetric filter of even length takes away droop and half sample at once.
Nothing is limited, blanked or smoothed beyond that: clicks belong to the noise.

The arctangent is a polynomial: faster than the library's, the same on every machine. Where the
compiled loops are loaded they do the same operations in the same order, so that the bits do not
depend on whether they are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block
from harness.dsp import compiled

HALF_TAPS = 24
"""Chosen: ripple below 1e-5 up to 0.4 of the sample rate."""
FLAT_TO = 0.4
"""Fraction of the sample rate up to which demodulated frequency is flat."""


def _correction_taps() -> NDArray[np.float64]:
    """Least-squares taps whose response is 1/sinc, symmetric about a half sample."""
    f = np.linspace(0.0, FLAT_TO, 800)
    k = np.arange(HALF_TAPS)
    basis = 2.0 * np.cos(2.0 * np.pi * np.outer(f, k + 0.5))
    half = np.linalg.lstsq(basis, 1.0 / np.sinc(f), rcond=None)[0]
    half *= 0.5 / half.sum()
    return np.concatenate([half[::-1], half])


_CORRECTION_TAPS = _correction_taps()
PIECE_SAMPLES = 2048
"""Worked on at a time: fits the first-level cache. Chosen."""

STEEP = math.sqrt(2.0) - 1.0
"""tan(pi/8): up to here the polynomial runs; above, 45 degrees less are taken."""


# fmt: off
ARCTANGENT_TERMS = np.array([
    0.9999999999992708, -0.33333333278381944, 0.19999993188719725, -0.1428539125438637,
    0.11103534836064974, -0.08993216589925997, 0.06977002204071239, -0.03770168494418687,
])
# fmt: on
"""Factors of x, x^3, ... x^15: the arctangent up to ``STEEP``, to 3e-13. Least squares at the
places of Chebyshev's polynomials, as numbers so that every machine has the same bits; how they
were made stands in the tests."""


class Discriminator:
    """A stage: complex channel blocks in, frequency in Hz out (float64), delay removed.

    Sample k of what it gives belongs to time ``k / rate``; ``HALF_TAPS`` samples are lost at
    each end of an uninterrupted stretch. Each sample hangs on its neighbours alone, so that it
    needs no frames to give the same bits for any cut.
    """

    def __init__(self) -> None:
        self._last: NDArray[Any] | None = None
        self._expected = 0
        self._lost = 0

    def push(self, block: Block) -> list[Block]:
        """Take a complex block; give the frequency of all that has its neighbours."""
        samples = block.samples
        if self._last is not None:
            if block.lost_before > 0 or block.start != self._expected:
                self._lost += max(block.lost_before, block.start - self._expected, 1)
            else:
                samples = np.concatenate([self._last, samples])
        self._expected = block.end
        made = len(samples) - 2 * HALF_TAPS
        # A copy of the few keeps no long block.
        self._last = samples[max(made, 0) :].copy()
        if made <= 0:
            return []
        frequency_hz = demodulated_frequency_hz(samples, block.sample_rate_hz)
        lost, self._lost = self._lost, 0
        return [Block(frequency_hz, block.end - HALF_TAPS - made, block.sample_rate_hz, lost)]

    def finish(self) -> list[Block]:
        """Give what is still inside: nothing, for the ends of a stretch are lost."""
        return []


def demodulated_frequency_hz(
    iq: NDArray[np.complexfloating], sample_rate_hz: float
) -> NDArray[np.float64]:
    """Demodulate one uninterrupted run of channel samples.

    Parameters
    ----------
    iq : complex, shape (n,), n above ``2 * HALF_TAPS``

    Returns
    -------
    float64, shape (n - 2 * HALF_TAPS,), Hz; the first belongs to sample ``HALF_TAPS``
    """
    out = np.empty(max(len(iq) - 2 * HALF_TAPS, 0))
    scale = sample_rate_hz / (2.0 * np.pi)
    loops = compiled.loaded()
    if loops is not None and iq.dtype == np.complex64:
        values = np.ascontiguousarray(iq).view(np.float32)
        steps_rad = np.empty(PIECE_SAMPLES + 2 * HALF_TAPS)
        loops.demodulate(values, STEEP, ARCTANGENT_TERMS, _CORRECTION_TAPS, scale, steps_rad, out)
        return out
    for begin in range(0, len(out), PIECE_SAMPLES):
        end = min(begin + PIECE_SAMPLES, len(out))
        steps_rad = phase_steps(iq[begin : end + 2 * HALF_TAPS])
        total = np.zeros(end - begin)
        for k in range(HALF_TAPS):
            mirrored = 2 * HALF_TAPS - 1 - k
            pair = steps_rad[k : k + len(total)] + steps_rad[mirrored : mirrored + len(total)]
            total += _CORRECTION_TAPS[k] * pair
        out[begin:end] = total * scale
    return out


def phase_steps(iq: NDArray[np.complexfloating]) -> NDArray[np.float64]:
    """Give the step of phase from each sample to the next, -pi to pi; 0 beside a sample of 0.

    Parameters
    ----------
    iq : complex, shape (n,), n at least 1

    Returns
    -------
    float64, shape (n - 1,), rad, to within 3e-13
    """
    i, q = iq.real.astype(np.float64), iq.imag.astype(np.float64)
    x = i[1:] * i[:-1] + q[1:] * q[:-1]
    y = q[1:] * i[:-1] - i[1:] * q[:-1]
    across, up = np.abs(x), np.abs(y)
    more, less = np.maximum(across, up), np.minimum(across, up)
    steep = less > STEEP * more
    below = np.where(steep, less + more, more)
    ratio = np.where(steep, less - more, less) / np.where(below == 0.0, 1.0, below)
    square = ratio * ratio
    angle = np.full(len(x), ARCTANGENT_TERMS[-1])
    for term in ARCTANGENT_TERMS[-2::-1]:
        angle = angle * square + term
    angle = angle * ratio
    angle = np.where(steep, angle + np.pi / 4.0, angle)
    angle = np.where(up > across, np.pi / 2.0 - angle, angle)
    angle = np.where(x < 0.0, np.pi - angle, angle)
    return np.asarray(np.copysign(angle, y))


def power(iq: NDArray[np.complexfloating]) -> NDArray[np.float64]:
    """Give the power of each sample: float64, same shape; 1.0 is 0 dBFS."""
    real = iq.real.astype(np.float64)
    imaginary = iq.imag.astype(np.float64)
    return real * real + imaginary * imaginary


@dataclass(frozen=True, slots=True, kw_only=True)
class GrainMoments:
    """Mean of the power and of its square in each grain: float64, shape (grains,)."""

    second: NDArray[np.float64]
    fourth: NDArray[np.float64]


def grain_moments(iq: NDArray[np.complexfloating], grain: int) -> GrainMoments:
    """Average power, and its square, over grains of samples; what is left at the end is left out.

    Parameters
    ----------
    iq : complex, shape (n,)
    grain : int, at least 1
    """
    grains = len(iq) // grain
    sums = np.zeros((2, grains))
    loops = compiled.loaded()
    if loops is not None and iq.dtype == np.complex64:
        loops.add_moments(np.ascontiguousarray(iq).view(np.float32), grain, sums)
    else:
        # Sample by sample of all grains, in the order of the compiled loop: the same bits.
        for each in power(iq[: grains * grain]).reshape(grains, grain).T:
            sums[0] += each
            sums[1] += each * each
    sums /= grain
    return GrainMoments(second=sums[0], fourth=sums[1])


def constant_envelope_power(second: float, fourth: float) -> float:
    """Power of a constant-envelope carrier in Gaussian noise, from its moments.

    Parameters
    ----------
    second, fourth : float, mean of |x|^2 and of |x|^4 of carrier plus noise

    Returns
    -------
    float : the carrier's part of the mean power; 0.0 where the samples look like noise alone

    References
    ----------
    E|x|^4 = 2 (E|x|^2)^2 - S^2 for carrier power S in complex Gaussian noise (Pauluzzi &
    Beaulieu, IEEE Trans. Commun. 48 (2000) 1681, from memory).
    """
    return math.sqrt(max(2.0 * second * second - fourth, 0.0))
