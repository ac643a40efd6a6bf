"""Every keying state by takes whose state is known: no wrong one over this table.

The transmitter's carrier is made as samples, its keying found again (``squelch_takes.py``). What
the simulated bench gives is looked at in ``tests/procedures/test_squelch_on_the_bench.py``.
"""

import numpy as np
import pytest

from tests.measure.pick import pick
from tests.measure.squelch_takes import UP_S, Take, laid_out, measure, obeyed

LOW, HIGH = -120.0, -108.0
RISE = tuple((float(level), UP_S) for level in np.arange(LOW, HIGH + 0.5))
FALL = tuple((level, 0.16) for level, _ in RISE[-2::-1])


def quiet(seconds):
    return (None, seconds)


def state_of(take, knob="3:00"):
    return pick(measure(take), "keying_state", knob=knob)


def falsing(seed, duty):
    """Key-ups by chance, with a signal and without, keyed for so much of the time."""
    rng = np.random.default_rng([seed, 41])
    steps = laid_out([quiet(6.0), *RISE, *FALL, quiet(2.0), *RISE, *FALL, quiet(2.0)])
    spans, at_s = [], 0.0
    while at_s < steps[-1].end_s:
        off_s = float(rng.exponential(0.4 * (1.0 - duty))) + 0.02
        on_s = float(rng.exponential(0.4 * duty)) + 0.05
        spans.append((at_s + off_s, at_s + off_s + on_s))
        at_s += off_s + on_s
    for start, stop in ((6.0 + 0.8, 6.0 + 2.0), (10.5, 11.6)):
        spans = [(a, b) for a, b in spans if b < start or a > stop]
        spans.append((start, stop))
    return Take(steps=steps, keyed_s=tuple(sorted(spans)))


def chattering(seed, gap_s, on_s):
    """It opens at -113 dBm and then drops and comes back all the way up and down."""
    rng = np.random.default_rng([seed, 42])
    steps = laid_out([quiet(1.0), *[*RISE, (HIGH, 1.0), *FALL, quiet(1.0)] * 2])
    begins = [s.start_s + 0.02 for s in steps if s.level_port_dbm == -113.0][::2]
    ends = [s.start_s for s in steps if s.level_port_dbm == -115.0][1::2]
    spans = []
    for begin_s, end_s in zip(begins, ends, strict=True):
        at_s = begin_s
        while at_s < end_s:
            length_s = on_s * float(rng.uniform(0.7, 1.3))
            spans.append((at_s, min(at_s + length_s, end_s)))
            at_s += length_s + gap_s * float(rng.uniform(0.7, 1.3))
    return Take(steps=steps, keyed_s=tuple(spans))


def with_time_out(timer_s, hang_s=0.06):
    """A squelch that obeys, and a timer that cuts what lasts too long until the squelch closes."""
    plan = [quiet(0.5), *RISE, (HIGH, 1.5), *FALL]
    steps = laid_out([*plan * 4, quiet(0.5)])
    keyed = obeyed(steps, (-113.5,), (-115.5,), hang_s)
    return Take(steps=steps, keyed_s=tuple((on, min(off, on + timer_s)) for on, off in keyed))


def always(cut_s=None):
    steps = laid_out([quiet(4.0), *RISE, *FALL, quiet(4.0), *RISE, *FALL, quiet(1.0)])
    return Take(steps=steps, keyed_s=((0.0, cut_s or steps[-1].end_s + 1.0),))


def two_positions_and_a_long_hang():
    """Five seconds of hang reach from one position into the other's time without a signal."""
    first = laid_out([quiet(1.0), *RISE, quiet(6.0), (HIGH, 0.5)], "3:00")
    second = laid_out([quiet(4.0), (HIGH, 0.5), quiet(4.0), (HIGH, 0.5), quiet(4.0)], "4:30")
    gone_s = first[-1].end_s
    moved = tuple(
        type(s)(
            start_s=s.start_s + gone_s,
            end_s=s.end_s + gone_s,
            level_port_dbm=s.level_port_dbm,
            knob=s.knob,
            label=s.label,
        )
        for s in second
    )
    steps = (*first, *moved)
    return Take(steps=steps, keyed_s=obeyed(steps, (-113.5,), (-115.5,), 5.0))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("duty", [0.3, 0.9])
def test_a_loose_squelch_that_falses_but_drops_is_normal(seed, duty):
    take = falsing(seed, duty)
    assert state_of(take).value == "normal"
    reading = pick(measure(take), "false_keying_rate")
    assert reading.count > 3


@pytest.mark.parametrize(
    ("gap_s", "on_s"), [(0.01, 0.03), (0.02, 0.1), (0.05, 0.05), (0.15, 0.25), (0.03, 0.5)]
)
@pytest.mark.parametrize("seed", range(2))
def test_a_carrier_that_comes_and_goes_under_a_good_signal_chatters(seed, gap_s, on_s):
    assert state_of(chattering(seed, gap_s, on_s)).value == "chatters"


@pytest.mark.parametrize("hang_s", [0.02, 0.06, 0.3, 1.0, 2.5])
def test_any_hang_is_normal(hang_s):
    steps = laid_out([*[quiet(0.5), *RISE, *FALL] * 3, quiet(3.0), *RISE, *FALL, quiet(3.0)])
    take = Take(steps=steps, keyed_s=obeyed(steps, (-113.5,), (-115.5,), hang_s))
    assert state_of(take).value == "normal"


def test_a_hang_that_reaches_into_the_next_position_is_no_open_squelch():
    take = two_positions_and_a_long_hang()
    first, second = state_of(take, "3:00"), state_of(take, "4:30")
    assert first.value == "normal"
    # Keyed all through, by a hang of 5 s that the first position shows: nobody can tell.
    assert second.value is None
    assert "hang" in second.note


@pytest.mark.parametrize("timer_s", [1.2, 1.6, 2.3])
def test_a_time_out_timer_is_told_from_chatter_and_spoils_no_closing(timer_s):
    found = measure(with_time_out(timer_s))
    assert pick(found, "keying_state").value == "normal"
    said = [text for text in found.cautions if "time-out timer?" in text]
    assert len(said) == 1
    assert f"dropped after {timer_s:.2f} s far above the opening" in said[0]
    opening, closing = pick(found, "squelch_opening"), pick(found, "squelch_closing")
    assert opening.value == pytest.approx(-113.5, abs=0.5)  # a step of 1 dB
    # No sweep shows the closing: each was still keyed when the timer cut it, far above.
    assert closing.bound == "upper" if timer_s > 2.2 else closing.value is None
    assert closing.value is None or closing.value >= -115.5


def test_a_timer_that_cuts_some_sweeps_leaves_the_others_their_closing():
    plain = with_time_out(99.0)
    cut = tuple(
        (on, on + 1.2) if number == 1 else (on, off)
        for number, (on, off) in enumerate(plain.keyed_s)
    )
    found = measure(Take(steps=plain.steps, keyed_s=cut))
    assert any("once the transmitter dropped after 1.20 s" in text for text in found.cautions)
    assert not any("timer" in text for text in found.cautions)  # others last longer
    closing = pick(found, "squelch_closing")
    assert closing.count == 3
    assert closing.value == pytest.approx(-115.5, abs=0.5)  # a step of 1 dB
    assert closing.value == pytest.approx(pick(measure(plain), "squelch_closing").value, abs=1e-6)


@pytest.mark.parametrize("cut_s", [None, 9.7, 5.2])
def test_an_open_squelch_is_always_keyed_also_when_its_timer_cuts_it(cut_s):
    reading = state_of(always(cut_s))
    assert reading.value == "always keyed"
    assert ("time-out timer?" in reading.note) == (cut_s is not None)
    opening = pick(measure(always(cut_s)), "squelch_opening")
    assert opening.value is None


def test_keyed_up_by_a_signal_and_gone_at_once_chatters():
    steps = laid_out([quiet(1.0), *RISE, quiet(1.0), *RISE, quiet(1.0)])
    strong = [s.start_s for s in steps if s.level_port_dbm == HIGH]
    take = Take(steps=steps, keyed_s=tuple((at + 0.02, at + 0.05) for at in strong))
    reading = state_of(take)
    assert reading.value == "chatters"
    assert "does not stay" in reading.note


def test_never_keyed_is_told_from_a_receiver_that_hears_nothing():
    deaf = Take(steps=laid_out([quiet(1.0), *RISE, quiet(1.0)]), keyed_s=())
    reading = state_of(deaf)
    assert reading.value == "never keyed"
    assert "see that the receiver hears the unit" in reading.note
    # One key-up by chance, without a signal: the receiver hears it, the signal does not open it.
    once = Take(steps=deaf.steps, keyed_s=((0.3, 0.5),))
    reading = state_of(once)
    assert reading.value == "never keyed"
    assert "hears" not in reading.note
