"""Test tones: what a spectrum, a ratio or a count shows of them, and that no cut does."""

import numpy as np
import pytest

from harness.errors import BadInput
from harness.instruments.tones import (
    level_ramp,
    multitone,
    require_tones,
    single_tone,
    stepped_tones,
    swept_tone,
)

RATE_HZ = 48000.0
THIRDS_HZ = (300.0, 400.0, 500.0, 630.0, 800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3000.0)
SIGNALS = {
    "tone": single_tone(1000.0, -12.0, 1.0),
    "ramp": level_ramp(1000.0, -60.0, 0.0, 1.0),
    "sweep": swept_tone(300.0, 3000.0, -6.0, 1.0),
    "multitone": multitone(THIRDS_HZ, -6.0, 1.0),
    "stepped": stepped_tones(THIRDS_HZ, -6.0, 2.2),
}


def whole(signal):
    return signal.samples(0, round(signal.duration_s * RATE_HZ), RATE_HZ).astype(float)


@pytest.mark.parametrize("name", SIGNALS)
def test_any_cut_gives_the_same_samples(name) -> None:
    signal = SIGNALS[name]
    at_once = signal.samples(-100, 120_000, RATE_HZ)
    assert at_once.dtype == np.float32
    chance = np.random.default_rng(3)
    at, pieces = 0, []
    while at < 120_000:
        count = min(int(chance.integers(1, 9000)), 120_000 - at)
        pieces.append(signal.samples(at - 100, count, RATE_HZ))
        at += count
    assert np.array_equal(np.concatenate(pieces), at_once)
    # Silence before and after, and no click at either end: 5 ms of rise reach 0.1 % in 0.1 ms.
    assert not at_once[:100].any()
    assert not signal.samples(round(signal.duration_s * RATE_HZ), 100, RATE_HZ).any()
    assert np.abs(whole(signal)[[*range(5), *range(-5, 0)]]).max() < 1e-3


def amplitude(samples, frequency_hz):
    """Amplitude of a tone by correlation, with a Hann window (half of it is lost)."""
    window = np.hanning(len(samples))
    turns = np.exp(-2j * np.pi * frequency_hz * np.arange(len(samples)) / RATE_HZ)
    return 2.0 * abs((samples * window * turns).sum()) / window.sum()


def test_a_tone_has_its_level() -> None:
    middle = whole(SIGNALS["tone"])[4800:-4800]
    # float32, and what a Hann window lets through of the other side of the spectrum.
    assert amplitude(middle, 1000.0) == pytest.approx(10 ** (-12 / 20), rel=1e-6)


def test_a_ramp_is_even_in_decibels() -> None:
    samples = whole(SIGNALS["ramp"])
    for at_s in (0.2, 0.5, 0.8):
        first = round(at_s * RATE_HZ)
        # Ten periods about that moment; the level goes by 0.6 dB in them, evenly.
        rms = np.sqrt((samples[first - 240 : first + 240] ** 2).mean())
        assert 20 * np.log10(rms * np.sqrt(2)) == pytest.approx(-60 + 60 * at_s, abs=0.01)


def test_a_sweep_spends_the_same_time_in_each_octave() -> None:
    samples = whole(SIGNALS["sweep"])
    for at_s in (0.25, 0.5, 0.75):
        first = round((at_s - 0.02) * RATE_HZ)
        part = samples[first : first + round(0.04 * RATE_HZ)]
        spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), 1 << 18))
        peak_hz = spectrum.argmax() * RATE_HZ / (1 << 18)
        # Over 40 ms the frequency goes by 9 %; its middle is the peak to a few tenths of that.
        assert peak_hz == pytest.approx(300.0 * 10.0**at_s, rel=0.02)


def test_the_tones_of_a_multitone_are_equal_and_its_peak_is_the_level() -> None:
    samples = whole(SIGNALS["multitone"])[4800:-4800]
    levels = np.array([amplitude(samples, tone) for tone in THIRDS_HZ])
    assert levels == pytest.approx(np.full(len(levels), levels.mean()), rel=1e-4)
    # Sampled at 48 kHz a peak may be missed by 2 %: (pi 3000 / 48000)^2 / 2.
    assert np.abs(samples).max() == pytest.approx(10 ** (-6 / 20), rel=0.02)
    # All in phase, eleven tones would have a peak of eleven; the best of the draws has 6.1.
    assert np.abs(samples).max() / levels.mean() < 6.5


def test_each_step_is_its_tone() -> None:
    samples = whole(SIGNALS["stepped"])
    each = round(0.2 * RATE_HZ)
    for number, tone in enumerate(THIRDS_HZ):
        part = samples[number * each + 480 : (number + 1) * each - 480]
        assert amplitude(part, tone) == pytest.approx(10 ** (-6 / 20), rel=1e-4)


@pytest.mark.parametrize(
    ("make", "line"),
    [
        (lambda: single_tone(1000.0, 1.0, 1.0), "1 dBFS cannot be played"),
        (lambda: single_tone(1000.0, -12.0, 0.0), "0 s is no length for a tone"),
        (lambda: swept_tone(300.0, 300.0, -12.0, 1.0), "ends where it begins"),
        (lambda: multitone((300.5, 400.0), -12.0, 1.0), "multiples of 10 Hz"),
        (lambda: require_tones([], RATE_HZ), "no frequency is given"),
        (lambda: require_tones([23000.0], RATE_HZ), "23000 Hz is no tone for 48000 samples"),
        (lambda: require_tones([float("nan")], RATE_HZ), "nan Hz is no tone"),
    ],
)
def test_what_cannot_be_played_is_said(make, line) -> None:
    with pytest.raises(BadInput, match=line):
        make()
