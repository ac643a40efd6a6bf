"""Deviation limiting: a tone driven into a limiter whose series is known.

Goal: 0.5 %, as DESIGN section 3 has it for a peak of periodic modulation above 25 dB SINAD.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.measure.audio_channel import measure_stretches, readings_of
from tests.measure.pick import pick, series
from tests.truth.limiter import Limiter, driven_tones

RATE_HZ = 25e3
DRIVE_HZ = (600.0, 1200.0, 2000.0, 3000.0, 4000.0)
LIMITER = Limiter(limit_hz=1900.0)


def take(
    drive_hz=DRIVE_HZ, limiter=LIMITER, *, tone_hz=1000.0, dwell_s=1.5, late_s=0.02, density=0.5
):
    came_in = driven_tones(drive_hz, tone_hz, RATE_HZ, dwell_s, density=0.5, draw=3)
    went_out = driven_tones(
        drive_hz,
        tone_hz,
        RATE_HZ,
        dwell_s,
        limiter=limiter,
        late_s=late_s,
        density=density,
        draw=4,
    )
    return [came_in, went_out]


def limiting(findings):
    return pick(findings, "deviation_limiting")


@pytest.mark.parametrize(
    ("limiter", "how"),
    [
        (LIMITER, {}),
        (LIMITER, {"tone_hz": 613.37}),
        (LIMITER, {"density": 20.0}),
        (LIMITER, {"dwell_s": 0.9}),
        (Limiter(limit_hz=2400.0, is_soft=True), {}),
        (Limiter(limit_hz=1500.0, highest_hz=1500.0), {"late_s": 0.0}),
    ],
)
def test_what_the_limiter_lets_through(limiter, how):
    findings = measure_stretches(take(limiter=limiter, **how), kind="carrier")
    reading = limiting(findings)
    truth_hz = limiter.peak_hz(DRIVE_HZ[-1], how.get("tone_hz", 1000.0))
    assert reading.value == pytest.approx(truth_hz, rel=0.005)
    # Twice the stated one: a single draw misses U one time in twenty.
    assert reading.value == pytest.approx(truth_hz, abs=2.0 * reading.expanded_uncertainty)
    assert reading.bound is None
    assert reading.recordings == ("input", "output")


def test_the_curve_is_out_against_in():
    curve = series(measure_stretches(take(), kind="carrier"), "deviation_out_against_deviation_in")
    # The channel's own droop and what noise leaves: DESIGN's 0.5 % of a peak.
    assert curve.axes[0].values == pytest.approx(DRIVE_HZ, rel=0.005)
    truth_hz = [LIMITER.peak_hz(drive, 1000.0) for drive in DRIVE_HZ]
    assert curve.values == pytest.approx(truth_hz, rel=0.005)


def test_falling_and_repeated_steps_are_put_together():
    there_and_back = (*DRIVE_HZ, *reversed(DRIVE_HZ))
    findings = measure_stretches(take(there_and_back), kind="carrier")
    curve = series(findings, "deviation_out_against_deviation_in")
    assert len(curve.values) == len(DRIVE_HZ)
    assert limiting(findings).value == pytest.approx(LIMITER.peak_hz(4000.0, 1000.0), rel=0.005)


def test_an_output_that_still_follows_is_a_lower_bound():
    reading = limiting(measure_stretches(take((600.0, 1200.0, 1500.0)), kind="carrier"))
    assert reading.bound == "lower"
    assert reading.value == pytest.approx(1500.0, rel=0.005)
    assert "follows" in reading.note


@pytest.mark.parametrize(("lost_db", "bound"), [(0.8, "lower"), (1.3, None), (6.0, None)])
def test_a_decibel_less_is_limited(lost_db, bound):
    """20 log of amplitudes: the last step comes out by so many dB less than it followed."""
    came_in = driven_tones((600.0, 1200.0, 2400.0), 1000.0, RATE_HZ, 1.5, draw=3)
    last_hz = 2400.0 * 10.0 ** (-lost_db / 20.0)
    went_out = driven_tones((600.0, 1200.0, last_hz), 1000.0, RATE_HZ, 1.5, draw=4)
    reading = limiting(measure_stretches([came_in, went_out], kind="carrier"))
    assert reading.bound == bound
    assert f"{lost_db:.1f} dB" in reading.note


def test_a_peak_before_the_hardest_drive_is_the_limit():
    """An output that is turned down when it is driven far too hard."""
    came_in = driven_tones(DRIVE_HZ, 1000.0, RATE_HZ, 1.5, draw=3)
    went_out = driven_tones((600.0, 1200.0, 2000.0, 2000.0, 1500.0), 1000.0, RATE_HZ, 1.5, draw=4)
    reading = limiting(measure_stretches([came_in, went_out], kind="carrier"))
    assert reading.value == pytest.approx(2000.0, rel=0.005)
    assert "more than at the hardest drive" in reading.note


@pytest.mark.parametrize("drive_hz", [(1500.0,), (1500.0, 1520.0), (1500.0, 2100.0)])
def test_an_input_not_driven_harder_says_nothing(drive_hz):
    """2100 Hz are 1.4 times 1500: the least is 1.5 times."""
    findings = measure_stretches(take(drive_hz), kind="carrier")
    assert not readings_of(findings, "deviation_limiting")


def test_an_output_of_another_tone_is_no_answer():
    came_in, _ = take()
    _, other = take(tone_hz=1300.0)
    findings = measure_stretches([came_in, other], kind="carrier")
    assert not readings_of(findings, "deviation_limiting")


def test_an_output_alone_has_none_and_reads_the_same():
    both = measure_stretches(take(), kind="carrier")
    alone = measure_stretches(take()[1:], kind="carrier")
    assert not readings_of(alone, "deviation_limiting")
    assert [r for r in both.readings if r.name != "deviation_limiting"] == list(alone.readings)


def test_a_doubled_limit_reads_double():
    """A property: all of the deviations doubled, in a wider channel's worth of the same."""
    single = limiting(measure_stretches(take(density=0.0), kind="carrier"))
    doubled = [
        replace(stretch, audio=0.5 * stretch.audio, phase_rad=0.5 * stretch.phase_rad)
        for stretch in take(density=0.0)
    ]
    half = limiting(measure_stretches(doubled, kind="carrier"))
    # The discriminator's and the channel's droop are linear; noise of the input shares the halving.
    assert single.value / half.value == pytest.approx(2.0, rel=1e-3)


def test_a_gap_and_a_dead_output_leave_no_reading():
    came_in, went_out = take()
    silent = replace(went_out, phase_rad=np.zeros_like(went_out.phase_rad))
    findings = measure_stretches([came_in, silent], kind="carrier")
    assert not readings_of(findings, "deviation_limiting")
