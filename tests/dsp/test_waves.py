"""Sums against long sinusoids: the same as written out, term by term, in double precision."""

import numpy as np
import pytest

from harness.dsp.waves import Table, harmonic_wave, sum_of_waves, wave, wave_moments

LENGTHS = [1, 2, 159, 160, 161, 320, 5000]
CYCLES = [0.0, 1e-4, 0.04, 0.3137, 0.5]


@pytest.mark.parametrize("count", LENGTHS)
@pytest.mark.parametrize("cycles", CYCLES)
def test_against_the_sums_written_out(count: int, cycles: float) -> None:
    audio = np.random.default_rng(1).standard_normal(count)
    n = np.arange(count)
    t = n - (count - 1) / 2.0
    full = np.exp(2j * np.pi * ((cycles * n) % 1.0))
    # Rounding: some hundred units of the last place of the largest term in each sum.
    # The phase itself is only known to the rounding of cycles times n, here and there.
    phase = 2 * np.pi * np.finfo(float).eps * cycles * count
    assert np.abs(wave(cycles, count) - full).max() < 1e-14 + phase
    seen, by_time = Table(audio).sums(cycles)
    turn = np.exp(-2j * np.pi * cycles * t)
    assert seen == pytest.approx(np.sum(audio * turn), abs=1e-11 * count)
    assert by_time == pytest.approx(np.sum(t * audio * turn), abs=1e-11 * count**2)
    moments = wave_moments(cycles, count)
    angle = 2.0 * np.pi * cycles * t
    assert moments.plain == pytest.approx(np.cos(angle).sum(), abs=1e-11 * count)
    assert moments.by_time == pytest.approx((t * np.sin(angle)).sum(), abs=1e-11 * count**2)
    expected = (t * t * np.cos(angle)).sum()
    assert moments.by_time_squared == pytest.approx(expected, abs=1e-11 * count**3)
    expected = [np.sum(np.exp(2j * np.pi * c * n)) for c in (cycles, -2 * cycles)]
    got = sum_of_waves(np.array([cycles, -2 * cycles]), count)
    assert got == pytest.approx(expected, abs=1e-11 * count)
    sums = Table(audio).harmonic_sums(cycles, 3)
    expected = [np.sum(audio * np.exp(-2j * np.pi * k * cycles * n)) for k in range(4)]
    assert sums == pytest.approx(expected, abs=1e-11 * count)
    amplitudes = np.array([1.5 - 0.5j, 0.25j])
    expected = (amplitudes[0] * full + amplitudes[1] * full**2).real
    assert np.abs(harmonic_wave(amplitudes, cycles, count) - expected).max() < 1e-11
