"""Uncertainty of a waveform's peaks, by simulation of noise on its harmonics."""

import numpy as np
import pytest

from harness.measure.modulation import half_peak_to_peak_variance, peaks

DRAWS = 4000


@pytest.mark.parametrize("count", [1, 2, 3, 7])
def test_half_of_peak_to_peak_scatters_as_it_says(count: int) -> None:
    """A discriminator's noise rises with frequency, so harmonic k has k^2 the variance.

    Tolerance: five sigma of the standard deviation of 4000 draws, 1 / sqrt(8000) each.
    """
    generator = np.random.default_rng(count)
    k = np.arange(1, count + 1)
    variances = 1e-2 * k**2
    parts = generator.normal(size=(DRAWS, 2, count)) * np.sqrt(variances)
    harmonics = parts[:, 0] + 1j * parts[:, 1]
    harmonics[:, 0] += 1500.0
    halves = [(high - low) / 2.0 for high, low in (peaks(draw) for draw in harmonics)]
    told = np.sqrt(half_peak_to_peak_variance(variances))
    assert np.std(halves, ddof=1) == pytest.approx(told, rel=5.0 / np.sqrt(2.0 * DRAWS))
