"""A thousand keyings in one recording: all told, in memory that does not grow with the recording.

Nothing here is timed. Work is counted: calls of Python functions, which grow as the keyings do and
not as their square. Memory is what ``tracemalloc`` sees at its highest.
"""

import sys
import tracemalloc

import numpy as np
import pytest

from harness.blocks import Block
from harness.measure.setup import Channel, Options
from harness.measure.timing import Timing
from tests.measure.pick import pick, series

RATE_HZ = 12500.0
PERIOD_S, KEYED_S, ATTACK_S, HANG_S, TAIL_S = 0.32, 0.1, 0.02, 0.08, 0.01
BLOCK_PERIODS = 5


def blocks(role, keyings):
    """Give channel blocks of a keyed carrier with tone and burst; never the whole at once."""
    count = round(PERIOD_S * RATE_HZ)
    t = np.arange(count) / RATE_HZ
    on_s = 0.05 + (ATTACK_S if role == "output" else 0.0)
    dropped_s = 0.05 + KEYED_S
    off_s = dropped_s + (HANG_S if role == "output" else 0.0)
    carrier = ((t >= on_s) & (t < off_s)).astype(float)
    tone_hz = np.where(t < dropped_s, 1500.0 * np.cos(2 * np.pi * 1000.0 * t), 0.0)
    rng = np.random.default_rng(len(role))
    for first in range(0, keyings, BLOCK_PERIODS):
        parts = []
        for _ in range(min(BLOCK_PERIODS, keyings - first)):
            noise_hz = 1200.0 * rng.standard_normal(count)
            burst = (t >= dropped_s) & (t < dropped_s + TAIL_S)
            angle = 2 * np.pi * np.cumsum(tone_hz + np.where(burst, noise_hz, 0.0)) / RATE_HZ
            noise = rng.standard_normal((2, count)) * 1e-3
            parts.append(0.3 * carrier * np.exp(1j * angle) + noise[0] + 1j * noise[1])
        iq = np.concatenate(parts).astype(np.complex64)
        yield Block(iq, first * count, RATE_HZ)


def timed(keyings):
    channels = {
        role: Channel(name=role, role=role, sample_rate_hz=RATE_HZ) for role in ("input", "output")
    }
    timing = Timing(channels, Options())
    for incoming, outgoing in zip(blocks("input", keyings), blocks("output", keyings), strict=True):
        timing.push("input", incoming)
        timing.push("output", outgoing)
    return timing.finish()


def highest_bytes(keyings):
    tracemalloc.start()
    try:
        timed(keyings)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def calls(keyings):
    """So many calls of functions, Python's and C's, does it take."""
    seen = [0]

    def count(_frame, event, _what):
        seen[0] += event in ("call", "c_call")

    sys.setprofile(count)
    try:
        timed(keyings)
    finally:
        sys.setprofile(None)
    return seen[0]


@pytest.fixture(scope="module")
def thousand():
    return timed(1000)


def test_every_keying_is_told(thousand):
    for name, truth_s in (("attack", ATTACK_S), ("hang", HANG_S)):
        reading = pick(thousand, f"{name}_time")
        assert reading.count == 1000
        # A sample is 80 us: the steps of these lie on samples.
        assert reading.value == pytest.approx(truth_s, abs=8e-5)
        times = series(thousand, f"{name}_times")
        assert times.axes[0].values.tolist() == list(range(1, 1001))
        course = series(thousand, f"{name}_course")
        assert np.diff(course.axes[0].values) == pytest.approx(PERIOD_S, abs=1e-3)
        assert "1000 times" in reading.note
        assert "median" in reading.note
    assert pick(thousand, "squelch_tail").count == 1000
    assert pick(thousand, "hang_timer").value == "steady"


def test_memory_does_not_grow_with_the_recording():
    """10 s of audio and 50 ms of samples are kept whatever its length; then a kilobyte or two for
    each keying's edges. 200 keyings more would be 25 MB of samples."""
    few, many = highest_bytes(60), highest_bytes(260)
    assert many - few < 200 * 6000


def test_work_grows_as_the_keyings_do():
    """Eighty keyings more cost as many calls after 160 as after 80: a square would cost 1.7 times.

    A tenth is for frames that end on one side or the other.
    """
    few, more, many = (calls(keyings) for keyings in (80, 160, 240))
    assert many - more < 1.1 * (more - few)
