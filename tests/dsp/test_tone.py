"""Sine fits against the published examples, and their uncertainty against repeats.

Sources: worked-examples.md 4.5 and 4.6 (three- and four-parameter fit, IEEE Std 1057; computed
there by another program). Variance of amplitude and frequency of a sine in white noise:
2 sigma^2 / n and 6 sigma^2 / (pi^2 n^3 A^2) fs^2, the Cramer-Rao bound (from memory, derived from
the information matrix of the sine).
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.dsp.tone import fit_harmonics, fit_tone, strongest_tone_hz
from harness.errors import NoTone, TooShort


def test_worked_example_4_6_four_parameters() -> None:
    n = np.arange(64)
    audio = 0.05 + 1.2 * np.sin(2 * np.pi * 1000 * n / 16480 + 0.7) + 0.01 * ((n % 3) - 1)
    tone = fit_tone(audio, 16480.0, 1000.0)
    # Half a unit of the last printed digit.
    assert tone.frequency_hz == pytest.approx(1000.0176653, abs=5e-8)
    assert tone.amplitude == pytest.approx(1.1999054, abs=5e-8)
    assert tone.phase_rad + np.pi / 2 == pytest.approx(0.6995224, abs=5e-8)
    assert tone.mean == pytest.approx(0.0498311, abs=5e-8)
    assert tone.residual_rms == pytest.approx(0.0081914107, abs=5e-11)


def test_worked_example_4_5_coherent_with_third_harmonic() -> None:
    n = np.arange(100)
    x = 0.25 + np.cos(2 * np.pi * 1000 * n / 20000 + 0.3)
    audio = x + 0.1 * np.cos(2 * np.pi * 3000 * n / 20000 - 1)
    fitted = fit_harmonics(audio, 20000.0, 1000.0, 1)
    # Frequency held: A cos - B sin, so the complex amplitude is A - jB with B as printed.
    assert fitted.amplitudes[0].real == pytest.approx(0.95533649, abs=5e-9)
    assert -fitted.amplitudes[0].imag == pytest.approx(-0.29552021, abs=5e-9)
    assert fitted.mean == pytest.approx(0.25, abs=5e-9)
    rms = np.sqrt(np.mean(fitted.residual**2))
    assert rms == pytest.approx(0.0706 + 0.0000106781 + 0.0001, abs=5e-11)


def test_third_harmonic_fitted_beside_the_first() -> None:
    n = np.arange(517)
    audio = 3.0 + 2.0 * np.cos(2 * np.pi * 0.0431 * n + 0.5)
    audio += 0.2 * np.cos(3 * 2 * np.pi * 0.0431 * n - 1.1)
    fitted = fit_harmonics(audio, 1.0, 0.0431, 4)
    expected = [2.0 * np.exp(0.5j), 0.0, 0.2 * np.exp(-1.1j), 0.0]
    assert fitted.amplitudes == pytest.approx(expected, abs=1e-12)
    assert np.abs(fitted.residual).max() < 1e-12


@given(
    frequency_hz=st.floats(305.0, 3390.0),
    phase_rad=st.floats(-3.1, 3.1),
    amplitude=st.floats(1e-3, 1e4),
    mean=st.floats(-1e3, 1e3),
    off=st.floats(-0.4, 0.4),
)
def test_clean_sine_is_found_exactly(
    frequency_hz: float, phase_rad: float, amplitude: float, mean: float, off: float
) -> None:
    n = np.arange(2500)
    audio = mean + amplitude * np.cos(2 * np.pi * frequency_hz * n / 25e3 + phase_rad)
    # The guess may be off by a good part of 1 / duration, as its docstring says.
    tone = fit_tone(audio, 25e3, frequency_hz + off * 10.0)
    # Rounding: the mean may be a million times the amplitude, so its last bits count.
    slack = 1e-9 * amplitude + 1e-13 * abs(mean) * 1e2
    assert tone.amplitude == pytest.approx(amplitude, abs=slack)
    assert tone.frequency_hz == pytest.approx(frequency_hz, abs=1e-6 + 10 * slack / amplitude)
    turn = np.angle(np.exp(1j * (tone.phase_rad - phase_rad)))
    assert turn == pytest.approx(0.0, abs=1e-6 + 100 * slack / amplitude)
    assert tone.mean == pytest.approx(mean, abs=slack + 1e-9)


@pytest.mark.parametrize(("amplitude", "sigma"), [(1.0, 0.1), (1.0, 0.7), (1500.0, 300.0)])
def test_stated_uncertainty_is_what_repeats_show(amplitude: float, sigma: float) -> None:
    rng = np.random.default_rng([4, int(10 * sigma)])
    n, rate_hz, repeats = 2000, 20e3, 400
    clean = amplitude * np.cos(2 * np.pi * 1013.0 * np.arange(n) / rate_hz + 1.0)
    fits = [fit_tone(clean + sigma * rng.standard_normal(n), rate_hz, 1010.0) for _ in range(400)]
    # Five sigma of a standard deviation from 400 repeats is 18 %.
    rel = 5 / np.sqrt(2 * repeats)
    cases = [
        ([t.amplitude for t in fits], [t.amplitude_uncertainty for t in fits]),
        ([t.frequency_hz for t in fits], [t.frequency_uncertainty_hz for t in fits]),
        ([t.phase_rad for t in fits], [None]),
    ]
    bound = sigma * np.sqrt(2 / n)
    bound_hz = np.sqrt(6 / n**3) * sigma * rate_hz / (np.pi * amplitude)
    for (got, said), truth in zip(cases[:2], (bound, bound_hz), strict=True):
        assert np.std(got) == pytest.approx(truth, rel=rel)
        assert np.mean(said) == pytest.approx(truth, rel=0.05)
    # Phase at sample 0, not at the middle: frequency pulls it, and its variance is four times.
    at_start = np.std(cases[2][0])
    assert at_start == pytest.approx(2 * sigma * np.sqrt(2 / n) / amplitude, rel=rel)


def test_stated_phase_uncertainty_is_that_of_the_stated_phase() -> None:
    rng = np.random.default_rng([4, 99])
    n, rate_hz = 2000, 20e3
    clean = np.cos(2 * np.pi * 1013.0 * np.arange(n) / rate_hz + 1.0)
    fits = [fit_tone(clean + 0.3 * rng.standard_normal(n), rate_hz, 1010.0) for _ in range(400)]
    spread = np.std([t.phase_rad for t in fits])
    assert np.mean([t.phase_uncertainty_rad for t in fits]) == pytest.approx(spread, rel=0.18)


@pytest.mark.parametrize(
    ("audio", "guess_hz", "error"),
    [
        (np.zeros(0), 1000.0, TooShort),
        (np.zeros(1), 1000.0, TooShort),
        (np.ones(40), 1000.0, TooShort),
        (np.random.default_rng(3).standard_normal(4000), 1000.0, None),
        (np.zeros(4000), 1000.0, None),
        (np.full(4000, 7.0), 1000.0, None),
    ],
)
def test_no_tone_to_fit(audio: np.ndarray, guess_hz: float, error: type | None) -> None:
    """Too short is refused; noise and silence give no tone, or one that is not significant."""
    if error is not None:
        with pytest.raises(error):
            fit_tone(audio, 20e3, guess_hz)
        return
    try:
        tone = fit_tone(audio, 20e3, guess_hz)
    except NoTone:
        return
    assert np.isfinite(tone.amplitude)
    assert tone.amplitude <= 6 * tone.amplitude_uncertainty + 1e-9


@pytest.mark.parametrize("frequency_hz", [301.0, 1000.0, 1039.58, 2999.9])
@pytest.mark.parametrize("duration_s", [0.06, 0.5, 1.0])
def test_strongest_tone_is_near_enough_for_the_fit(frequency_hz: float, duration_s: float) -> None:
    rng = np.random.default_rng(8)
    n = np.arange(int(25e3 * duration_s))
    audio = np.cos(2 * np.pi * frequency_hz * n / 25e3) + 0.3 * rng.standard_normal(len(n))
    found_hz = strongest_tone_hz(audio, 25e3, 250.0, 3400.0)
    # fit_tone needs its guess within 1 / duration.
    assert abs(found_hz - frequency_hz) < 0.5 / duration_s
