"""Skew and clock difference: truth by construction, two receivers of one signal at known times.

The first receiver takes sample n at n / (rate (1 + e1)), the second at T + n / (rate (1 + e2)).
Tolerances: five of the standard uncertainties that are given (a table of 12 rows exceeds that by
chance less than once in 10^4), with a ceiling on those themselves; coverage is tested by itself.
"""

import math

import numpy as np
import pytest

from harness.blocks import Block
from harness.errors import BadInput, TooShort
from harness.measure.skew import Skew, drift_between, skew_between
from tests.truth.signals import Carrier, Sine

RATE_HZ = 250e3
CENTRE_HZ = 153.785e6
CARRIER_HZ = 153.825e6


def voice(draw=1, deviation_hz=1500.0, lines=30):
    """Sines at frequencies without a common period: nothing repeats within a minute."""
    random = np.random.default_rng(draw)
    frequency_hz = random.uniform(300.0, 2700.0, lines)
    phase_rad = random.uniform(0.0, 2.0 * np.pi, lines)
    each_hz = deviation_hz / math.sqrt(lines / 2.0)
    return tuple(
        Sine(frequency_hz=f, deviation_hz=each_hz, phase_rad=p)
        for f, p in zip(frequency_hz, phase_rad, strict=True)
    )


def stream(seconds, *, begins_s=0.0, ppm=0.0, cnr_db=40.0, draw=1, sines=None, centre_hz=CENTRE_HZ):
    """Codes of a receiver; noise in 12.5 kHz against the carrier."""
    sines = voice() if sines is None else sines
    count = round(seconds * RATE_HZ)
    time_s = begins_s + np.arange(count) / (RATE_HZ * (1.0 + ppm * 1e-6))
    carrier = Carrier(frequency_hz=CARRIER_HZ, level_dbfs=-8.0, sines=sines)
    iq = carrier.at(time_s, centre_hz * (1.0 + ppm * 1e-6))
    density = 10.0 ** ((-8.0 - cnr_db) / 10.0) / 12.5e3
    normal = np.random.default_rng([draw, 5]).standard_normal((2, count))
    iq += math.sqrt(density * RATE_HZ / 2.0) * (normal[0] + 1j * normal[1])
    values = np.stack([iq.real, iq.imag], axis=1) * 127.5 + 127.5
    return np.clip(np.rint(values), 0, 255).astype(np.uint8)


def blocks(codes, cut=50_000, lost_at=None):
    start = 0
    while start < len(codes):
        end = min(start + cut, len(codes))
        if lost_at is not None and start <= lost_at < end:
            yield Block(codes[start:lost_at], start, RATE_HZ)
            yield Block(codes[lost_at + 30_000 : end + 30_000], lost_at + 30_000, RATE_HZ, 30_000)
            end += 30_000
        else:
            yield Block(codes[start:end], start, RATE_HZ)
        start = end


def found(first, second, **options) -> Skew:
    return skew_between(
        blocks(first),
        blocks(second, cut=17_000),
        datatype="cu8",
        **({"offsets_hz": (40e3, 40e3), "spacing_hz": 12.5e3} | options),
    )


def true_skew_s(at_s, begins_s, first_ppm, second_ppm):
    """What is to be added to the second's count of time to get the first's."""
    second_s = (at_s / (1.0 + first_ppm * 1e-6) - begins_s) * (1.0 + second_ppm * 1e-6)
    return at_s - second_s


@pytest.mark.parametrize(
    ("begins_s", "first_ppm", "second_ppm", "cnr_db", "most_s"),
    [
        (0.0, 0.0, 0.0, 40.0, 1e-7),
        (0.0037, 0.0, 0.0, 40.0, 1e-7),
        (-0.0421234, 0.0, 0.0, 40.0, 1e-7),
        (0.0991, 0.0, 0.0, 40.0, 1e-7),
        (-0.0991, 0.0, 0.0, 40.0, 1e-7),
        # Parts of a channel sample of 40 us.
        (0.00001, 0.0, 0.0, 40.0, 1e-7),
        (0.00002, 0.0, 0.0, 40.0, 1e-7),
        (0.00003, 0.0, 0.0, 40.0, 1e-7),
        # The clocks of the simulated bench, and worse ones: no less sure for it.
        (0.0123, -12.43, 38.63, 40.0, 5e-8),
        (-0.0123, 38.63, -12.43, 40.0, 5e-8),
        (0.0123, 80.0, -80.0, 40.0, 1e-7),
        # A weak signal.
        (0.0123, -12.43, 38.63, 15.0, 5e-6),
    ],
)
def test_skew_and_clock_difference(begins_s, first_ppm, second_ppm, cnr_db, most_s) -> None:
    first = stream(4.0, ppm=first_ppm, cnr_db=cnr_db, draw=1)
    second = stream(4.0, begins_s=begins_s, ppm=second_ppm, cnr_db=cnr_db, draw=2)
    # Clocks are known to a few ppm, which at VHF is a kilohertz; here exactly.
    offsets_hz = tuple(CARRIER_HZ - CENTRE_HZ * (1.0 + e * 1e-6) for e in (first_ppm, second_ppm))
    skew = found(first, second, offsets_hz=offsets_hz)
    truth_s = true_skew_s(skew.at_s, begins_s, first_ppm, second_ppm)
    assert abs(skew.skew_s - truth_s) <= 5.0 * skew.skew_uncertainty_s
    assert 0.0 < skew.skew_uncertainty_s <= most_s
    difference_ppm = ((1.0 + second_ppm * 1e-6) / (1.0 + first_ppm * 1e-6) - 1.0) * 1e6
    off_ppm = abs(skew.clock_difference_ppm - difference_ppm)
    assert off_ppm <= 5.0 * skew.clock_difference_uncertainty_ppm
    # The line over four seconds: u of a slope is u of the mean by the pieces' spread, 1.1 s.
    assert skew.clock_difference_uncertainty_ppm <= most_s * 1e6
    assert skew.pieces >= 13
    # Told for another time, as the clocks go.
    later_s, uncertainty_s = skew.at(skew.at_s + 100.0)
    assert later_s == pytest.approx(
        true_skew_s(skew.at_s + 100.0, begins_s, first_ppm, second_ppm),
        abs=5.0 * uncertainty_s,
    )
    assert uncertainty_s > skew.skew_uncertainty_s


@pytest.mark.slow(reason="24 pairs of streams")
def test_it_covers_as_often_as_it_says() -> None:
    # Pairs of noise at 20 dB, each of 7 pieces: within two of Student's standard deviations of t
    # with 5 degrees of freedom in 95 %, 22.8 of 24. Binomial, five sigma are 5.3; that the
    # uncertainty is not too large, the ceilings of the table hold.
    inside = 0
    for draw in range(24):
        both = {"cnr_db": 20.0, "sines": voice(draw, lines=14)}
        first = stream(2.0, draw=2 * draw, **both)
        second = stream(2.0, begins_s=0.0042, ppm=20.0, draw=2 * draw + 1, **both)
        skew = found(first, second, reach_s=0.02)
        truth_s = true_skew_s(skew.at_s, 0.0042, 0.0, 20.0)
        inside += abs(skew.skew_s - truth_s) <= 2.0 * skew.skew_uncertainty_s
    assert inside >= 17


def test_where_they_are_tuned_does_not_matter() -> None:
    # 300 Hz apart is 2 ppm at VHF; the modulation is what is compared.
    first = stream(3.0, draw=1)
    second = stream(3.0, begins_s=0.0042, draw=2, centre_hz=CENTRE_HZ + 300.0)
    skew = found(first, second)
    assert abs(skew.skew_s - 0.0042) <= 5.0 * skew.skew_uncertainty_s


def test_the_cut_does_not_show() -> None:
    first, second = stream(3.0, draw=1), stream(3.0, begins_s=0.0042, draw=2)
    options = {"datatype": "cu8", "offsets_hz": (40e3, 40e3), "spacing_hz": 12.5e3}
    whole = skew_between(blocks(first, 10**6), blocks(second, 10**6), **options)
    assert skew_between(blocks(first, 999), blocks(second, 77_777), **options) == whole


def test_exchanged_the_sign_turns() -> None:
    first, second = stream(3.0, draw=1), stream(3.0, begins_s=0.0042, ppm=30.0, draw=2)
    one, other = found(first, second), found(second, first)
    within_s = 5.0 * math.hypot(one.skew_uncertainty_s, other.skew_uncertainty_s)
    assert other.at(one.at_s)[0] == pytest.approx(-one.skew_s, abs=within_s)
    assert one.clock_difference_ppm == pytest.approx(30.0, abs=0.5)
    assert other.clock_difference_ppm == pytest.approx(-30.0, abs=0.5)


def test_pieces_that_a_gap_cuts_are_left_out() -> None:
    first, second = stream(4.0, draw=1), stream(4.0, begins_s=0.0042, draw=2)
    options = {"datatype": "cu8", "offsets_hz": (40e3, 40e3), "spacing_hz": 12.5e3}
    skew = skew_between(blocks(first), blocks(second, lost_at=510_000), **options)
    assert abs(skew.skew_s - 0.0042) <= 5.0 * skew.skew_uncertainty_s
    assert 9 <= skew.pieces <= 13


@pytest.mark.parametrize(
    ("second", "error", "what"),
    [
        # Another programme, noise alone, one too far away to be found.
        (stream(3.0, sines=voice(draw=9)), BadInput, "little in common"),
        (stream(3.0, cnr_db=-40.0), BadInput, "little in common"),
        (stream(3.0, begins_s=0.5), BadInput, "little in common|repeats"),
        (stream(1.0), TooShort, "pieces of 0.25 s"),
        (stream(3.0)[:0], TooShort, "0 pieces"),
    ],
)
def test_what_cannot_be_compared_is_refused(second, error, what) -> None:
    with pytest.raises(error, match=what):
        found(stream(3.0), second)


@pytest.mark.parametrize("tone_hz", [400.0, 1000.0, 67.0])
def test_a_tone_fits_in_many_places_and_is_refused(tone_hz) -> None:
    sines = (Sine(frequency_hz=tone_hz, deviation_hz=1500.0),)
    with pytest.raises(BadInput, match="repeats"):
        found(stream(3.0, sines=sines), stream(3.0, begins_s=0.0042, sines=sines, draw=2))


def test_drift_is_what_was_not_foretold() -> None:
    before = found(stream(3.0, draw=1), stream(3.0, begins_s=0.004, ppm=20.0, draw=2))
    # A minute later, in the same streams: both counts go on; the second has moved by 50 us.
    later_s = 60.0
    begins_s = 0.004 + 50e-6
    first = stream(3.0, begins_s=later_s, draw=3)
    second = stream(3.0, begins_s=begins_s + later_s / (1.0 + 20e-6) * 1.0, ppm=20.0, draw=4)
    found_later = found(first, second)
    after = Skew(
        **{name: getattr(found_later, name) for name in Skew.__slots__}
        | {"at_s": found_later.at_s + later_s}
    )
    drift = drift_between(before, after)
    # 5 sigma of what is given; 60 s by the clock difference known to 0.1 ppm is 6 us.
    assert abs(abs(drift.moved_s) - 50e-6) <= 5.0 * drift.uncertainty_s
    assert drift.is_plain
    assert drift.uncertainty_s < 10e-6
