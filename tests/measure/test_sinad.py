"""SINAD by each weighting at DESIGN's error goal: 0.2 dB from 6 to 40 dB.

Truth by formula (tests/truth/audio.py), the weightings from the published tables themselves
(ITU-T O.41, read second-hand); below threshold a long run of the physics of fm_post_detection.csv.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.measure.audio_channel import (
    measure_stretches,
    one,
    readings_of,
    rows_of,
)
from tests.truth.audio import (
    SPEECH_HZ,
    Line,
    Stretch,
    by_points,
    density_for_sinad,
    sinad_db,
    steady,
    weighted_noise_power,
)
from tests.truth.repeater import fm_through_limiter, limiter_discriminator

RATE_HZ = 25e3
FILES = {
    "flat": None,
    "psophometric": "weighting_psophometric_o41.csv",
    "c-message": "weighting_c_message.csv",
}


def weight_of(name: str, reference):
    if FILES[name] is None:
        return by_points([300.0, 3000.0], [0.0, 0.0])
    rows = rows_of(reference / FILES[name])
    return by_points(
        [float(row["frequency_hz"]) for row in rows], [float(row["weight_db"]) for row in rows]
    )


SIGNALS = {
    "tone in flat noise": ([(1000.0, 1500.0)], 0.8, SPEECH_HZ, False),
    "low tone": ([(400.0, 900.0)], 2.0, SPEECH_HZ, False),
    "high tone, off the bins": ([(2713.37, 700.0)], 0.1, SPEECH_HZ, False),
    "discriminator noise": ([(1000.0, 1500.0)], 2.0, (50.0, 5500.0), True),
    "with distortion": ([(1000.0, 1500.0), (2000.0, 60.0), (3000.0, 90.0)], 0.05, SPEECH_HZ, False),
    "with hum": ([(1000.0, 1500.0), (450.0, 30.0), (2650.0, 9.0)], 0.05, SPEECH_HZ, False),
    "weak": ([(1000.0, 700.0)], 30.0, SPEECH_HZ, False),
}


def made(name: str, **how) -> tuple[list[Line], Stretch]:
    tones, density, band_hz, rising = SIGNALS[name]
    lines = [Line(frequency_hz=f, amplitude=a, phase_rad=0.5 * f) for f, a in tones]
    given = {"density": density, "band_hz": band_hz, "rising": rising, "draw": 4}
    return lines, steady(lines, RATE_HZ, how.pop("seconds", 4.0), **{**given, **how})


@pytest.mark.parametrize("de_emphasis", [False, True], ids=["as it is", "de-emphasised"])
@pytest.mark.parametrize("signal", SIGNALS)
def test_sinad_by_all_weightings(signal: str, de_emphasis: bool, reference) -> None:
    lines, stretch = made(signal)
    _, density, band_hz, rising = SIGNALS[signal]
    findings = measure_stretches([stretch], de_emphasis=de_emphasis)
    assert len(readings_of(findings, "sinad")) == 3
    for name in FILES:
        curve = weight_of(name, reference)

        def weight(f, curve=curve):
            return curve(f) * (1000.0 / f) ** (2.0 if de_emphasis else 0.0)

        # The edge of the band: what stands at 3000 Hz counts.
        noise = weighted_noise_power(density, band_hz, weight, rising=rising)
        truth = sinad_db(lines, noise, weight)
        reading = one(findings, "sinad", weighting=name, de_emphasis=de_emphasis)
        # DESIGN's goal, and the scatter of the noise drawn (expected power known, not its own).
        allowed = max(0.2, 1.3 * reading.expanded_uncertainty)
        assert reading.value == pytest.approx(truth, abs=allowed), name
        assert reading.expanded_uncertainty < 0.35


@pytest.mark.parametrize("weighting", FILES)
def test_the_weighting_asked_for_comes_first(weighting: str) -> None:
    _, stretch = made("discriminator noise")
    findings = measure_stretches([stretch], weighting=weighting)
    assert findings.readings[0].conditions["weighting"] == weighting


def test_a_line_weighs_as_the_table_says(reference) -> None:
    """Tone at 1 kHz, one line at 2500 Hz 20 dB below, nothing else: psophometric S/D is
    20 + 1.0 + 4.2 dB, C-message 20 + 0 + 1.1 dB (both tables)."""
    lines = [
        Line(frequency_hz=1000.0, amplitude=1500.0),
        Line(frequency_hz=2500.0, amplitude=150.0, phase_rad=1.0),
    ]
    findings = measure_stretches([steady(lines, RATE_HZ, 2.0)])
    for weighting, ratio_db in (("flat", 20.0), ("psophometric", 25.2), ("c-message", 21.1)):
        truth = 10 * np.log10(1 + 10 ** (ratio_db / 10))
        # Without noise the answer is a formula: 0.02 dB, as in the published third harmonic.
        assert one(findings, "sinad", weighting=weighting).value == pytest.approx(truth, abs=0.02)


def _own_sinad_db(iq: np.ndarray, rate_hz: float) -> float:
    """SINAD by this folder's discriminator and one long transform."""
    audio = limiter_discriminator(iq, rate_hz)
    audio = audio[: len(audio) // 50 * 50]
    frequency_hz = np.fft.rfftfreq(len(audio), 1 / rate_hz)
    density = np.abs(np.fft.rfft(audio) / np.sinc(frequency_hz / rate_hz)) ** 2
    tone = np.abs(frequency_hz - 1000.0) < 0.5
    band = (frequency_hz >= 300.0) & (frequency_hz <= 3000.0)
    return 10 * np.log10(density[band].sum() / density[band & ~tone].sum())


@pytest.mark.parametrize(
    ("deviation_hz", "cnr_db", "least_db", "most_db"),
    [(1500.0, 3.5, 2.5, 4.5), (1500.0, 5.0, 4.0, 6.5), (1500.0, 6.5, 6.0, 9.0)],
)
def test_sinad_where_clicks_rule(deviation_hz, cnr_db, least_db, most_db) -> None:
    """Far below the FM threshold, 3 to 8 dB SINAD: truth is a long run of the same physics through
    another discriminator, clicks and the tone that they take with them included."""
    rate_hz, bandwidth_hz = 25e3, 11e3
    truth = _own_sinad_db(
        fm_through_limiter(600_000, rate_hz, 1000.0, deviation_hz, bandwidth_hz, cnr_db, 11),
        rate_hz,
    )
    assert least_db < truth < most_db
    iq = fm_through_limiter(250_000, rate_hz, 1000.0, deviation_hz, bandwidth_hz, cnr_db, 12)
    stretch = Stretch(rate_hz=rate_hz, audio=np.abs(iq), phase_rad=np.angle(iq))
    reading = one(measure_stretches([stretch]), "sinad", weighting="flat")
    # DESIGN's goal and the scatter of 10 s here and 24 s there, hundreds of clicks in each.
    assert reading.value == pytest.approx(truth, abs=0.2 + reading.expanded_uncertainty)
    assert reading.expanded_uncertainty < 0.3


@pytest.mark.parametrize("seconds", [0.15, 0.3, 0.77])
def test_sinad_of_short_records(seconds: float) -> None:
    density = density_for_sinad(1500.0, 20.0, SPEECH_HZ)
    tone = Line(frequency_hz=1013.37, amplitude=1500.0)
    errors = []
    for draw in range(12):
        stretch = steady(
            [tone], RATE_HZ, seconds, density=density, band_hz=(250.0, 3300.0), draw=draw
        )
        reading = one(measure_stretches([stretch]), "sinad", weighting="flat")
        errors.append((reading.value - 20.0, reading.expanded_uncertainty))
    error, expanded = np.mean(errors, axis=0)
    # The mean of twelve is free of bias: within DESIGN's goal and three of its own sigmas.
    assert abs(error) < 0.05 + 3 * expanded / 2 / np.sqrt(12)


@given(cuts=st.lists(st.integers(1, 49_999), max_size=6))
@settings(max_examples=8)
def test_any_cut_gives_the_same_bits(cuts: list[int]) -> None:
    _, stretch = made("with distortion", seconds=2.0)
    assert measure_stretches([stretch], cuts=cuts) == measure_stretches([stretch])


def test_twice_the_audio_has_the_same_sinad() -> None:
    _, stretch = made("with distortion", seconds=2.0)
    first = measure_stretches([stretch], roles=("audio",))
    second = measure_stretches([stretch], roles=("audio",), gain=2.0)
    for name in ("sinad", "audio_distortion", "tone_frequency"):
        pairs = zip(readings_of(first, name), readings_of(second, name), strict=True)
        for a, b in pairs:
            assert b.value == pytest.approx(a.value, abs=1e-9)
