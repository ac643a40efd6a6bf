"""Keyed or not, and when: edges of carriers keyed at known times.

Truth by construction: `keyed_iq.py` switches a carrier at exact times with numpy alone. Published:
the step response of a low-pass is the sine integral (DLMF 6.2.9; A&S Table 5.1 has Si(0.65) =
0.6349); |x|^2 of complex Gaussian noise is exponential, so its fourth moment is twice the square
of its second.

Tolerance of an edge: DESIGN's goal for a difference of two is 0.2 ms, so 0.1 ms for one.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import sici

from harness.blocks import Block
from harness.measure.keyed_channel import CarrierKeying
from harness.measure.keying import Keying, filter_half_s
from harness.measure.keying_machine import KeyingMachine, Rules
from harness.measure.quieting_keying import QuietingKeying
from harness.measure.setup import Channel
from tests.measure.keyed_iq import RATE_HZ, SPACING_HZ, cut, keyed_iq

GOAL_S = 1e-4


def channel(**more):
    return Channel(
        **{"name": "take", "role": "output", "sample_rate_hz": RATE_HZ, "spacing_hz": SPACING_HZ}
        | more
    )


def found(blocks, **more) -> Keying:
    keying = CarrierKeying(channel(**more))
    for block in blocks:
        keying.push(block)
    return keying.finish()


def times(keying):
    return [(edge.time_s, edge.is_rising) for edge in keying.edges]


KEYINGS = ((0.2003137, 0.3101), (0.45, 0.4771113), (0.6600071, 0.9))
TRUE_TIMES = np.array(KEYINGS).ravel()


@pytest.fixture(scope="module")
def take():
    return keyed_iq(1.1, KEYINGS)


# Where edges lie ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rise_s", "noise_db", "tolerance_s"),
    [
        (0.0, -40.0, 5e-6),  # a step: an eighth of a sample
        (0.0, -20.0, 5e-5),  # five sigma of the noise on one edge, 10 us
        (1e-4, -40.0, 2e-5),  # as wide as the filter, whose part is only modelled there
        (5e-4, -40.0, GOAL_S),
        (3e-3, -40.0, GOAL_S),
        (10e-3, -40.0, 2e-4),  # slower than the filter and the goal: noise on a gentle slope
    ],
)
def test_edges_lie_at_half_of_the_settled_power(rise_s, noise_db, tolerance_s):
    iq = keyed_iq(1.1, KEYINGS, rise_s=rise_s, fall_s=rise_s, noise_db=noise_db)
    edges = found(cut(iq)).edges
    assert [e.is_rising for e in edges] == [True, False] * 3
    assert np.array([e.time_s for e in edges]) == pytest.approx(TRUE_TIMES, abs=tolerance_s)


def test_rise_and_fall_are_out_by_nothing_together():
    """The filter moves rises late and falls early: uncorrected, lengths are 22 us short."""
    length_s = 0.05
    keyings = [(0.1 + 0.11 * k + 1.37e-5 * k, 0.15 + 0.11 * k + 1.37e-5 * k) for k in range(20)]
    edges = found(cut(keyed_iq(2.4, keyings, noise_db=-50.0))).edges
    lengths = [b.time_s - a.time_s for a, b in zip(edges[::2], edges[1::2], strict=True)]
    assert np.mean(lengths) == pytest.approx(length_s, abs=4e-6)  # a tenth of a sample


def test_what_an_edge_says_of_its_noise_is_what_it_scatters():
    keyings = [(0.1 + 0.1 * k + 1.37e-5 * k, 0.15 + 0.1 * k + 1.37e-5 * k) for k in range(40)]
    edges = found(cut(keyed_iq(4.2, keyings, noise_db=-27.0, random=4))).edges
    off = np.array([e.time_s for e in edges]) - np.ravel(keyings)
    said = np.mean([e.uncertainty_s for e in edges])
    # 80 edges: five sigma of a standard deviation are 40 %; the formula itself is first order.
    assert 0.4 * said < np.std(off) < 1.6 * said


def test_filter_part_is_that_of_the_sine_integral():
    """Amplitude of a step behind a low-pass: 1/2 + Si(2 pi c t)/pi; c = 0.75 of the spacing."""
    assert sici(0.65)[0] == pytest.approx(0.6349, abs=5e-5)  # A&S Table 5.1, four places
    half_s = filter_half_s(SPACING_HZ)
    amplitude = 0.5 + sici(2 * np.pi * 0.75 * SPACING_HZ * half_s)[0] / np.pi
    assert amplitude**2 == pytest.approx(0.5, rel=2e-3)  # the series ends at the cube


# Properties ---------------------------------------------------------------------------------------


@settings(max_examples=25)
@given(places=st.lists(st.integers(0, 27500), max_size=40))
def test_any_cut_gives_the_same_bits(take, places):
    assert times(found(cut(take, places))) == times(found(cut(take)))


def test_sample_by_sample_gives_the_same_bits(take):
    short = take[4000:9000]
    one = cut(short, range(1, len(short)), start=4000)
    assert times(found(one)) == times(found(cut(short, start=4000)))
    assert len(found(one).edges) == 2


@given(exponent=st.integers(-12, 3))
@settings(max_examples=8)
def test_amplitude_leaves_times_as_they_are(take, exponent):
    scaled = (take * np.float32(2.0**exponent)).astype(np.complex64)
    assert times(found(cut(scaled))) == times(found(cut(take)))


def test_mirrored_frequency_leaves_times_as_they_are(take):
    assert times(found(cut(np.conj(take)))) == times(found(cut(take)))


def test_recording_begun_later_has_its_times_later(take):
    later = found(cut(take, start=50000))
    shift = [b.time_s - a.time_s for a, b in zip(found(cut(take)).edges, later.edges, strict=True)]
    assert shift == pytest.approx([2.0] * 6, abs=1e-9)  # rounding of a sum


# The machine's table ------------------------------------------------------------------------------


def spans(keying):
    return [span.keyed for span in keying.spans]


@pytest.mark.parametrize(
    ("keyings", "expected"),
    [
        ((), [False]),
        (((-1.0, 3.0),), [True]),
        (((-1.0, 0.3),), [True, False]),
        (((0.3, 3.0),), [False, True]),
        (((-1.0, 0.3), (0.6, 3.0)), [True, False, True]),
        (((0.3, 0.3005),), [False, True, False]),
        (((0.3, 0.3002), (0.302, 0.9)), [False, True, False, True, False]),
    ],
)
@pytest.mark.parametrize("noise_db", [-15.0, -45.0])
def test_states_from_the_first_sample_to_the_last(keyings, expected, noise_db):
    iq = keyed_iq(1.0, keyings, noise_db=noise_db)
    assert spans(found(cut(iq))) == expected


def test_noise_alone_never_keys():
    """60 s: 187500 frames; ten times the mean of a frame's noise comes once in 1e20."""
    rng = np.random.default_rng(5)
    noise = (rng.normal(size=1_500_000) + 1j * rng.normal(size=1_500_000)).astype(np.complex64)
    keying = found(cut(noise))
    assert keying.edges == ()
    assert keying.keyed_at(30.0) is False


def test_modulated_carrier_never_drops():
    def voice_hz(t):
        return np.clip(4000.0 * np.random.default_rng(6).normal(size=len(t)), -2500.0, 2500.0)

    assert spans(found(cut(keyed_iq(2.0, [(-1, 9)], frequency_hz=voice_hz)))) == [True]


def test_fourth_moment_of_noise_and_of_a_carrier():
    """The border at 1.5 between 2 (exponential) and 1 (constant): E|x|^4 over E|x|^2 squared."""
    power = np.random.default_rng(7).exponential(size=200_000)
    assert np.mean(power**2) / np.mean(power) ** 2 == pytest.approx(2.0, abs=0.1)  # five sigma


def test_crosstalk_before_the_keying_is_no_keying():
    """Something 25 dB below the carrier and 20 dB above the noise comes first, and stays."""
    weak = keyed_iq(1.0, [(0.2, 0.9)], amplitude=0.3 * 10 ** (-25 / 20), noise_db=-20.0)
    strong = keyed_iq(1.0, [(0.5, 0.7)], noise_db=-90.0, random=2)
    keying = found(cut(weak + strong))
    assert [e.is_rising for e in keying.edges] == [True, False]
    assert [e.time_s for e in keying.edges] == pytest.approx([0.5, 0.7], abs=GOAL_S)


def test_sparks_are_no_keyings():
    iq = keyed_iq(1.0, [(0.5, 0.7)])
    iq[5000:20000:500] += 0.2  # one sample each, the strength of the carrier
    assert times(found(cut(iq)))[0][0] == pytest.approx(0.5, abs=GOAL_S)
    assert len(found(cut(iq)).edges) == 2


def test_sagging_carrier_is_one_keying():
    t = np.arange(50000) / RATE_HZ
    iq = keyed_iq(2.0, [(0.2, 1.8)], noise_db=-60.0) * 10 ** (-t * 5.0 / 20.0)
    assert [e.time_s for e in found(cut(iq.astype(np.complex64))).edges] == pytest.approx(
        [0.2, 1.8], abs=GOAL_S
    )


def test_a_leak_below_ten_microwatts_at_a_calibrated_port_is_not_keyed():
    leak = cut(keyed_iq(0.5, [(-1, 9)], amplitude=0.01))
    assert spans(found(leak, level_offset_db=10.0)) == [False]
    assert spans(found(leak, level_offset_db=30.0)) == [True]


# Missing samples ----------------------------------------------------------------------------------


def with_gap(iq, first, last):
    blocks = [*cut(iq[:first]), Block(iq[last:], last, RATE_HZ, last - first)]
    return found(blocks)


def test_no_edge_across_missing_samples():
    iq = keyed_iq(1.1, [(0.2, 0.7)])
    keying = with_gap(iq, 16000, 19000)  # the fall is lost
    assert spans(keying) == [False, True, None, False]
    assert [e.is_rising for e in keying.edges] == [True]
    assert keying.keyed_at(0.7) is None
    assert keying.has_gaps


def test_state_after_missing_samples_is_told_by_the_levels():
    iq = keyed_iq(1.1, [(0.2, 0.4), (0.6, 3.0)])
    assert spans(with_gap(iq, 12000, 20000)) == [False, True, False, None, True]


# Little or strange input --------------------------------------------------------------------------


@pytest.mark.parametrize("count", [0, 1, 7, 9, 300])
def test_little_input_gives_no_edge(count):
    assert found(cut(np.full(count, 0.1 + 0j, np.complex64))).edges == ()


def test_zeros_are_not_keyed():
    assert spans(found(cut(np.zeros(20000, np.complex64)))) == [False]


def test_a_carrier_out_of_digital_silence():
    iq = keyed_iq(1.0, [(0.3, 0.6)], noise_db=-300.0)
    assert [e.time_s for e in found(cut(iq)).edges] == pytest.approx([0.3, 0.6], abs=1e-5)


def test_a_thousand_keyings_need_no_more_memory_than_their_edges():
    piece = keyed_iq(0.2, [(0.05, 0.15)])
    keying = CarrierKeying(channel())
    for number in range(1000):
        keying.push(Block(piece, number * len(piece), RATE_HZ))
    kept = len(keying._history.samples), len(keying._first.trace().power)
    edges = keying.finish().edges
    assert len(edges) == 2000
    assert max(kept) < 10_000
    assert edges[-1].time_s == pytest.approx(999 * 0.2 + 0.15, abs=GOAL_S)


def test_machine_says_what_its_table_says():
    """Frames by hand: off at 1, a rise to 100 that settles, a fall; then one that is too weak."""
    machine = KeyingMachine(Rules(jump=10.0, least_contrast=10.0, settle_frames=8))
    frames = np.array([1.0] * 10 + [100.0] * 12 + [1.0] * 12 + [7.0] * 3 + [1.0] * 10)
    said = machine.push(0, frames)
    assert [(c.frame, c.is_rising) for c in said] == [(10, True), (22, False)]
    assert said[0].above == said[1].above == 100.0
    assert said[0].below == 1.0


# Discriminator audio ------------------------------------------------------------------------------


def audio_of(keyings, duration_s, rate_hz, quieting_db=13.0, random=8):
    rng = np.random.default_rng(random)
    t = np.arange(round(duration_s * rate_hz)) / rate_hz
    noise = rng.normal(size=len(t))
    on = np.zeros(len(t), bool)
    for on_s, off_s in keyings:
        on |= (t >= on_s) & (t < off_s)
    noise[on] *= 10 ** (-quieting_db / 20)
    return 0.1 * noise + np.where(on, 0.3 * np.sin(2 * np.pi * 1200 * t), 0.0)


def quiet(audio, rate_hz, places=()):
    keying = QuietingKeying(channel(role="audio", signal="audio", sample_rate_hz=rate_hz))
    for block in cut(audio, places, rate_hz=rate_hz):
        keying.push(block)
    return keying.finish()


@pytest.mark.parametrize("rate_hz", [22050.0, 44100.0, 48000.0])
@pytest.mark.parametrize("quieting_db", [11.5, 13.0, 30.0])
def test_quieting_shows_the_carrier(rate_hz, quieting_db):
    audio = audio_of([(0.5, 1.3), (2.0, 2.2)], 3.0, rate_hz, quieting_db)
    edges = quiet(audio, rate_hz).edges
    assert [e.is_rising for e in edges] == [True, False, True, False]
    # +-5 ms: what the README of the captures gives as its own tolerance.
    assert [e.time_s for e in edges] == pytest.approx([0.5, 1.3, 2.0, 2.2], abs=5e-3)


@pytest.mark.parametrize("keyings", [(), ((-1.0, 9.0),)])
def test_audio_without_a_change_has_no_edge(keyings):
    for random in range(5):
        assert quiet(audio_of(keyings, 5.0, 22050.0, random=random), 22050.0).edges == ()


@settings(max_examples=10)
@given(places=st.lists(st.integers(0, 30000), max_size=20))
def test_any_cut_of_audio_gives_the_same_bits(places):
    audio = audio_of([(0.5, 1.0)], 1.4, 22050.0)
    assert times(quiet(audio, 22050.0, places)) == times(quiet(audio, 22050.0))
