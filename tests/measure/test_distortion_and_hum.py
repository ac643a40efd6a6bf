"""Distortion, hum and noise at DESIGN's error goals: 0.1 percentage point, 0.3 dB.

Truth by formula (tests/truth/audio.py). Published: sinad_relations.csv (FS-1037C).
"""

import numpy as np
import pytest

from tests.measure.audio_channel import (
    measure_stretches,
    one,
    rows_of,
)
from tests.truth.audio import (
    SPEECH_HZ,
    Line,
    Stretch,
    density_for_sinad,
    steady,
    weighted_noise_power,
)

RATE_HZ = 25e3

# Distortion ---------------------------------------------------------------------------------------


def distorted(tone_hz: float, parts: dict[int, float], **how) -> Stretch:
    lines = [Line(frequency_hz=tone_hz, amplitude=1500.0, phase_rad=0.4)]
    for order, percent in parts.items():
        lines.append(
            Line(
                frequency_hz=order * tone_hz,
                amplitude=15.0 * percent,
                phase_rad=0.4 * order + order**2,
            )
        )
    return steady(lines, RATE_HZ, how.pop("seconds", 3.0), **how)


@pytest.mark.parametrize("density", [0.0, 0.05, 0.4], ids=["clean", "38 dB", "29 dB"])
@pytest.mark.parametrize(
    ("tone_hz", "parts", "percent"),
    [
        (1000.0, {2: 0.3}, 0.3),
        (1000.0, {2: 3.0, 3: 4.0}, 5.0),
        (1000.0, {3: 10.0}, 10.0),
        (1000.0, {2: 1.0, 3: 1.0, 4: 1.0, 5: 1.0}, 2.0),
        (700.0, {2: 1.2, 5: 0.9}, 1.5),
        (1200.0, {4: 2.0, 5: 3.0}, 2.0),  # the 5th lies at 6 kHz and does not count
        (2300.0, {2: 1.0}, 1.0),
        (433.33, {2: 2.0, 3: 1.5}, 2.5),
    ],
)
def test_distortion(tone_hz: float, parts: dict, percent: float, density: float) -> None:
    stretch = distorted(tone_hz, parts, density=density, band_hz=(50.0, 5600.0), draw=3)
    reading = one(measure_stretches([stretch]), "audio_distortion")
    # DESIGN's goal; at 1 % and above noise of 29 dB adds up to its own U.
    assert reading.value == pytest.approx(percent, abs=0.1)
    low, high = reading.interval
    assert low - 0.03 <= percent <= high + 0.03


def test_published_distortion_and_sinad(reference) -> None:
    """sinad_relations.csv: without noise the distortion factor is sqrt(D / (S + D)); DESIGN's is to
    the tone alone."""
    for row in rows_of(reference / "sinad_relations.csv")[6:]:
        sinad, factor = float(row["sinad_db"]), float(row["distortion_percent"]) / 100.0
        to_tone = 100.0 * factor / np.sqrt(1.0 - factor**2)
        findings = measure_stretches([distorted(1000.0, {2: to_tone}, seconds=1.5)])
        # Half a unit in the last digit of the table, and the channel's single precision.
        assert one(findings, "sinad", weighting="flat").value == pytest.approx(sinad, abs=0.01)
        assert one(findings, "audio_distortion").value == pytest.approx(to_tone, abs=0.01)


def test_noise_alone_is_no_distortion() -> None:
    density = density_for_sinad(1500.0, 15.0, SPEECH_HZ)
    stretch = distorted(1000.0, {}, density=density, band_hz=(50.0, 5500.0), draw=5)
    reading = one(measure_stretches([stretch]), "audio_distortion")
    low, high = reading.interval
    # Raw, the four bins of noise would read about 0.4 %.
    assert low == 0.0
    assert high < 0.8
    assert "floor" in reading.flags


def test_no_harmonic_below_5_khz_is_not_measured() -> None:
    reading = one(measure_stretches([distorted(2600.0, {})]), "audio_distortion")
    assert reading.value is None
    assert "5 kHz" in reading.note


# Hum and noise ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "density"),
    [
        ([(100.0, 20.0)], 0.0),
        ([(50.0, 15.0), (150.0, 5.0)], 0.01),
        ([(60.0, 30.0), (120.0, 10.0), (180.0, 6.0)], 0.05),
        ([], 0.02),
        ([(100.0, 3.0)], 0.5),
        ([(88.5, 60.0)], 0.01),
    ],
    ids=str,
)
@pytest.mark.parametrize("de_emphasis", [False, True])
def test_hum_and_noise(lines, density: float, de_emphasis: bool) -> None:
    made_of = [Line(frequency_hz=f, amplitude=a, phase_rad=f) for f, a in lines]
    tone = [
        Line(frequency_hz=1000.0, amplitude=1500.0),
        Line(frequency_hz=2000.0, amplitude=40.0),
    ]
    stretch = steady(tone + made_of, RATE_HZ, 4.0, density=density, band_hz=(50.0, 5000.0), draw=8)
    power = 2.0 if de_emphasis else 0.0

    def weight(f):
        return (1000.0 / np.asarray(f)) ** power

    left = weighted_noise_power(density, (50.0, 3000.0), weight) if density else 0.0
    left += sum(a**2 / 2.0 * weight(f) for f, a in lines)
    truth = 10 * np.log10(left / (1500.0**2 / 2.0))
    findings = measure_stretches([stretch], rated_deviation_hz=2500.0, de_emphasis=de_emphasis)
    reading = one(findings, "hum_and_noise", de_emphasis=de_emphasis)
    # DESIGN's goal; noise next to 50 Hz, de-emphasised, has few values: its own U.
    assert reading.value == pytest.approx(truth, abs=max(0.3, reading.expanded_uncertainty))
    assert reading.value < 0.0


@pytest.mark.parametrize("rated_hz", [2500.0, 5000.0])
def test_hum_of_an_unmodulated_carrier(rated_hz: float) -> None:
    """100, 300 and 700 Hz: the strongest in the speech band is hum, not a test tone."""
    lines = [
        Line(frequency_hz=f, amplitude=a, phase_rad=f)
        for f, a in ((100.0, 20.0), (300.0, 12.0), (700.0, 5.0))
    ]
    stretch = steady(lines, RATE_HZ, 3.0, density=0.01, band_hz=(50.0, 5000.0))
    left = (20.0**2 + 12.0**2 + 5.0**2) / 2 + 0.01 * 2950.0
    truth = 10 * np.log10(left / ((0.6 * rated_hz) ** 2 / 2))
    reading = one(measure_stretches([stretch], rated_deviation_hz=rated_hz), "hum_and_noise")
    assert reading.value == pytest.approx(truth, abs=0.3)


def test_hum_without_a_reference_is_not_measured() -> None:
    stretch = distorted(1000.0, {2: 1.0}, seconds=1.5, density=0.1)
    for roles, options in ((("output",), {}), (("audio",), {"rated_deviation_hz": 2500.0})):
        reading = one(measure_stretches([stretch], roles=roles, **options), "hum_and_noise")
        assert reading.value is None
        assert "standard test modulation" in reading.note


@pytest.mark.parametrize("level_db", [-25.0, -40.0, -55.0])
def test_hum_of_audio_against_a_span_with_standard_modulation(level_db: float) -> None:
    """Two seconds of the tone, then two without: the trade's way on a sound card."""
    hum = Line(frequency_hz=100.0, amplitude=0.3 * 10 ** (level_db / 20))
    with_tone = steady([Line(frequency_hz=1000.0, amplitude=0.3), hum], RATE_HZ, 2.0)
    without = steady([hum], RATE_HZ, 2.0, density=1e-14)
    audio = np.concatenate([with_tone.audio, without.audio])
    stretch = Stretch(rate_hz=RATE_HZ, audio=audio, phase_rad=audio)
    findings = measure_stretches([stretch], roles=("audio",), standard_span_s=(0.0, 2.0))
    assert one(findings, "hum_and_noise").value == pytest.approx(level_db, abs=0.1)
