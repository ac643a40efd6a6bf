"""The squelch on takes whose thresholds, key-ups and steps are known (``squelch_takes.py``).

Goals are DESIGN section 3's; interval of counts: poisson_garwood.csv.
"""

import csv
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.blocks import Block
from harness.errors import BadInput
from harness.measure.setup import Channel, Options, Step
from harness.measure.squelch import Squelch
from tests.measure.pick import pick, series
from tests.measure.squelch_takes import (
    CALIBRATION,
    FULL_SCALE_DBM,
    QUIET_S,
    RATE_HZ,
    UP_S,
    Take,
    channel,
    cut,
    input_iq,
    laid_out,
    measure,
    obeyed,
    output_iq,
    staircases,
)

LEVEL = Options(stimulus_contributions=(CALIBRATION,))


@pytest.mark.parametrize("draw", [1, 2, 3])
def test_25_sweeps_find_opening_closing_hysteresis_and_spread(draw):
    take = staircases(-111.6, -114.2, 0.75, sweeps=25, draw=draw)
    found = measure(take, options=LEVEL)
    # What the draws really were, but for what steps of 0.75 dB hide: 0.75/sqrt(12 x 25) = 0.043
    # dB, five sigma.
    hidden = 5.0 * 0.75 / math.sqrt(12.0 * 25.0)
    opening, closing = pick(found, "squelch_opening"), pick(found, "squelch_closing")
    assert opening.value == pytest.approx(np.mean(take.opens), abs=hidden)
    assert closing.value == pytest.approx(np.mean(take.closes), abs=hidden)
    # DESIGN's goals at 25 sweeps and 0.75 dB.
    hysteresis, spread = pick(found, "squelch_hysteresis"), pick(found, "squelch_spread")
    assert opening.value == pytest.approx(-111.6, abs=0.3)
    assert closing.value == pytest.approx(-114.2, abs=0.3)
    assert hysteresis.value == pytest.approx(2.6, abs=0.42)
    assert spread.value == pytest.approx(0.75, rel=0.30)
    assert spread.interval[0] < np.std(take.opens) < spread.interval[1]
    assert opening.count == closing.count == 25
    assert pick(found, "keying_state").value == "normal"
    assert all(r.conditions == {"knob": "3:00"} for r in found.readings)
    assert found.cautions == ("The input levels are as the generator was set, not as measured.",)


def test_what_opening_and_closing_share_drops_out_of_hysteresis():
    take = staircases(-111.6, -114.2, 0.75, sweeps=25)
    with_it, without = measure(take, options=LEVEL), measure(take)
    shared = 2.0 * CALIBRATION.standard_uncertainty
    # U of the fits alone is 2 x 0.16 or so; with the calibration near hypot(0.32, 0.8).
    fit = pick(without, "squelch_opening").expanded_uncertainty
    both = pick(with_it, "squelch_opening").expanded_uncertainty
    assert 0.25 < fit < 0.45
    assert both == pytest.approx(math.hypot(fit, shared), rel=0.05)  # k moves with the freedoms
    a, b = (pick(f, "squelch_hysteresis").expanded_uncertainty for f in (with_it, without))
    assert a == pytest.approx(b, rel=1e-12)
    names = {c.name for c in pick(with_it, "squelch_opening").contributions}
    assert names == {"squelch_opening.fit", "bench.input.level"}


def test_levels_are_those_of_the_input_recording():
    take = staircases(-111.6, -114.2, 0.75, sweeps=6)
    source_channel = channel(
        take, "input", level_offset_db=FULL_SCALE_DBM, level_contributions=(CALIBRATION,)
    )
    seen = measure(take, source=input_iq(take, -0.6), source_channel=source_channel)
    as_set = measure(take)
    for name in ("squelch_opening", "squelch_closing"):
        moved = pick(seen, name).value - pick(as_set, name).value
        # The noise is 13 dB or more under the weakest level, averaged over 0.4 s and more.
        assert moved == pytest.approx(-0.6, abs=0.05)
    assert pick(seen, "squelch_hysteresis").value == pytest.approx(
        pick(as_set, "squelch_hysteresis").value, abs=0.05
    )
    assert "bench.input.level" in {c.name for c in pick(seen, "squelch_opening").contributions}
    assert not seen.cautions


@pytest.mark.parametrize("annotated", ["output", "input"])
def test_skew_between_the_recordings_is_heeded(annotated):
    take = staircases(-111.6, -114.2, 0.75, sweeps=3)
    # The input's recording began 90 ms after the output's: its sample 0 is the output's 0.09 s.
    skew_s = 0.09
    late = input_iq(take, 0.0)[round(skew_s * RATE_HZ) :]
    on_input = tuple(
        Step(
            start_s=s.start_s - skew_s,
            end_s=s.end_s - skew_s,
            level_port_dbm=s.level_port_dbm,
            knob=s.knob,
            label=s.label,
        )
        for s in take.steps
    )
    channels = {
        "output": Channel(
            name="out",
            role="output",
            sample_rate_hz=RATE_HZ,
            steps=take.steps if annotated == "output" else (),
        ),
        "input": Channel(
            name="in",
            role="input",
            sample_rate_hz=RATE_HZ,
            skew_s=skew_s,
            level_offset_db=FULL_SCALE_DBM,
            steps=on_input if annotated == "input" else (),
        ),
    }
    squelch = Squelch(channels, Options())
    for role, iq in (("output", output_iq(take)), ("input", late)):
        for block in cut(iq):
            squelch.push(role, block)
    found, as_set = squelch.finish(), measure(take)
    for name in ("squelch_opening", "squelch_closing"):
        # Levels read 90 ms off would be those of the next step, 0.75 dB away.
        assert pick(found, name).value == pytest.approx(pick(as_set, name).value, abs=0.05)


def test_shares_and_curves_are_series_against_level():
    take = staircases(-111.6, -114.2, 0.75, sweeps=10)
    found = measure(take)
    share = series(found, "opening_fraction")
    levels = share.axes[0].values
    assert (share.axes[0].name, share.axes[0].unit) == ("input_level_port", "dBm")
    assert share.conditions == {"knob": "3:00"}
    by_hand = [np.mean(np.array(take.opens) <= level) for level in levels]
    np.testing.assert_allclose(share.values, by_hand, rtol=1e-12)
    closing = series(found, "closing_fraction")
    by_hand = [np.mean(np.array(take.closes) <= level) for level in closing.axes[0].values]
    np.testing.assert_allclose(closing.values, by_hand, rtol=1e-12)
    curve = series(found, "opening_fit")
    middle = np.interp(0.5, curve.values, curve.axes[0].values)
    assert middle == pytest.approx(pick(found, "squelch_opening").value, abs=0.01)  # grid, straight
    assert series(found, "closing_fit").values[0] < 0.5


def loud(*, keyed):
    """Ten steps with a signal and two without, and a transmitter keyed as said."""
    plan = [(None, 4.0), *((level, UP_S) for level in np.arange(-120.0, -108.0, 1.0)), (None, 1.0)]
    return Take(steps=laid_out(plan), keyed_s=keyed)


@pytest.mark.parametrize(
    ("take", "state", "why"),
    [
        (loud(keyed=((0.0, 99.0),)), "always keyed", ""),
        (loud(keyed=()), "never keyed", ""),
        (loud(keyed=((4.82, 5.26),)), "normal", ""),
        (loud(keyed=((4.52, 5.02), (5.03, 5.14), (5.15, 5.26))), "chatters", ""),
        # One drop above the region may be the stimulus.
        (loud(keyed=((4.52, 5.02), (5.03, 5.26))), "normal", ""),
        # A falsing unit: keyed nine tenths of the time without a signal, and yet it drops.
        (loud(keyed=((0.3, 3.9), (4.5, 99.0))), "normal", ""),
        # Keyed whenever looked at, but only for less than a hang could explain.
        (
            Take(steps=laid_out([(-90.0, 0.5), (None, 0.5)] * 3), keyed_s=((0.0, 99.0),)),
            None,
            "hang",
        ),
        (Take(steps=laid_out([(None, 1.0)]), keyed_s=((0.5, 0.7),)), None, "no step has a signal"),
    ],
)
def test_keying_state(take, state, why):
    reading = pick(measure(take), "keying_state")
    assert reading.value == state
    assert why in reading.note


def test_always_keyed_is_never_a_number():
    found = measure(loud(keyed=((0.0, 99.0),)))
    for name in ("opening", "closing", "hysteresis", "spread"):
        reading = pick(found, f"squelch_{name}")
        assert reading.value is None
        assert reading.verdict == "not measured"
        assert "always keyed" in reading.note
    assert pick(found, "false_keying_rate").value is None
    assert not found.series


def test_never_keyed_is_a_bound_on_opening():
    found = measure(loud(keyed=()))
    opening = pick(found, "squelch_opening")
    assert (opening.value, opening.bound) == (-109.0, "lower")
    # Exact: k = 2 times the dB of spread that is allowed for, as one sweep does not show it.
    assert opening.expanded_uncertainty == pytest.approx(2.0)
    assert "no uncertainty of the level is declared; 1 rising sweep" in opening.note
    assert pick(found, "squelch_closing").value is None
    assert pick(found, "squelch_hysteresis").value is None


def test_a_bound_has_the_uncertainty_of_its_level_where_declared():
    found = measure(loud(keyed=()), options=Options(stimulus_contributions=(CALIBRATION,)))
    # Exact: k = 2 times 0.4 dB and the one of spread, of independent causes.
    assert pick(found, "squelch_opening").expanded_uncertainty == pytest.approx(
        2.0 * math.hypot(0.4, 1.0)
    )


def test_keyed_at_the_first_level_is_a_bound_on_opening():
    found = measure(Take(steps=laid_out([(None, 1.0), (-90.0, 0.5)] * 2), keyed_s=((1.02, 1.55),)))
    # One of two sweeps keyed at -90, the other did not at -90: no shape, and no number.
    assert pick(found, "squelch_opening").value is None
    keyed = ((1.02, 1.55), (2.52, 3.0))
    found = measure(Take(steps=laid_out([(None, 1.0), (-90.0, 0.5)] * 2), keyed_s=keyed))
    opening = pick(found, "squelch_opening")
    assert (opening.value, opening.bound) == (-90.0, "upper")


def test_a_coarse_search_of_one_sweep_gives_the_middle_of_its_step():
    take = staircases(-111.3, -114.6, 0.0, sweeps=1, low=-122.0, high=-104.0, step=2.0)
    found = measure(take)
    opening, closing = pick(found, "squelch_opening"), pick(found, "squelch_closing")
    assert (opening.value, closing.value) == (-111.0, -115.0)
    # The step of 2 dB, evenly, and a dB of spread that one sweep does not show: its draw lies as
    # far from the middle of all draws as the spread says.
    assert opening.expanded_uncertainty == pytest.approx(2.0 * math.hypot(1.0 / math.sqrt(3), 1.0))
    assert "spread" in opening.note
    assert pick(found, "squelch_spread").value is None


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_false_keying_is_counted_after_the_hang(count, reference):
    rows = csv.DictReader((reference / "poisson_garwood.csv").read_text("utf-8").splitlines())
    row = next(row for row in rows if int(row["count"]) == count)
    # Signal until 1.0 s and 0.3 s of hang; then 4.7 s of silence with key-ups of 0.2 s.
    ups = tuple((2.0 + k, 2.2 + k) for k in range(count))
    take = Take(
        steps=laid_out([(None, 0.5), (-90.0, 0.5), (None, 5.0)]), keyed_s=((0.52, 1.3), *ups)
    )
    reading = pick(measure(take), "false_keying_rate")
    hours = (0.5 + 4.7) / 3600.0
    assert reading.count == count
    assert reading.value == pytest.approx(count / hours, rel=1e-3)  # edges within 1 ms of 5.2 s
    # Half a unit in the fourth decimal of the table, and the same 1 ms.
    lower, upper = float(row["lower_95"]), float(row["upper_95"])
    assert reading.interval[0] == pytest.approx(lower / hours, abs=5e-5 / hours, rel=1e-3)
    assert reading.interval[1] == pytest.approx(upper / hours, abs=5e-5 / hours, rel=1e-3)
    assert (reading.expanded_uncertainty is None) == (count == 0)


def test_falling_steps_shorter_than_the_hang_are_cautioned():
    plan = [
        (None, 0.5),
        *((level, UP_S) for level in (-116.0, -114.0, -112.0, -110.0)),
        *((level, 0.1) for level in (-112.0, -111.0)),
        (None, 0.6),
    ]
    steps = laid_out(plan * 2)
    take = Take(steps=steps, keyed_s=obeyed(steps, (-112.5,), (-114.0,), hang_s=0.4))
    found = measure(take)
    assert any("do not outlast the hang of 0.40 s" in text for text in found.cautions)
    # Never dropped before the signal ended: it was open one hang before, at the highest level.
    closing = pick(found, "squelch_closing")
    assert (closing.value, closing.bound) == (-110.0, "upper")
    take = staircases(-111.6, -114.2, 0.3, sweeps=2)
    assert not any("outlast" in text for text in measure(take).cautions)


def test_each_knob_position_has_its_own_readings():
    a = staircases(-111.6, -114.2, 0.4, sweeps=4)
    b = staircases(-114.0, -115.5, 0.4, sweeps=4, low=-119.0, draw=2, knob="4:30")
    later = [
        Step(
            start_s=s.start_s + a.end_s,
            end_s=s.end_s + a.end_s,
            level_port_dbm=s.level_port_dbm,
            knob=s.knob,
            label=s.label,
        )
        for s in b.steps
    ]
    moved = tuple((on + a.end_s, off + a.end_s) for on, off in b.keyed_s)
    found = measure(Take(steps=(*a.steps, *later), keyed_s=(*a.keyed_s, *moved)))
    for knob, alone in (("3:00", a), ("4:30", b)):
        for name in ("squelch_opening", "squelch_closing"):
            together = pick(found, name, knob=knob).value
            assert together == pytest.approx(pick(measure(alone), name).value, abs=1e-9)
    names = [s.name for s in found.series]
    assert len(set(names)) == len(names)
    assert series(found, "opening_fraction_4:30").conditions == {"knob": "4:30"}


def test_steps_over_missing_samples_say_nothing_and_are_counted():
    take = staircases(-111.6, -114.2, 0.4, sweeps=4)
    squelch = Squelch({"output": channel(take)}, Options())
    iq = output_iq(take)
    # The second and third step of the first sweep are missing.
    first, last = (round((QUIET_S + k * UP_S) * RATE_HZ) for k in (1, 3))
    squelch.push("output", Block(iq[:first], 0, RATE_HZ))
    squelch.push("output", Block(iq[last:], last, RATE_HZ, lost_before=last - first))
    found = squelch.finish()
    assert any("At the end of 2 of" in text for text in found.cautions)
    whole = pick(measure(take), "squelch_opening").value
    assert pick(found, "squelch_opening").value == pytest.approx(whole, abs=1e-9)


def test_without_steps_nothing_is_measured():
    squelch = Squelch(
        {"output": Channel(name="take", role="output", sample_rate_hz=RATE_HZ)}, Options()
    )
    found = squelch.finish()
    assert {r.verdict for r in found.readings} == {"not measured"}
    assert found.cautions


def test_input_alone_is_refused():
    alone = Channel(name="take-input", role="input", sample_rate_hz=RATE_HZ)
    with pytest.raises(BadInput, match=r"take-input: .*Give the output"):
        Squelch({"input": alone}, Options())


SMALL = staircases(-111.6, -114.2, 0.75, sweeps=3, low=-115.0, high=-109.0)


@settings(max_examples=10, deadline=None)
@given(sizes=st.lists(st.integers(1, 40_000), min_size=1, max_size=5).filter(lambda s: sum(s) > 99))
def test_any_cut_gives_the_same_bits(sizes):
    source = input_iq(SMALL, 0.2)
    source_channel = channel(SMALL, "input", level_offset_db=FULL_SCALE_DBM)
    given_whole = measure(SMALL, source=source, source_channel=source_channel, sizes=(10**9,))
    given_cut = measure(SMALL, source=source, source_channel=source_channel, sizes=sizes)
    assert given_cut.readings == given_whole.readings


@settings(max_examples=10, deadline=None)
@given(shift_db=st.floats(-30.0, 30.0), draw=st.integers(0, 1000))
def test_moving_all_levels_moves_opening_and_closing_alike(shift_db, draw):
    there = staircases(-111.6, -114.2, 0.75, sweeps=4, step=1.0, draw=draw)
    moved = tuple(
        Step(
            start_s=s.start_s,
            end_s=s.end_s,
            level_port_dbm=None if s.level_port_dbm is None else s.level_port_dbm + shift_db,
            knob=s.knob,
            label=s.label,
        )
        for s in there.steps
    )
    a, b = measure(there), measure(Take(steps=moved, keyed_s=there.keyed_s))
    for name, by in (
        ("squelch_opening", shift_db),
        ("squelch_closing", shift_db),
        ("squelch_hysteresis", 0.0),
    ):
        # The search for the top stops at 1e-7 of a step or so.
        assert pick(b, name).value - pick(a, name).value == pytest.approx(by, abs=1e-4)
