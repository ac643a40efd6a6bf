"""Comparison: shared calibration drops out, like only with like, En as ISO 13528 has it.

En = (x - X) / sqrt(U_x^2 + U_X^2), ISO 13528:2015, 9.7 (clause and formula from memory). No worked
example of that standard was at hand: the score is held to the formula, and to ``uncertainties``,
which shares no code, where the two are correlated.
"""

import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import covariance_matrix, ufloat

from harness.compare import compare_runs
from harness.readings import Findings, Reading, measured, not_measured
from harness.results import Run
from harness.uncertainty import Contribution

WHEN = datetime(2026, 3, 14, tzinfo=UTC)
SHARED = Contribution(name="shed.output.pad", standard_uncertainty=0.3, source="bench file")


def own(standard_uncertainty, name="carrier_power.repeatability", degrees_of_freedom=math.inf):
    return Contribution(
        name=name,
        standard_uncertainty=standard_uncertainty,
        kind="A",
        degrees_of_freedom=degrees_of_freedom,
        source="scatter",
    )


def run(*readings, kind="carrier", bench="shed", **more):
    return Run(
        title="t",
        procedure="p",
        started_utc=WHEN,
        ended_utc=WHEN,
        bench={"name": bench},
        findings=(Findings(kind=kind, readings=readings),),
        **more,
    )


def power(value, *parts, **more):
    return measured("carrier_power", value, parts, count=1, **more)


def only_row(a, b):
    comparison = compare_runs(a, b)
    assert comparison.unmatched == ()
    (row,) = comparison.rows
    return row


@pytest.mark.parametrize(
    ("a_parts", "b_parts", "expected"),
    [
        # U = 2 u throughout (k = 2); each expectation is sqrt of the sum of squares, exact.
        ((own(0.03),), (own(0.04),), 0.1),
        ((own(0.03), SHARED), (own(0.04), SHARED), 0.1),
        # Another pad of another uncertainty, or another file: both count.
        (
            (SHARED,),
            (replace(SHARED, standard_uncertainty=0.4),),
            1.0,
        ),
        ((SHARED,), (replace(SHARED, source="another bench file"),), 2 * 0.3 * math.sqrt(2)),
        # The same calibration felt twice as strongly by b: once of it is left.
        ((SHARED,), (replace(SHARED, sensitivity=2.0),), 0.6),
        # Repeatability has one name in both runs and is not one quantity.
        ((own(0.3),), (own(0.3),), 2 * 0.3 * math.sqrt(2)),
        # Nobody says where it comes from: not known to be the same.
        (
            (replace(SHARED, source=""),),
            (replace(SHARED, source=""),),
            2 * 0.3 * math.sqrt(2),
        ),
    ],
    ids=["own", "shared", "other u", "other source", "sensitivity", "type A", "no source"],
)
def test_uncertainty_of_a_difference(a_parts, b_parts, expected):
    row = only_row(run(power(36.0, *a_parts)), run(power(35.5, *b_parts)))
    assert row.difference == -0.5
    assert row.expanded_uncertainty == pytest.approx(expected, rel=1e-12)
    assert row.en == pytest.approx(-0.5 / expected, rel=1e-12)


@pytest.mark.parametrize(
    ("name", "source", "shared"),
    [
        ("shed.output.pad", "bench file", True),
        ("dongle 00000102.full_scale_dbm", "recording", True),
        # A crystal drifts from one day to the next.
        ("dongle 00000102.clock_error_ppm", "recording", False),
        # Found anew at each start.
        ("shed.output.skew_s", "bench file", False),
        ("shed.output.connection", "bench file", False),
        # The recording names no receiver: its namesake may be of another one.
        ("take-output.clock_error_ppm", "recording", False),
        # Of the data, not of a calibration.
        ("run_time.logging_interval", "logging interval 10 s", False),
    ],
)
def test_what_counts_as_one_calibration(name, source, shared):
    part = Contribution(name=name, standard_uncertainty=0.3, source=source)
    a = run(power(36.0, own(0.03), part, recordings=("take-output",)))
    b = run(power(36.1, own(0.04), part, recordings=("take-output",)))
    row = only_row(a, b)
    assert (name in row.shared) is shared
    assert row.expanded_uncertainty == pytest.approx(
        0.1 if shared else math.sqrt(0.1**2 + 2 * 0.6**2), rel=1e-12
    )


@pytest.mark.parametrize("sensitivity", [1.0, 0.5, -1.0, 153.825])
def test_the_score_of_correlated_runs_is_that_of_another_library(sensitivity):
    """Also JCGM 100, 5.2.2: u^2 = u_a^2 + u_b^2 - 2 cov(a, b) (clause from memory); rounding."""
    felt = replace(SHARED, sensitivity=sensitivity)
    row = only_row(run(power(36.0, own(0.03), felt)), run(power(35.5, own(0.04), SHARED)))
    pad = ufloat(0.0, 0.3)
    a = ufloat(36.0, 0.03) + sensitivity * pad
    b = ufloat(35.5, 0.04) + pad
    assert row.en == pytest.approx((b - a).n / (2.0 * (b - a).s), rel=1e-12)
    ((u2_a, shared), (_, u2_b)) = covariance_matrix([a, b])
    by_hand = math.sqrt(u2_a + u2_b - 2.0 * shared)
    assert row.expanded_uncertainty == pytest.approx(2.0 * by_hand, rel=1e-9)


def test_another_bench_shares_nothing():
    row = only_row(run(power(36.0, SHARED)), run(power(36.0, SHARED), bench="barn"))
    assert row.shared == ()


@given(st.floats(0.01, 1.0), st.floats(0.01, 1.0), st.floats(-5.0, 5.0))
def test_without_anything_shared_it_is_the_published_score(u_a, u_b, gap):
    row = only_row(run(power(0.0, own(u_a))), run(power(gap, own(u_b))))
    published = gap / math.hypot(2 * u_a, 2 * u_b)
    assert row.en == pytest.approx(published, rel=1e-9)
    assert row.agrees is (abs(row.en) <= 1.0)


@given(st.floats(-5.0, 5.0), st.floats(-5.0, 5.0))
def test_turned_round_only_the_sign_changes(x, y):
    a, b = run(power(x, own(0.1), SHARED)), run(power(y, own(0.2), SHARED))
    there, back = only_row(a, b), only_row(b, a)
    assert there.difference == -back.difference
    assert there.expanded_uncertainty == pytest.approx(back.expanded_uncertainty, rel=1e-12)


def test_few_degrees_of_freedom_widen_it():
    """k of 95.45 % with 4 degrees of freedom is 2.87 (JCGM 100 Table G.2, memory; half a unit)."""
    row = only_row(
        run(power(36.0, own(0.1, degrees_of_freedom=4.0))),
        run(power(36.0, own(1e-9, degrees_of_freedom=4.0))),
    )
    assert row.coverage_factor == pytest.approx(2.87, abs=0.005)


def test_a_stated_uncertainty_beyond_its_named_parts_still_counts():
    lopsided = Reading(
        name="false_keying_rate", value=0.0, unit="1/h", interval=(0.0, 3.0), count=0
    )
    other = replace(lopsided, value=9.0, interval=(5.0, 13.0), count=9)
    row = only_row(run(lopsided, kind="squelch"), run(other, kind="squelch"))
    # The larger halves, 3 and 4: U = 5; exact.
    assert row.expanded_uncertainty == pytest.approx(5.0, rel=1e-12)
    assert row.en == pytest.approx(9.0 / 5.0, rel=1e-12)


def test_no_uncertainty_left_is_no_score():
    row = only_row(run(power(36.0, SHARED)), run(power(35.0, SHARED)))
    assert row.expanded_uncertainty == 0.0
    assert row.en is None
    assert row.agrees is None


@pytest.mark.parametrize(
    ("name", "unit", "a", "b", "better"),
    [
        ("sinad", "dB", 20.0, 25.0, "b"),
        ("sensitivity_12db_sinad", "dBm", -118.0, -114.0, "a"),
        ("frequency_error", "Hz", 120.0, -612.0, "a"),
        ("run_time", "s", 3600.0, 7200.0, "b"),
        ("hang_time", "s", 1.0, 2.0, None),
        ("sinad", "dB", 20.0, 20.1, None),  # agrees
    ],
)
def test_which_is_better(name, unit, a, b, better):
    def one(value):
        return run(measured(name, value, (own(0.1),), count=1))

    row = only_row(one(a), one(b))
    assert row.unit == unit
    assert row.better == better


# Like with like.


def test_other_conditions_are_not_compared_and_it_is_said():
    def at(knob):
        return run(
            measured("squelch_opening", -110.0, (own(0.1),), count=25, conditions={"knob": knob})
        )

    comparison = compare_runs(at("9:00"), at("3:30"), "this", "that")
    assert comparison.rows == ()
    assert [alone.run_name for alone in comparison.unmatched] == ["this", "that"]
    assert all("(knob)" in alone.reason for alone in comparison.unmatched)


@pytest.mark.parametrize(
    ("key", "a", "b", "alike"),
    [
        ("input_level_port_dbm", -100.0, -100.08, True),
        ("input_level_port_dbm", -100.0, -100.12, False),
        ("tone_hz", 1000.0, 1001.0, True),
        ("tone_hz", 1000.0, 1004.0, False),
        ("weighting", "flat", "psophometric", False),
        ("de_emphasis", True, False, False),
        ("de_emphasis", True, 1.0, False),
    ],
)
def test_conditions_that_pass_for_the_same(key, a, b, alike):
    def under(value):
        return run(measured("sinad", 20.0, (own(0.1),), count=1, conditions={key: value}))

    assert bool(compare_runs(under(a), under(b)).rows) is alike


def test_a_condition_that_only_one_has():
    one = run(measured("sinad", 20.0, (own(0.1),), count=1, conditions={"tone_hz": 1000.0}))
    assert compare_runs(one, run(measured("sinad", 20.0, (own(0.1),), count=1))).rows == ()


def test_the_same_reading_twice_is_not_guessed_at():
    twice = run(power(36.0, own(0.1)), power(35.0, own(0.1)))
    comparison = compare_runs(twice, run(power(36.0, own(0.1))))
    assert comparison.rows == ()
    assert len(comparison.unmatched) == 3
    assert "more than once" in comparison.unmatched[0].reason


def test_another_kind_of_measurement_is_another_reading():
    a, b = run(power(36.0, own(0.1))), run(power(36.0, own(0.1)), kind="discharge")
    comparison = compare_runs(a, b, "a", "b")
    assert comparison.rows == ()
    assert comparison.unmatched[0].reason == "not in b"


# What is no number.


def state(word):
    return Reading(name="keying_state", value=word, unit="", count=1)


@pytest.mark.parametrize(
    ("a", "b", "agrees", "words"),
    [
        (state("normal"), state("normal"), True, "Both normal."),
        (state("normal"), state("chatters"), False, "a: normal; b: chatters."),
        (
            not_measured("keying_state", "no time"),
            state("normal"),
            None,
            "Not measured in a.",
        ),
    ],
)
def test_states_are_words(a, b, agrees, words):
    row = only_row(run(a), run(b))
    assert (row.difference, row.en) == (None, None)
    assert row.agrees is agrees
    assert row.note == words


@pytest.mark.parametrize(
    ("a", "b", "words"),
    [
        (("upper", 10.0), 20.0, "b is the higher"),
        (("upper", 30.0), 20.0, "may be equal"),
        (("lower", 30.0), 20.0, "b is the lower"),
    ],
)
def test_bounds_give_no_difference(a, b, words):
    bound = Reading(name="sinad", value=a[1], unit="dB", bound=a[0], count=1)
    row = only_row(run(bound), run(measured("sinad", b, (own(0.1),), count=1)))
    assert row.difference is None
    assert words in row.note


# The runs themselves.


def test_what_sets_the_runs_apart_is_said():
    a = run(source="simulated", software={"harness": "1"}, unit={"name": "x", "rated_power_w": 4.0})
    b = run(source="rtlsdr", software={"harness": "2"}, unit={"name": "x", "rated_power_w": 5.0})
    said = " ".join(compare_runs(a, b).remarks)
    for word in ("source", "simulated", "rtlsdr", "versions of harness", "rated_power_w"):
        assert word in said
    assert compare_runs(a, a).remarks == ()


def test_one_name_for_two_runs_is_refused():
    with pytest.raises(ValueError, match="must differ"):
        compare_runs(run(), run(), "x", "x")
