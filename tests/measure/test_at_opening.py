"""SINAD at the opening: over what is heard, and honest where nothing is.

Truth by construction: a tone in noise of a known ratio, muted in parts; the ratio is that of the
parts that are open. DESIGN's goal for SINAD, 0.2 dB, and five sigma of the noise in the time heard.
"""

import math

import numpy as np
import pytest

from harness.blocks import Block
from harness.measure.at_opening import SinadAtOpening
from harness.measure.setup import ABOVE_OPENING, AT_OPENING, Channel, Options, Step

RATE_HZ = 25e3
SECONDS = 4.0


def output(sinad_db, open_spans, keyed_until=SECONDS, seed=1):
    """FM of a tone in noise, heard in spans of time; no carrier after ``keyed_until``."""
    random = np.random.default_rng(seed)
    n = round(SECONDS * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    tone = 1500.0 * np.sin(2.0 * np.pi * 1000.0 * t)
    spectrum = np.fft.rfft(random.standard_normal(n))
    f = np.fft.rfftfreq(n, 1.0 / RATE_HZ)
    spectrum[(f < 300.0) | (f > 3000.0)] = 0.0
    noise = np.fft.irfft(spectrum, n)
    noise *= math.sqrt(1500.0**2 / 2.0 / (10.0 ** (sinad_db / 10.0) - 1.0)) / noise.std()
    heard = np.zeros(n)
    for begin_s, end_s in open_spans:
        heard[(t >= begin_s) & (t < end_s)] = 1.0
    frequency = (tone + noise) * heard + 3.0 * random.standard_normal(n)
    iq = np.exp(2j * np.pi * np.cumsum(frequency) / RATE_HZ)
    iq[t >= keyed_until] = 0.0
    iq += 1e-3 * (random.standard_normal(n) + 1j * random.standard_normal(n))
    return iq.astype(np.complex64)


def measured(iq, label=AT_OPENING):
    step = Step(start_s=0.0, end_s=SECONDS, level_port_dbm=-118.0, knob="12:00", label=label)
    channel = Channel(name="one", role="output", sample_rate_hz=RATE_HZ, steps=(step,))
    measurement = SinadAtOpening(channel, Options())
    assert measurement.is_asked
    measurement.push(Block(iq, 0, RATE_HZ))
    return measurement.findings().readings


@pytest.mark.parametrize("sinad_db", [6.0, 12.0, 20.0])
@pytest.mark.parametrize(
    "spans", [[(0.0, 4.0)], [(0.0, 2.0)], [(0.0, 1.0), (1.6, 2.5)]], ids=["all", "half", "flutter"]
)
def test_it_is_the_sinad_of_what_is_heard(sinad_db, spans) -> None:
    (reading,) = measured(output(sinad_db, spans))
    # Noise power from n = 2 B T independent samples: 4.34 sqrt(2 / n) dB, five sigma.
    heard_s = sum(end - begin for begin, end in spans) - 0.5
    sigma_db = 4.34 * math.sqrt(2.0 / (2.0 * 2700.0 * heard_s))
    assert reading.name == "sinad_at_opening"
    assert abs(reading.value - sinad_db) <= 0.2 + 5.0 * sigma_db
    assert reading.conditions["knob"] == "12:00"
    assert reading.conditions["input_level_port_dbm"] == -118.0
    told_s = float(reading.note.split()[2])
    assert told_s <= sum(end - begin for begin, end in spans)


@pytest.mark.parametrize(
    ("spans", "keyed_until", "why"),
    [
        ([], SECONDS, "hardly anything is heard"),
        ([(0.0, 4.0)], 0.05, "does not stay open"),
    ],
    ids=["silent", "dropped"],
)
def test_where_nothing_is_heard_it_says_so(spans, keyed_until, why) -> None:
    (reading,) = measured(output(12.0, spans, keyed_until))
    assert reading.value is None
    assert why in reading.note


def test_a_higher_level_counts_only_where_it_stays_open() -> None:
    assert measured(output(12.0, [(0.0, 2.0)]), ABOVE_OPENING) == ()
    (reading,) = measured(output(12.0, [(0.0, 4.0)]), ABOVE_OPENING)
    assert reading.name == "sinad"
