"""Power through a weight against scipy.signal, and its variance against what noise really does."""

import numpy as np
import pytest
from scipy import signal

from harness.dsp.scattered_power import scattered_powers
from harness.dsp.spectrum import band_share

RATE_HZ = 25e3


def noise(count: int, draw: int) -> np.ndarray:
    return np.random.default_rng([draw, 5]).standard_normal(count)


@pytest.mark.parametrize("count", [2500, 12348, 12349])
def test_power_is_that_of_a_periodogram(count: int) -> None:
    audio = noise(count, 1)
    frequency_hz, density = signal.periodogram(audio, RATE_HZ, window="hann", detrend=False)
    weight = 1.0 / (1.0 + (frequency_hz / 1000.0) ** 2)
    wanted = np.sum(density * weight) * RATE_HZ / count
    (got,) = scattered_powers(audio, RATE_HZ, [weight], 0.01)
    # Rounding of two transforms.
    assert got.power == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize("slope", [0, 2], ids=["white", "rising"])
@pytest.mark.parametrize("low_hz", [50.0, 300.0])
def test_variance_is_that_of_the_noise(slope: int, low_hz: float) -> None:
    bins = 12500 // 2 + 1
    share = band_share(bins, 2.0, low_hz, 3000.0) * (np.arange(bins) / 500.0) ** slope
    found = [scattered_powers(noise(12500, n), RATE_HZ, [share], 0.01)[0] for n in range(150)]
    seen = np.var([one.power for one in found], ddof=1)
    said = np.mean([one.variance for one in found])
    # A variance of 150 draws scatters by 12 %: three sigma.
    assert said / seen == pytest.approx(1.0, abs=0.36)


def test_a_steady_line_adds_no_variance() -> None:
    t = np.arange(12500) / RATE_HZ
    line = np.sin(2 * np.pi * 700.0 * t)
    (got,) = scattered_powers(line, RATE_HZ, [np.ones(6251)], 0.01)
    assert got.power == pytest.approx(0.5, rel=1e-9)
    # Whole periods in each block: only the window's slope is left.
    assert np.sqrt(got.variance) < 0.01 * got.power


def test_clicks_add_variance() -> None:
    audio = noise(12500, 3)
    weight = np.ones(6251)
    (quiet,) = scattered_powers(audio, RATE_HZ, [weight], 0.01)
    audio[[4000, 6200, 8100]] += 60.0
    (clicking,) = scattered_powers(audio, RATE_HZ, [weight], 0.01)
    assert clicking.variance > 10 * quiet.variance
