"""Weighted power of a stretch of noise, and how sure it is, from the stretch itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatteredPower:
    """A mean power and its variance, the latter from how the power changes within the stretch."""

    power: float
    variance: float


def scattered_powers(
    audio: FloatArray, sample_rate_hz: float, weights: Sequence[FloatArray], block_s: float
) -> tuple[ScatteredPower, ...]:
    """Mean square through each weight, by a Hann window as ``power_density``, and its variance.

    Parameters
    ----------
    audio : float64, shape (n,), any unit
    weights : each float64, shape (n // 2 + 1,), 0 or more: on the power of each bin
    block_s : float, longer than the noise that comes through a weight stays alike

    Notes
    -----
    What a weight leaves of the samples is cut into blocks of time, and each block's energy held
    against its share of the window. So the variance is that of the noise that is there, of
    whatever spectrum, clicks included; a steady line adds next to nothing to it.
    """
    n = len(audio)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(n) / n)
    spectrum = np.fft.rfft(audio * window)
    starts = np.arange(0, n, max(round(block_s * sample_rate_hz), 1))
    share = np.add.reduceat(window * window, starts)
    total = float(share.sum())
    # Each block pulls the mean that it is held against: as n / (n - 1) in a variance.
    effective = total**2 / float(share @ share)
    unbiased = effective / (effective - 1.0) if effective > 1.5 else 1.0
    given = []
    for weight in weights:
        left = np.fft.irfft(spectrum * np.sqrt(weight), n)
        energy = np.add.reduceat(left * left, starts)
        power = float(energy.sum()) / total
        spread = float(np.sum((energy - power * share) ** 2)) / total**2
        given.append(ScatteredPower(power=power, variance=spread * unbiased))
    return tuple(given)
