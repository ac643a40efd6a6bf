"""The core against general-purpose libraries that share no code with it.

scipy.signal (filters, spectra), scipy.optimize (curve fits), statsmodels (probit), uncertainties
(propagation with correlations) and numpy.linalg. Each row feeds both with the same numbers. The
tolerance of a row is what the two methods may differ by on those numbers, and its reason stands
with it.
"""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, signal
from uncertainties import ufloat

from harness.dsp.tone import fit_line, fit_tone
from harness.measure.ogive import fit_ogive
from harness.measure.ogive_likelihood import draws_from_trials
from harness.measure.run import measure_recordings
from harness.uncertainty import Contribution, combine, difference, merge, scaled
from tests.truth.files import write_pair

RATE_HZ = 250e3
CENTRE_HZ = 153.725e6
AT_HZ = 153.785e6


# --- readings of a recording -------------------------------------------------------------------


@pytest.fixture(scope="module")
def iq() -> np.ndarray:
    """1 kHz at 1500 Hz, 60.123 kHz off the recorder's centre, noise 40 dB down in 12.5 kHz."""
    time_s = np.arange(round(2.0 * RATE_HZ)) / RATE_HZ
    phase = 2 * np.pi * 60_123.0 * time_s + 1.5 * np.sin(2 * np.pi * 1000.0 * time_s + 0.7)
    rng = np.random.default_rng(11)
    rms = 0.5 * 10 ** (-40 / 20) * math.sqrt(RATE_HZ / 12.5e3)
    noise = rng.normal(0.0, rms / math.sqrt(2), (2, len(time_s)))
    return 0.5 * np.exp(1j * phase) + noise[0] + 1j * noise[1]


@pytest.fixture(scope="module")
def readings(iq, tmp_path_factory) -> dict[str, float]:
    path = write_pair(tmp_path_factory.mktemp("other") / "r", [iq], "cf32_le", RATE_HZ, CENTRE_HZ)
    found = {}
    for kind in ("carrier", "audio", "spectrum"):
        findings = measure_recordings(kind, [path], at_hz=AT_HZ, spacing_hz=12500.0)
        for reading in findings.readings:
            weighted = reading.conditions.get("weighting", "flat") != "flat"
            if isinstance(reading.value, float) and not weighted:
                found[f"{reading.name} {reading.conditions.get('side', '')}".strip()] = (
                    reading.value
                )
    return found


@pytest.fixture(scope="module")
def audio_hz(iq) -> np.ndarray:
    """Give the frequency by the plain textbook chain: mix, firwin, decimate, unwrap, differ."""
    n = np.arange(len(iq))
    mixed = iq * np.exp(-2j * np.pi * (AT_HZ - CENTRE_HZ) / RATE_HZ * n)
    taps = signal.firwin(801, 9e3, fs=RATE_HZ, window=("kaiser", 9.0))
    channel = signal.upfirdn(taps, mixed, down=5)[200:-200]
    return np.diff(np.unwrap(np.angle(channel))) * RATE_HZ / 5 / (2 * np.pi)


def sine(time_s, amplitude, frequency_hz, phase_rad, mean):
    return amplitude * np.cos(2 * np.pi * frequency_hz * time_s + phase_rad) + mean


@pytest.fixture(scope="module")
def curve_fit(audio_hz) -> np.ndarray:
    """scipy's Levenberg-Marquardt on the textbook chain: amplitude, frequency, phase, mean."""
    time_s = np.arange(len(audio_hz)) * 5 / RATE_HZ
    start = (1400.0, 1000.02, -0.8, 100.0)
    found, _ = optimize.curve_fit(sine, time_s, audio_hz, start)
    return np.asarray(found)


def test_tone_against_a_textbook_chain_and_curve_fit(readings, curve_fit) -> None:
    # A difference over 20 us is short by sinc(1 kHz * 20 us): 0.066 %, taken back here.
    droop = np.sinc(1000.0 * 5 / RATE_HZ)
    # Their noise differs by what their filters let through: 5 sigma of 6 Hz rms in 50 000 samples.
    assert readings["deviation_tone"] == pytest.approx(abs(curve_fit[0]) / droop, abs=0.4)
    assert readings["tone_frequency"] == pytest.approx(curve_fit[1], abs=1e-3)
    assert readings["frequency_error"] == pytest.approx(curve_fit[3], abs=0.3)


def test_sinad_against_periodogram_of_the_textbook_chain(readings, audio_hz) -> None:
    """Power within 300 to 3000 Hz, with the tone and without: one periodogram, whole periods."""
    whole = audio_hz[: round(1.9 * RATE_HZ / 5)]
    frequency_hz, power = signal.periodogram(whole, RATE_HZ / 5, window="boxcar")
    band = (frequency_hz >= 300.0) & (frequency_hz <= 3000.0)
    tone = np.abs(frequency_hz - 1000.0) < 1.0
    expected_db = 10 * np.log10(power[band].sum() / power[band & ~tone].sum())
    # Noise in 2700 Hz over 1.9 s: 5130 lines, 0.06 dB each; they see nearly the same 1.9 of 2 s.
    assert readings["sinad"] == pytest.approx(expected_db, abs=0.1)


def test_occupied_bandwidth_and_neighbours_against_welch(readings, iq) -> None:
    frequency_hz, power = signal.welch(
        iq, RATE_HZ, window="blackmanharris", nperseg=8192, return_onesided=False, detrend=False
    )
    order = np.argsort(frequency_hz)
    offset_hz, power = frequency_hz[order] - (AT_HZ - CENTRE_HZ), power[order]
    carrier = np.abs(offset_hz) <= 6250.0
    share = np.cumsum(power[carrier]) / power[carrier].sum()
    low, high = (offset_hz[carrier][np.searchsorted(share, part)] for part in (0.005, 0.995))
    # One resolution bandwidth (DESIGN section 3); Welch's line is 61 Hz wide.
    assert readings["occupied_bandwidth"] == pytest.approx(high - low, abs=100.0)
    for side, middle_hz in (("lower", -12.5e3), ("upper", 12.5e3)):
        inside = np.abs(offset_hz - middle_hz) <= 4250.0
        expected_db = 10 * np.log10(power[inside].sum() / power[carrier].sum())
        # DESIGN's goal is 0.5 dB; both see the same noise. A bound may be above, not below.
        assert readings[f"adjacent_channel_power {side}"] == pytest.approx(expected_db, abs=0.5)


# --- fits --------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_sine_fit_against_curve_fit(seed: int) -> None:
    rng = np.random.default_rng([seed, 3])
    frequency_hz, amplitude = rng.uniform(250.0, 3200.0), rng.uniform(0.1, 5.0)
    time_s = np.arange(6000) / 12e3
    truth = (amplitude, frequency_hz, rng.uniform(-3, 3), rng.normal())
    noisy = sine(time_s, *truth) + rng.normal(0.0, 0.3 * amplitude, len(time_s))
    theirs, covariance = optimize.curve_fit(sine, time_s, noisy, truth)
    ours = fit_tone(noisy, 12e3, frequency_hz + 0.3)
    # Both are the least-squares sine: alike but for where each stops.
    assert ours.amplitude == pytest.approx(abs(theirs[0]), rel=1e-6)
    assert ours.frequency_hz == pytest.approx(theirs[1], abs=1e-5)
    assert ours.mean == pytest.approx(theirs[3], abs=1e-6)
    # Uncertainties from the same normal equations, to terms of 1/periods.
    spread = np.sqrt(np.diag(covariance))
    assert ours.frequency_uncertainty_hz == pytest.approx(spread[1], rel=0.02)
    assert ours.amplitude_uncertainty == pytest.approx(spread[0], rel=0.02)


def test_line_against_the_top_of_a_chirp_z_transform() -> None:
    rng = np.random.default_rng(8)
    n = np.arange(5000)
    iq = np.exp(2j * np.pi * 1234.5678 / 25e3 * n) + rng.normal(0, 0.2, (2, 5000)).T @ [1, 1j]
    ours = fit_line(iq, 25e3)
    points = 20_001
    zoom = signal.zoom_fft(iq, [1232.0, 1237.0], m=points, fs=25e3)
    theirs = 1232.0 + 5.0 / points * int(np.argmax(np.abs(zoom)))
    # Phases of 32 pieces know 99 % of what the whole knows (1 - 1/32^2 and their wrapping): the
    # two lie 0.1 of u apart by chance, five of which are half of it; u is 8 mHz here.
    assert 0.006 < ours.frequency_uncertainty_hz < 0.011
    assert ours.frequency_hz == pytest.approx(theirs, abs=ours.frequency_uncertainty_hz / 2)


@pytest.mark.parametrize("seed", range(4))
def test_ogive_against_statsmodels_probit(seed: int) -> None:
    """Same counts into a binomial regression with a probit link: opening is -a/b, spread 1/b."""
    rng = np.random.default_rng([seed, 17])
    levels = np.arange(-114.0, -108.9, 0.5)
    trials = np.full(len(levels), 40.0)
    keyed = rng.binomial(40, sm.families.links.Probit().inverse((levels + 111.4) / 0.9))
    design = sm.add_constant(levels + 111.0)
    family = sm.families.Binomial(link=sm.families.links.Probit())
    fitted = sm.GLM(np.column_stack([keyed, trials - keyed]), design, family=family).fit(tol=1e-12)
    intercept, slope = fitted.params
    ours = fit_ogive(draws_from_trials(levels, keyed.astype(float), trials))
    assert ours.state == "fitted"
    # One maximum of one likelihood: alike but for where each stops.
    assert ours.mean == pytest.approx(-111.0 - intercept / slope, abs=1e-4)
    assert ours.sigma == pytest.approx(1.0 / slope, abs=1e-4)
    gradient = np.array([-1.0 / slope, intercept / slope**2])
    spread = math.sqrt(gradient @ fitted.cov_params() @ gradient)
    # Theirs is the curvature at the top, ours half of the likelihood interval over its factor;
    # with 440 trials both agree to a few hundredths.
    assert ours.standard_uncertainty == pytest.approx(spread, rel=0.1)


# --- uncertainty -------------------------------------------------------------------------------

CONTRIBUTIONS = st.lists(
    st.tuples(
        st.sampled_from(["clock", "pad", "fit", "cable"]),
        st.floats(-3.0, 3.0),
    ),
    min_size=1,
    max_size=6,
)
SPREADS = {"clock": 0.3, "pad": 0.1, "fit": 0.05, "cable": 0.2}


def ours(parts) -> list[Contribution]:
    return [
        Contribution(name=name, standard_uncertainty=SPREADS[name], sensitivity=sensitivity)
        for name, sensitivity in parts
    ]


@given(CONTRIBUTIONS, CONTRIBUTIONS, st.floats(-4.0, 4.0))
@settings(max_examples=100, deadline=None)
def test_differences_and_multiples_against_uncertainties(first, second, factor) -> None:
    quantities = {name: ufloat(0.0, spread) for name, spread in SPREADS.items()}

    def theirs(parts):
        return sum((sensitivity * quantities[name] for name, sensitivity in parts), 0.0)

    expected = theirs(first) - factor * theirs(second)
    found = combine(difference(merge(ours(first)), scaled(merge(ours(second)), factor)))
    # Rounding where large parts cancel.
    assert found.standard_uncertainty == pytest.approx(expected.std_dev, rel=1e-9, abs=1e-12)
