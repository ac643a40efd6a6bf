"""Subaudible tones against signals made of sines and noise, and their names against the list.

Goal (DESIGN section 3): 0.1 Hz, with a test tone beside it too. Published: ctcss_tones.csv (EIA/TIA
RS-220 groups A, B, C as quoted; 97.4 and 69.3 Hz are in common lists and not among the 37).
"""

import numpy as np
import pytest

from harness.blocks import Block
from harness.measure.carrier import Carrier
from harness.measure.setup import Channel, Options
from harness.measure.subaudible import name_of
from harness.uncertainty import Contribution
from tests.measure.audio_channel import carrier_of, one, readings_of, rows_of
from tests.truth.audio import Line, steady

RATE_HZ = 25e3


def carrier_findings(lines, *, seconds=3.0, density=0.05, draw=1, rising=True, **channel):
    stretch = steady(
        [Line(frequency_hz=f, amplitude=a, phase_rad=0.1 * f) for f, a in lines],
        RATE_HZ,
        seconds,
        density=density,
        band_hz=(20.0, 5500.0),
        rising=rising,
        draw=draw,
    )
    measurement = Carrier(
        {"output": Channel(name="o", role="output", sample_rate_hz=RATE_HZ, **channel)}, Options()
    )
    measurement.push("output", Block(carrier_of(stretch), 0, RATE_HZ))
    return measurement.finish()


BESIDE = {
    "alone": [],
    "with 1 kHz": [(1000.0, 1500.0)],
    "with 400 Hz": [(400.0, 1500.0)],
    "with 1013.7 Hz and hum": [(1013.7, 1800.0), (50.0, 20.0), (120.0, 8.0)],
}


@pytest.mark.parametrize("beside", BESIDE)
@pytest.mark.parametrize(
    ("tone_hz", "deviation_hz"), [(67.0, 350.0), (103.5, 120.0), (151.4, 500.0), (250.3, 350.0)]
)
def test_frequency_and_deviation(tone_hz: float, deviation_hz: float, beside: str) -> None:
    findings = carrier_findings([*BESIDE[beside], (tone_hz, deviation_hz)])
    tone = one(findings, "subaudible_tone")
    # DESIGN's goal.
    assert tone.value == pytest.approx(tone_hz, abs=0.1)
    assert tone.expanded_uncertainty < 0.1
    assert one(findings, "subaudible_deviation").value == pytest.approx(deviation_hz, rel=0.01)
    assert "RS-220" in tone.note
    if beside != "alone":
        assert one(findings, "deviation_tone").value == pytest.approx(
            BESIDE[beside][0][1], rel=2e-3
        )


def test_names_are_the_published_ones(reference) -> None:
    rows = rows_of(reference / "ctcss_tones.csv")
    assert sum(row["in_rs220_37"] == "yes" for row in rows) == 37
    for row in rows:
        for off in (-0.002, 0.0, 0.002):
            said = name_of(float(row["tone_hz"]) * (1 + off))
            assert said.startswith(f"{float(row['tone_hz']):.1f} Hz")
            if row["in_rs220_37"] == "yes":
                assert said.endswith(f"RS-220, group {row['eia_group']}")
            else:
                assert "not one of the 37" in said


@pytest.mark.parametrize("tone_hz", [97.4, 69.3])
def test_common_tones_that_are_not_of_the_standard_are_said_so(tone_hz: float) -> None:
    reading = one(carrier_findings([(1000.0, 1500.0), (tone_hz, 350.0)]), "subaudible_tone")
    assert reading.value == pytest.approx(tone_hz, abs=0.1)
    assert "not one of the 37 of EIA/TIA RS-220" in reading.note


def test_a_tone_between_the_listed_ones_has_no_name() -> None:
    reading = one(carrier_findings([(141.3 * 1.0175, 350.0)]), "subaudible_tone")
    assert reading.note == "on no list of tones"


@pytest.mark.parametrize(
    "lines", [[], [(1000.0, 1500.0)], [(1000.0, 1500.0), (100.0, 25.0)], [(50.0, 300.0)]], ids=str
)
def test_noise_and_hum_are_no_subaudible_tone(lines) -> None:
    assert not readings_of(carrier_findings(lines), "subaudible_tone")


def test_the_clock_enters() -> None:
    clock = Contribution(name="r.clock_error_ppm", standard_uncertainty=500.0)
    findings = carrier_findings([(100.0, 350.0)], density=0.0, clock_contributions=(clock,))
    reading = one(findings, "subaudible_tone")
    # 500 ppm of 100 Hz, k = 2.
    assert reading.expanded_uncertainty == pytest.approx(0.1, rel=0.01)


def test_uncertainty_covers_the_truth() -> None:
    errors = []
    for draw in range(25):
        lines = [(1000.0, 1500.0), (114.8, 300.0)]
        findings = carrier_findings(lines, seconds=2.2, density=40.0, draw=draw, rising=False)
        reading = one(findings, "subaudible_tone")
        errors.append((reading.value - 114.8) / reading.expanded_uncertainty)
    # Of 25 at 95.45 %: fewer than 20 happens once in 1000 times.
    assert np.count_nonzero(np.abs(errors) <= 1.0) >= 20
    assert 0.25 < np.sqrt(np.mean(np.square(errors))) < 0.85
