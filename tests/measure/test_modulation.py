"""Uncertainty of a waveform's peaks and of a mean frequency, by simulation of their noise."""

import numpy as np
import pytest

from harness.measure.modulation import (
    half_peak_to_peak_variance,
    likely_harmonics,
    peaks,
    steady_mean,
)

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


def _sum_of_likely(weak: np.ndarray, draws: int = 1000) -> tuple[float, float, float]:
    """Errors of the sum of harmonics in noise that rises with frequency, first at 1500.

    Returns
    -------
    share of the errors within two standard uncertainties, their rms, median of U
    """
    generator = np.random.default_rng(7)
    count = len(weak) + 1
    variances = np.arange(1.0, count + 1.0) ** 2
    errors, expanded = [], []
    for _ in range(draws):
        turned = weak * np.exp(2j * np.pi * generator.random(len(weak)))
        true = np.concatenate([[1500.0], turned])
        noise = generator.standard_normal((2, count)) * np.sqrt(variances)
        likely = likely_harmonics(true + noise[0] + 1j * noise[1], variances)
        errors.append((likely.amplitudes - true).real.sum())
        expanded.append(2.0 * np.sqrt(likely.variances.sum()))
    held = np.mean(np.abs(errors) <= expanded)
    return float(held), float(np.std(errors)), float(np.median(expanded))


@pytest.mark.parametrize("size", [0.0, 1.0, 2.0, 4.0, 9.0, 27.0])
def test_harmonics_under_the_noise_are_in_the_uncertainty(size: float) -> None:
    """None at all, those that noise hides, and those some of which stand clear of it.

    Tolerance: what is asked of an interval of 95 %.
    """
    held, _, _ = _sum_of_likely(2.0 * size / np.arange(2.0, 8.0))
    assert 0.90 <= held <= 0.99


def test_high_harmonics_that_cannot_be_seen_do_not_drown_the_peak() -> None:
    held, scatter, expanded = _sum_of_likely(np.zeros(17))
    # As above: with none of them there, U says no more than there is.
    assert 0.90 <= held <= 0.99
    # The noise of all 18 would make 2 sqrt(2109) = 92; that of the first alone is 2.
    assert expanded < 10.0
    assert scatter < 4.0


def test_weak_harmonics_are_as_large_on_the_whole_as_they_are() -> None:
    """Ten harmonics, as strong as the noise of each; the larger part of what is seen is theirs.

    Tolerance, chosen: chance moves the ratio of 40000 squares by 1 %; the rest of the 10 % is for
    the size, which has to be told from ten harmonics. The share in place of its root gives 0.5.
    """
    generator = np.random.default_rng(11)
    kept, sent = 0.0, 0.0
    for _ in range(DRAWS):
        true, noise = generator.standard_normal((2, 11, 2)) @ np.array([1.0, 1.0j])
        # Falling as 1 / k with noise that does so too.
        fall = 1.0 / np.arange(1.0, 12.0)
        seen = (true + noise) * fall
        seen[0] = 1500.0
        likely = likely_harmonics(seen, fall**2)
        kept += float(np.sum(np.abs(likely.amplitudes[1:] / fall[1:]) ** 2))
        sent += float(np.sum(np.abs(true[1:]) ** 2))
    assert kept / sent == pytest.approx(1.0, abs=0.10)


def test_clear_harmonics_stay_as_they_are() -> None:
    seen = np.array([1500.0, 90.0j, 8.0, 200.0])
    likely = likely_harmonics(seen, np.full(4, 4.0))
    # Exact: both stand higher than four times 2; the third is likely noise, but not for certain.
    assert list(likely.amplitudes[[0, 1, 3]]) == list(seen[[0, 1, 3]])
    assert list(likely.variances[[0, 1, 3]]) == [4.0, 4.0, 4.0]
    assert 0.0 < likely.amplitudes[2].real < 8.0
    assert likely.variances[2] > 0.0


@pytest.mark.parametrize("flat_hz", [0.0, 30.0])
def test_a_steady_mean_scatters_as_it_says(flat_hz: float) -> None:
    """Noise of a discriminator alone, and with a flat part a thousand times as strong at 0 Hz.

    Tolerance: the variance of 400 means is known to 7 %, five sigma. Where there is no flat part,
    chance passes for one in one of seven, so that the mean says nothing there.
    """
    generator = np.random.default_rng(3)
    means, told = [], []
    for _ in range(400):
        phase = generator.standard_normal(4001)
        audio = np.diff(phase) + 1e-3 * flat_hz * generator.standard_normal(4000)
        found = steady_mean(audio, 4000.0)
        means.append(found.value)
        told.append(found.variance)
    assert np.median(told) / np.var(means) == pytest.approx(1.0, abs=0.35)
    if flat_hz:
        assert np.mean(told) / np.var(means) == pytest.approx(1.0, abs=0.35)
