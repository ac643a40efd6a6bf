"""Where to set the knob: one row for each rule, by runs whose right answer is known.

Times that prove a limit: -ln(0.05) = 2.9957 hours for one per hour (``test_quiet.py``). Margins and
costs by hand: what both levels share (0.3 dB) drops out, the fits of 0.1 dB each are left, so that
U is 2 sqrt(0.1^2 + 0.1^2) = 0.283 dB.
"""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.advice import NextStep, advise
from harness.errors import BadInput
from harness.readings import Findings, Limit
from harness.results import read_run, write_run
from harness.uncertainty import Contribution
from tests.advice.knob_runs import (
    LEVEL,
    SHED_LIMIT,
    false_keying,
    keyed,
    level,
    run_of,
    seen,
    sensitivity,
    state,
)

THREE = 3.0
"""Hours without a key-up that prove one per hour; 2.99 h do not."""


def standings(advice):
    return {one.position.knob: one.standing for one in advice.positions}


def knob_of(one):
    return None if one is None else one.position.knob


@pytest.mark.parametrize(
    ("findings", "outcome", "chosen", "leading", "expected"),
    [
        pytest.param(
            [keyed("9:00"), seen("12:00", 0, THREE, -118.0), seen("3:30", 0, THREE, -114.0)],
            "chosen",
            "12:00",
            None,
            ["always keyed", "proven", "proven"],
            id="the loosest that is proven",
        ),
        pytest.param(
            [seen("9:00", 0, THREE, -121.0), seen("12:00", 0, THREE), seen("3:30", 0, THREE)],
            "chosen",
            "9:00",
            None,
            ["proven"] * 3,
            id="all proven",
        ),
        pytest.param(
            [seen("9:00", 0, 2.99), seen("12:00", 0, THREE), seen("3:30", 0, THREE)],
            "chosen",
            "12:00",
            None,
            ["unproven", "proven", "proven"],
            id="a looser one was watched too short",
        ),
        pytest.param(
            [keyed("9:00"), seen("12:00", 0, 0.05), seen("3:30", 0, 0.05)],
            "unproven",
            None,
            "12:00",
            ["always keyed", "unproven", "unproven"],
            id="three minutes prove 60 per hour, not one",
        ),
        pytest.param(
            [keyed("9:00"), seen("12:00", 2, 0.5), seen("3:30", 0, 0.5)],
            "unproven",
            None,
            "3:30",
            ["always keyed", "unproven", "unproven"],
            id="seen more often than the limit, and yet not proven to be",
        ),
        pytest.param(
            # 5 in an hour: lower bound 1.97 per hour (chi-square 0.05, 10 degrees: 3.940 / 2).
            [keyed("9:00"), seen("12:00", 5, 1.0), seen("3:30", 9, 1.0)],
            "none",
            None,
            None,
            ["always keyed", "too often", "too often"],
            id="none qualifies",
        ),
        pytest.param(
            [keyed("9:00"), keyed("12:00"), keyed("3:30")],
            "none",
            None,
            None,
            ["always keyed"] * 3,
            id="all always keyed",
        ),
        pytest.param(
            [
                seen("9:00", 0, THREE, word="chatters"),
                seen("12:00", 0, THREE, word="never keyed"),
                seen("3:30", 0, THREE),
            ],
            "chosen",
            "3:30",
            None,
            ["chatters", "never keyed", "proven"],
            id="a bad state excludes, however quiet",
        ),
        pytest.param(
            [seen("9:00", 0, None), seen("12:00", 0, None, -118.0), keyed("3:30")],
            "incomplete",
            None,
            None,
            ["not measured", "not measured", "always keyed"],
            id="nobody watched",
        ),
        pytest.param(
            [seen("12:00", 0, THREE)],
            "chosen",
            "12:00",
            None,
            ["not measured", "proven", "not measured"],
            id="one position of three",
        ),
        pytest.param(
            [seen("12:00", 3, THREE)],
            "unproven",
            None,
            None,
            ["not measured", "unproven", "not measured"],
            id="at the limit by what was seen: no time helps",
        ),
    ],
)
def test_the_table_of_outcomes(findings, outcome, chosen, leading, expected):
    advice = advise(run_of(*findings))
    assert advice.outcome == outcome
    assert knob_of(advice.chosen) == chosen
    assert knob_of(advice.leading) == leading
    assert list(standings(advice).values()) == expected


def test_the_order_is_that_of_the_unit_file():
    """Neither of the text, in which "12:00" comes first, nor of the results."""
    both = [seen("3:30", 0, THREE), seen("12:00", 0, THREE), seen("9:00", 0, THREE)]
    assert knob_of(advise(run_of(*both)).chosen) == "9:00"
    turned = run_of(*both, order=("3:30", "12:00", "9:00"))
    assert knob_of(advise(turned).chosen) == "3:30"
    assert list(standings(advise(turned))) == ["3:30", "12:00", "9:00"]


def test_without_an_order_there_is_no_loosest():
    both = [seen("9:00", 0, THREE), seen("12:00", 0, THREE)]
    advice = advise(run_of(*both, order=None))
    assert (advice.outcome, advice.chosen) == ("order not known", None)
    assert advice.next_steps == (NextStep(action="name positions"),)
    assert set(standings(advice).values()) == {"proven"}


def test_one_position_needs_no_order():
    assert knob_of(advise(run_of(seen("12:00", 0, THREE), order=None)).chosen) == "12:00"


def test_a_position_that_the_unit_file_does_not_name_takes_no_part():
    advice = advise(run_of(seen("1:00", 0, THREE), seen("3:30", 0, THREE)))
    assert knob_of(advice.chosen) == "3:30"
    assert list(standings(advice)) == ["9:00", "12:00", "3:30", "1:00"]
    assert not advice.positions[-1].position.is_placed


def test_no_knob_in_the_recordings():
    advice = advise(run_of(seen(None, 0, THREE, -118.0), sensitivity(-116.0)))
    assert advice.outcome == "chosen"
    assert advice.chosen.position.knob is None
    assert advice.chosen.margin.value_db == pytest.approx(2.0)


def test_nothing_of_the_squelch():
    advice = advise(run_of(sensitivity(-116.0)))
    assert (advice.outcome, advice.next_steps) == ("nothing measured", ())
    assert set(standings(advice).values()) == {"not measured"}
    assert advise(run_of(order=None)).positions == ()


# What it rests on.


@pytest.mark.parametrize(
    ("limits", "asked", "per_h", "origin"),
    [
        ([], None, 1.0, "default"),
        ([SHED_LIMIT], None, 2.0, "unit file"),
        ([SHED_LIMIT, replace(SHED_LIMIT, maximum=0.5)], None, 0.5, "unit file"),
        ([replace(SHED_LIMIT, where={"knob": "3:30"})], None, 1.0, "default"),
        ([replace(SHED_LIMIT, where={"knob": "12:00"})], None, 2.0, "unit file"),
        ([Limit(reading="sinad", unit="dB", maximum=9.0, source="")], None, 1.0, "default"),
        ([SHED_LIMIT], 60.0, 60.0, "asked for"),
    ],
)
def test_whose_limit_it_is(limits, asked, per_h, origin):
    advice = advise(run_of(seen("12:00", 0, THREE), limits=limits), asked)
    limit = advice.positions[1].limit
    assert (limit.per_h, limit.origin) == (per_h, origin)


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_no_limit_is_no_limit(bad):
    with pytest.raises(ValueError, match="above 0"):
        advise(run_of(), bad)


def test_how_much_more_quiet_time_it_takes():
    advice = advise(run_of(seen("12:00", 0, 0.05), seen("3:30", 1, 2.0)))
    quiet, one_key_up = advice.positions[1], advice.positions[2]
    # 2.9957 h less 3 minutes; 4.7439 h less 2 h: to half a unit in the fourth decimal.
    assert quiet.more_s / 3600.0 == pytest.approx(2.9957 - 0.05, abs=5e-5)
    assert quiet.more_at_rate_s is None
    assert one_key_up.more_s / 3600.0 == pytest.approx(4.7439 - 2.0, abs=5e-5)
    # One in two hours goes on: more than without a further one.
    assert one_key_up.more_s < one_key_up.more_at_rate_s < float("inf")
    (step, *_) = advice.next_steps
    assert (step.action, step.knobs) == ("watch", ("12:00",))
    # In one go: a run is judged by itself.
    assert step.quiet_s / 3600.0 == pytest.approx(2.9957, abs=5e-5)
    assert advise(run_of(seen("12:00", 3, 2.0))).positions[1].more_at_rate_s == float("inf")


def test_margin_and_cost_with_what_is_shared_dropped_out():
    advice = advise(
        run_of(
            keyed("9:00"),
            seen("12:00", 0, THREE, -118.0),
            seen("3:30", 0, THREE, -114.0, fit_db=0.2),
            sensitivity(-117.2),
        )
    )
    loose, chosen, tight = advice.positions
    assert (loose.margin, loose.cost, chosen.cost) == (None, None, None)
    assert chosen.margin.value_db == pytest.approx(0.8)
    assert chosen.margin.expanded_uncertainty_db == pytest.approx(0.28284, abs=1e-5)
    assert tight.margin.value_db == pytest.approx(-3.2)
    assert tight.cost.value_db == pytest.approx(4.0)
    # 2 sqrt(0.1^2 + 0.2^2)
    assert tight.cost.expanded_uncertainty_db == pytest.approx(0.44721, abs=1e-5)
    assert chosen.margin.is_above_zero
    assert tight.margin.is_below_zero


def test_a_calibration_that_is_not_the_same_does_not_drop_out():
    other = replace(LEVEL, standard_uncertainty=0.4)
    apart = sensitivity(-117.0).readings[0]
    parts = tuple(other if part is LEVEL else part for part in apart.contributions)
    found = Findings(kind="audio", readings=(replace(apart, contributions=parts),))
    advice = advise(run_of(seen("12:00", 0, THREE, -118.0), found))
    # 2 sqrt(0.1^2 + 0.1^2 + 0.3^2 + 0.4^2)
    assert advice.chosen.margin.expanded_uncertainty_db == pytest.approx(1.03923, abs=1e-5)


def test_what_each_level_has_of_its_own_does_not_drop_out():
    """A level set in coarse steps: half a step at each position, of the same name and source."""
    half_step = Contribution(
        name="squelch_opening.setting", standard_uncertainty=0.3, source="levels set in steps"
    )

    def set_coarsely(found):
        readings = list(found.readings)
        parts = (*readings[1].contributions, half_step)
        readings[1] = replace(readings[1], contributions=parts)
        return replace(found, readings=tuple(readings))

    loose, tight = (seen(knob, 0, THREE, at) for knob, at in (("12:00", -118.0), ("3:30", -114.0)))
    advice = advise(run_of(set_coarsely(loose), set_coarsely(tight)))
    # 2 sqrt(2 (0.1^2 + 0.3^2))
    assert advice.positions[2].cost.expanded_uncertainty_db == pytest.approx(0.89443, abs=1e-5)


CONNECTED = Contribution(
    name="packing-shed bench.input.connection", standard_uncertainty=0.4, source="bench file"
)


def connected(found, number):
    """Give the findings with the connection of the unit in the uncertainty of one reading."""
    readings = list(found.readings)
    parts = (*readings[number].contributions, CONNECTED)
    readings[number] = replace(readings[number], contributions=parts)
    return replace(found, readings=tuple(readings))


@pytest.mark.parametrize(
    ("is_other_run", "bench", "u_db"),
    [
        # Within a run the connection is the same one: 2 sqrt(0.1^2 + 0.1^2).
        (False, "packing-shed bench", 0.28284),
        # Connected anew in another run: 2 sqrt(0.1^2 + 0.1^2 + 0.4^2 + 0.4^2).
        (True, "packing-shed bench", 1.16619),
        # Another bench: its scale is another one too, 2 sqrt(2 (0.1^2 + 0.4^2 + 0.3^2)).
        (True, "another bench", 1.44222),
    ],
)
def test_the_sensitivity_of_another_run_shares_less(is_other_run, bench, u_db):
    opening = connected(seen("12:00", 0, THREE, -118.0), 1)
    level_of_listener = connected(sensitivity(-117.0), 0)
    if is_other_run:
        other = replace(run_of(level_of_listener), bench={"name": bench})
        advice = advise(run_of(opening), sensitivity_run=other)
        assert advice.sensitivity_run == "Squelch of Frost Watch 2, 2026-03-14"
    else:
        advice = advise(run_of(opening, level_of_listener))
        assert advice.sensitivity_run == ""
    assert advice.chosen.margin.value_db == pytest.approx(1.0)
    assert advice.chosen.margin.expanded_uncertainty_db == pytest.approx(u_db, abs=1e-5)
    assert "measure sensitivity" not in {step.action for step in advice.next_steps}


@pytest.mark.parametrize(
    ("other", "said"),
    [
        (run_of(), "holds no sensitivity"),
        (replace(run_of(sensitivity(-117.0)), unit={"name": "Frost Watch 1"}), "another unit"),
        (
            replace(run_of(sensitivity(-117.0)), unit={"name": "Frost Watch 2", "serial": "7"}),
            "serial 7 against none",
        ),
    ],
)
def test_a_sensitivity_that_is_none_of_this_unit_is_refused(other, said):
    with pytest.raises(BadInput, match=said):
        advise(run_of(seen("12:00", 0, THREE, -118.0)), sensitivity_run=other)


@pytest.mark.parametrize(
    ("of_opening", "of_sensitivity", "bound", "value_db"),
    [
        # -118 dBm at most: the margin is at least 1 dB, less U of the rest (0.283 dB).
        ("upper", None, "lower", 0.71716),
        ("lower", None, "upper", 1.28284),
        (None, "upper", "upper", 1.28284),
        ("lower", "upper", "upper", 1.28284),
    ],
)
def test_a_bound_leaves_a_bound(of_opening, of_sensitivity, bound, value_db):
    found = seen("12:00", 0, THREE, -118.0)
    opening = replace(found.readings[1], bound=of_opening)
    found = replace(found, readings=(found.readings[0], opening, *found.readings[2:]))
    other = sensitivity(-117.0)
    other = replace(other, readings=(replace(other.readings[0], bound=of_sensitivity),))
    margin = advise(run_of(found, other)).chosen.margin
    assert (margin.bound, margin.expanded_uncertainty_db) == (bound, None)
    assert margin.value_db == pytest.approx(value_db, abs=1e-5)


def test_two_bounds_against_each_other_say_nothing():
    found = seen("12:00", 0, THREE, -118.0)
    opening = replace(found.readings[1], bound="upper")
    found = replace(found, readings=(found.readings[0], opening, *found.readings[2:]))
    other = sensitivity(-117.0)
    other = replace(other, readings=(replace(other.readings[0], bound="upper"),))
    assert advise(run_of(found, other)).chosen.margin is None


def test_missing_sensitivity_and_opening_do_not_stop_the_choice():
    advice = advise(run_of(seen("9:00", 0, THREE)))
    assert knob_of(advice.chosen) == "9:00"
    assert advice.chosen.margin is None
    assert [step.action for step in advice.next_steps] == ["measure opening", "measure sensitivity"]


def test_what_lies_on_the_tight_side_of_a_choice_is_not_asked_for():
    run = run_of(seen("9:00", 0, 1.0, -121.0), seen("12:00", 0, THREE, -118.0), sensitivity(-117.0))
    (step,) = advise(run).next_steps
    assert (step.action, step.knobs) == ("watch", ("9:00",))
    assert step.quiet_s / 3600.0 == pytest.approx(2.9957, abs=5e-5)


def test_positions_that_were_not_measured_are_asked_for():
    advice = advise(run_of(keyed("9:00"), seen("3:30", word="never keyed"), sensitivity(-117.0)))
    assert advice.outcome == "incomplete"
    (step,) = advice.next_steps
    assert (step.action, step.knobs) == ("measure position", ("12:00",))
    assert step.quiet_s / 3600.0 == pytest.approx(2.9957, abs=5e-5)


# What contradicts itself.


@pytest.mark.parametrize(
    ("tighter_dbm", "is_found"),
    # U of the difference is 0.283 dB.
    [(-118.30, True), (-118.28, False), (-117.0, False)],
)
def test_a_tighter_position_that_opens_lower_is_pointed_out(tighter_dbm, is_found):
    advice = advise(run_of(seen("12:00", 0, 1.0, -118.0), seen("3:30", 0, 1.0, tighter_dbm)))
    found = [(c.looser, c.tighter, c.drop.value_db) for c in advice.contradictions]
    assert found == ([("12:00", "3:30", pytest.approx(0.30))] if is_found else [])


def test_it_is_set_against_the_looser_one_that_it_contradicts_most():
    advice = advise(
        run_of(
            seen("9:00", 0, 1.0, -118.0),
            seen("12:00", 0, 1.0, -117.0),
            seen("3:30", 0, 1.0, -118.5),
        )
    )
    assert [(c.looser, c.tighter) for c in advice.contradictions] == [("12:00", "3:30")]


def test_a_tighter_position_that_keys_more_often_is_pointed_out():
    """None in 3 h is below 1.0 per hour; 9 in an hour is above 4.7 (chi-square 0.05, 18)."""
    advice = advise(run_of(seen("9:00", 0, THREE), seen("12:00", 9, 1.0)))
    (found,) = advice.contradictions
    assert (found.looser, found.tighter, found.drop) == ("9:00", "12:00", None)
    assert not advise(run_of(seen("9:00", 9, 1.0), seen("12:00", 0, THREE))).contradictions


# Several readings of one name.


def quiet_of_twelve(*rates):
    readings = (state("12:00", "normal"), *rates)
    found = Findings(kind="squelch", readings=readings)
    return advise(run_of(found)).positions[1].position


def test_what_was_watched_in_different_recordings_adds_up():
    quiet = quiet_of_twelve(
        false_keying("12:00", 1, 600.0, ("first",)), false_keying("12:00", 2, 5400.0, ("night",))
    ).quiet
    # Rounding: the time comes back from the interval.
    assert (quiet.key_ups, quiet.watched_s) == (3, pytest.approx(6000.0, rel=1e-12))


@pytest.mark.parametrize("names", [("night", "other"), ()])
def test_the_same_quiet_time_is_not_counted_twice(names):
    quiet = quiet_of_twelve(
        false_keying("12:00", 0, 600.0, names), false_keying("12:00", 0, 5400.0, ("night",))
    ).quiet
    assert quiet.watched_s == pytest.approx(5400.0, rel=1e-12)


def test_what_holds_under_another_condition_does_not_enter():
    position = quiet_of_twelve(
        false_keying("12:00", 7, 9000.0, ("fade",), stimulus="slow fade"),
        false_keying("12:00", 0, 600.0, ("plain",)),
        level("squelch_opening", -110.0, 0.1, "12:00", stimulus="slow fade"),
        level("squelch_opening", -118.0, 0.1, "12:00"),
    )
    assert (position.quiet.key_ups, position.quiet.watched_s) == (0, pytest.approx(600.0))
    assert position.reading("squelch_opening").value == -118.0
    assert position.elsewhere == ("stimulus",)


@pytest.mark.parametrize(
    ("change", "is_told"),
    [
        ({}, True),
        # Another confidence, another count: the time would come out wrong.
        ({"interval": (0.2532, 47.439)}, False),
        ({"count": 2}, False),
        ({"interval": None, "bound": "upper"}, False),
    ],
)
def test_a_rate_that_does_not_tell_its_time_is_not_believed(change, is_told):
    rate = replace(false_keying("12:00", 1, 3600.0), **change)
    assert (quiet_of_twelve(rate).quiet is not None) is is_told


def test_the_worst_of_several_states_counts():
    readings = (state("12:00", "chatters"), state("12:00", "normal"))
    found = Findings(kind="squelch", readings=(*readings, false_keying("12:00", 0, 1e5)))
    assert standings(advise(run_of(found)))["12:00"] == "chatters"


def test_of_several_openings_the_one_of_most_sweeps_counts():
    quick = replace(level("squelch_opening", -117.0, 0.3, "12:00"), count=6)
    full = level("squelch_opening", -118.0, 0.1, "12:00")
    assert quiet_of_twelve(full, quick).reading("squelch_opening").value == -118.0


def test_the_plain_sensitivity_counts():
    several = (
        sensitivity(-110.0, transmitter="on"),
        sensitivity(-117.0, transmitter="off"),
    )
    assert advise(run_of(*several)).sensitivity.value == -117.0


def test_the_same_after_a_results_file(tmp_path):
    run = run_of(keyed("9:00"), seen("12:00", 1, 0.5, -118.0), sensitivity(-117.0))
    write_run(tmp_path / "run.h5", run)
    one, again = advise(run), advise(read_run(tmp_path / "run.h5"))
    assert again.outcome == one.outcome
    assert again.next_steps == one.next_steps
    assert again.positions[1].margin == one.positions[1].margin


# Properties.

KNOBS = ("1", "2", "3", "4")
WATCHED = st.tuples(
    st.integers(0, 6),
    st.floats(0.01, 200.0),
    st.sampled_from(("normal", "normal", "normal", "chatters", "always keyed")),
)


def place(advice):
    """Give the place of the choice from loose to tight; beyond the last where there is none."""
    return len(KNOBS) if advice.chosen is None else KNOBS.index(advice.chosen.position.knob)


def watched_run(watched, times_h=None):
    hours = times_h or [hour for _, hour, _ in watched]
    return run_of(
        *(
            seen(knob, key_ups, hour, word=word)
            for knob, (key_ups, _, word), hour in zip(KNOBS, watched, hours, strict=True)
        ),
        order=KNOBS,
    )


@settings(max_examples=60)
@given(
    watched=st.lists(WATCHED, min_size=4, max_size=4),
    limit=st.floats(0.01, 100.0),
    raised=st.floats(1.0, 100.0),
)
def test_raising_the_limit_never_gives_a_tighter_choice(watched, limit, raised):
    run = watched_run(watched)
    assert place(advise(run, limit * raised)) <= place(advise(run, limit))


@settings(max_examples=60)
@given(
    watched=st.lists(WATCHED, min_size=4, max_size=4),
    limit=st.floats(0.01, 100.0),
    longer=st.lists(st.floats(1.0, 50.0), min_size=4, max_size=4),
)
def test_more_quiet_without_a_key_up_never_gives_a_tighter_choice(watched, limit, longer):
    times_h = [hour * factor for (_, hour, _), factor in zip(watched, longer, strict=True)]
    before = advise(watched_run(watched), limit)
    assert place(advise(watched_run(watched, times_h), limit)) <= place(before)


@settings(max_examples=60)
@given(watched=st.lists(WATCHED, min_size=4, max_size=4), limit=st.floats(0.01, 100.0))
def test_the_choice_is_proven_and_what_is_looser_is_not(watched, limit):
    """By the definition: not more than 5 % of such counts at the limit would be so few."""
    from scipy import stats

    advice = advise(watched_run(watched), limit)
    for number, (key_ups, hours, word) in enumerate(watched[: place(advice) + 1]):
        chance = stats.poisson.cdf(key_ups, limit * hours)
        is_proven = word == "normal" and chance <= 0.05
        assert is_proven == (number == place(advice))
