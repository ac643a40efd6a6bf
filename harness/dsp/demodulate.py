"""From channel samples to demodulated frequency, and to power.

Frequency is the rate of phase. The step of phase between neighbours is the mean of the
frequency over one sample, half a sample early, and droops as sinc (-0.26 % at 1 kHz and
25 kS/s); a short symmetric filter of even length takes away droop and half sample at once.
Nothing is limited, blanked or smoothed beyond that: clicks belong to the noise.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block, Frames

HALF_TAPS = 24
"""Chosen: ripple below 1e-5 up to 0.4 of the sample rate."""
FLAT_TO = 0.4
"""Fraction of the sample rate up to which demodulated frequency is flat."""
FRAME_SAMPLES = 4096


def _correction_taps() -> NDArray[np.float64]:
    """Least-squares taps whose response is 1/sinc, symmetric about a half sample."""
    f = np.linspace(0.0, FLAT_TO, 800)
    k = np.arange(HALF_TAPS)
    basis = 2.0 * np.cos(2.0 * np.pi * np.outer(f, k + 0.5))
    half = np.linalg.lstsq(basis, 1.0 / np.sinc(f), rcond=None)[0]
    half *= 0.5 / half.sum()
    return np.concatenate([half[::-1], half])


_CORRECTION_TAPS = _correction_taps()


class Discriminator:
    """A stage: complex channel blocks in, frequency in Hz out (float64), delay removed.

    Sample k of what it gives belongs to time ``k / rate``; ``HALF_TAPS`` samples are lost at
    each end of an uninterrupted stretch.
    """

    def __init__(self) -> None:
        self._frames = Frames(FRAME_SAMPLES + 2 * HALF_TAPS, FRAME_SAMPLES)

    def push(self, block: Block) -> list[Block]:
        """Take a complex block; give the frequency blocks that are complete."""
        given = self.finish() if self._frames.interrupted_by(block) else []
        return given + [self._demodulate(frame) for frame in self._frames.push(block)]

    def finish(self) -> list[Block]:
        """Give what is still inside."""
        rest = self._frames.rest()
        if rest is None or len(rest.samples) <= 2 * HALF_TAPS:
            return []
        return [self._demodulate(rest)]

    def _demodulate(self, frame: Block) -> Block:
        frequency_hz = demodulated_frequency_hz(frame.samples, frame.sample_rate_hz)
        start = frame.start + HALF_TAPS
        return Block(frequency_hz, start, frame.sample_rate_hz, frame.lost_before)


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
    steps_rad = np.angle(iq[1:] * np.conj(iq[:-1])).astype(np.float64)
    turns = np.convolve(steps_rad, _CORRECTION_TAPS, mode="valid") / (2.0 * np.pi)
    return np.asarray(turns * sample_rate_hz)


def power(iq: NDArray[np.complexfloating]) -> NDArray[np.float64]:
    """Give the power of each sample: float64, same shape; 1.0 is 0 dBFS."""
    real = iq.real.astype(np.float64)
    imaginary = iq.imag.astype(np.float64)
    return real * real + imaginary * imaginary


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
