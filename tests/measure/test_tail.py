"""The moment at which the input dropped, read from audio made here: tone, then noise, then silence.

Truth by construction. Tolerances: squelch tail 1 ms (DESIGN's goal); the drop 0.2 ms, the goal
of the hang time that is made of it.
"""

import numpy as np
import pytest
from scipy.signal import firwin

from harness.blocks import Block
from harness.dsp.tone import strongest_tone_hz
from harness.measure.repeated_audio import RepeatedAudio
from harness.measure.tail import find_tail, has_tone_to_end, notched, quiet_from_s
from harness.measure.tone_end import SPEECH_HZ

RATE_HZ = 12500.0
SPEECH = firwin(201, [300, 3000], pass_zero=False, fs=RATE_HZ)


def audio(
    tone_s,
    burst_s,
    silent_s,
    *,
    tone_hz=1000.0,
    tone=1500.0,
    noise=1200.0,
    left=5.0,
    offset_hz=0.0,
    random=1,
):
    """Tone, noise burst, silence; white ``left`` throughout. Ends of the first two are exact."""
    rng = np.random.default_rng(random)
    total_s = tone_s + burst_s + silent_s
    t = np.arange(round(total_s * RATE_HZ)) / RATE_HZ
    band = np.convolve(rng.normal(size=len(t) + 200), SPEECH, mode="valid")
    band *= noise / np.std(band)
    x = np.where(t < tone_s, tone * np.cos(2 * np.pi * tone_hz * t + 0.4), 0.0)
    x += np.where((t >= tone_s) & (t < tone_s + burst_s), band, 0.0)
    return x + left * rng.normal(size=len(t)) + offset_hz


@pytest.mark.parametrize("random", range(4))
@pytest.mark.parametrize(
    ("burst_s", "more"),
    [
        (0.15, {}),
        (0.15, {"tone_hz": 400.0}),
        (0.15, {"tone_hz": 2500.0}),
        (0.15, {"tone": 0.0}),  # a plain carrier
        (0.15, {"left": 60.0}),  # 25 dB SINAD before
        (0.15, {"offset_hz": 770.0}),  # a transmitter 5 ppm off
        (0.004, {}),  # a squelch that is quick on strong signals
        (0.6, {}),
    ],
)
def test_burst_between_tone_and_silence(burst_s, more, random):
    tail = find_tail(audio(0.9, burst_s, 0.7, random=random, **more), RATE_HZ, 10.0)
    assert tail is not None
    assert tail.is_burst
    assert tail.input_dropped_s == pytest.approx(10.9, abs=2e-4)
    assert tail.burst_end_s - tail.input_dropped_s == pytest.approx(burst_s, abs=1e-3)


@pytest.mark.parametrize("random", range(4))
def test_burst_to_the_end_of_the_carrier(random):
    tail = find_tail(audio(0.9, 0.4, 0.0, random=random), RATE_HZ, 0.0)
    assert tail is not None
    assert tail.burst_end_s is None
    assert tail.input_dropped_s == pytest.approx(0.9, abs=2e-4)


@pytest.mark.parametrize("tone_hz", [400.0, 1000.0, 2500.0])
@pytest.mark.parametrize("left", [5.0, 60.0, 500.0])
def test_tone_that_stops_without_a_burst(left, tone_hz):
    """Down to 6.5 dB of tone over noise; a burst is not called absent where noise would hide it.

    0.5 ms at that: two standard deviations by simulation.
    """
    for random in range(6):
        tail = find_tail(
            audio(0.9, 0.0, 0.7, left=left, tone_hz=tone_hz, random=random), RATE_HZ, 0.0
        )
        assert tail is not None
        assert not tail.is_burst
        assert tail.hides_burst is (left == 500.0)
        assert tail.input_dropped_s == pytest.approx(0.9, abs=5e-4 if left == 500.0 else 2e-4)


@pytest.mark.parametrize("burst_s", [0.0015, 0.002, 0.003, 0.005, 0.007])
@pytest.mark.parametrize("tone_hz", [400.0, 1000.0, 2500.0])
def test_burst_of_a_few_milliseconds(burst_s, tone_hz):
    """A notch rings at the tone's own end for as long as this; the tone itself does not."""
    for random in range(6):
        tail = find_tail(audio(0.9, burst_s, 0.5, tone_hz=tone_hz, random=random), RATE_HZ, 10.0)
        assert tail is not None
        assert tail.is_burst
        assert tail.input_dropped_s == pytest.approx(10.9, abs=2e-4)
        assert tail.burst_end_s - tail.input_dropped_s == pytest.approx(burst_s, abs=1e-3)


@pytest.mark.parametrize(
    ("tone_s", "burst_s", "silent_s", "to_end", "quiet_s"),
    [
        (1.5, 0.0, 0.0, True, None),
        (1.0, 0.0, 0.5, False, 1.0),
        (1.0, 0.3, 0.2, False, 1.3),
        (0.0, 1.5, 0.0, False, None),
        (0.0, 0.0, 1.5, False, 0.0),
    ],
)
def test_tone_to_the_end_and_from_when_it_is_quiet(tone_s, burst_s, silent_s, to_end, quiet_s):
    x = audio(tone_s, burst_s, silent_s)
    assert has_tone_to_end(x, RATE_HZ) is to_end
    if quiet_s is not None:
        # Grains of a millisecond, one of which holds the end; what a filter rings on may be next.
        assert quiet_from_s(x, RATE_HZ, 7.0) == pytest.approx(7.0 + quiet_s, abs=2e-3)


@pytest.mark.parametrize(
    ("tone_s", "burst_s", "silent_s", "why"),
    [
        (1.5, 0.0, 0.0, "a tone to the end"),
        (0.0, 1.5, 0.0, "noise from start to end, as speech would look"),
        (0.0, 0.0, 1.5, "silence"),
        (0.0, 0.8, 0.7, "noise, then silence: speech that ends is not known from a burst"),
    ],
)
def test_nothing_is_said_where_nothing_is_seen(tone_s, burst_s, silent_s, why):
    assert find_tail(audio(tone_s, burst_s, silent_s), RATE_HZ, 0.0) is None, why


def test_too_short_to_say():
    assert find_tail(audio(0.01, 0.0, 0.0), RATE_HZ, 0.0) is None


@pytest.mark.parametrize("tone_hz", [399.7, 1000.0, 1003.3, 2718.0])
def test_notch_takes_the_tone_and_passes_noise(tone_hz):
    x = audio(1.0, 0.0, 0.0, tone_hz=tone_hz, left=1.0)
    seen_hz = strongest_tone_hz(x, RATE_HZ, *SPEECH_HZ)
    assert seen_hz == pytest.approx(tone_hz, abs=0.1)
    left, shorter = notched(x, seen_hz, RATE_HZ)
    assert len(left) == len(x) - shorter
    # 1 + 4 cos^2 + 1 of the noise, 2 to 2.5 near a quarter period; of the tone nothing.
    assert 1.8 < np.var(left) < 3.5


def test_repeated_audio_keeps_time_and_ten_seconds():
    """A step of frequency at 12 s, seen at 12 s: half of it within a sample of the audio."""
    rate_hz = 25000.0
    audio_of = RepeatedAudio(rate_hz)
    t = np.arange(round(14.0 * rate_hz)) / rate_hz
    frequency_hz = np.where(t < 12.0, 500.0, -500.0)
    iq = np.exp(2j * np.pi * np.cumsum(frequency_hz) / rate_hz).astype(np.complex64)
    for start in range(0, len(iq), 10_000):
        audio_of.push(Block(iq[start : start + 10_000], start, rate_hz))
    audio_of.finish()
    piece = audio_of.between(0.0, 14.0)
    assert piece is not None
    samples, start_s = piece
    assert 3.5 < start_s < 4.1
    crossing_s = start_s + np.argmax(samples < 0.0) / audio_of.rate_hz
    assert crossing_s == pytest.approx(12.0, abs=1.0 / audio_of.rate_hz)
    assert samples[:1000] == pytest.approx(500.0, abs=0.1)


def test_noise_before_a_burst_is_not_taken_for_it_and_the_uncertainty_holds():
    """Noise 16 dB below the burst: the burst's own chance is what its beginning hangs on."""
    errors, told = [], []
    for random in range(40):
        tail = find_tail(audio(0.9, 0.15, 0.4, left=190.0, random=random), RATE_HZ, 10.0)
        assert tail is not None
        errors.append(tail.input_dropped_s - 10.9)
        told.append(tail.dropped_uncertainty_s)
    # Grains of 1 ms: none may be off by more than two.
    assert np.abs(errors).max() < 2e-3
    # Of 40 at 95 %, fewer than 33 happen once in a hundred thousand; 40 us for the onset itself.
    assert sum(abs(e) <= 2.0 * np.hypot(u, 4e-5) for e, u in zip(errors, told, strict=True)) >= 33
