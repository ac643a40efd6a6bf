"""Before and after a repair: what changed, which way, and what cannot be paired."""

from datetime import timedelta

import pytest

from harness.compare import compare_repairs
from harness.errors import BadInput
from harness.readings import not_measured
from tests.compare.made_runs import START, made, reading, state

LATER = START + timedelta(days=3)


def change(before, after):
    (repair,) = compare_repairs([made("a", before)], [made("a", after, when=LATER)])
    return repair.changes


@pytest.mark.parametrize(
    ("name", "was", "now", "change_is"),
    [
        ("sensitivity_12db_sinad", -112.0, -118.0, "better"),
        ("sensitivity_12db_sinad", -118.0, -112.0, "worse"),
        ("frequency_error", -600.0, 20.0, "better"),
        ("frequency_error", 20.0, -600.0, "worse"),
        # The other side of zero, equally far: it did change.
        ("frequency_error", -600.0, 600.0, "changed"),
        ("hang_time", 1.0, 2.0, "changed"),
        # U of the difference is 0.28 (u = 0.1 each, k = 2).
        ("sinad", 20.0, 20.28, "same"),
        ("sinad", 20.0, 20.29, "better"),
    ],
)
def test_numbers(name, was, now, change_is):
    assert change(reading(name, was, 0.1), reading(name, now, 0.1)) == (change_is,)


@pytest.mark.parametrize(
    ("was", "now", "change_is"),
    [
        ("chatters", "normal", "better"),
        ("normal", "never keyed", "worse"),
        ("chatters", "always keyed", "changed"),
        ("normal", "normal", "same"),
    ],
)
def test_states(was, now, change_is):
    assert change(state(was), state(now)) == (change_is,)


def test_what_one_run_could_not_measure_is_not_told():
    assert change(not_measured("sinad", "no tone"), reading("sinad", 20.0, 0.1)) == ("not told",)


def test_units_are_paired_by_name_and_serial_number():
    def runs(when, gain):
        return [
            made(f"{name}{n}", reading("sinad", value + gain, 0.1), unit=unit, when=when)
            for n, (name, value, unit) in enumerate(
                (("a", 20.0, {"name": "x", "serial": "1"}), ("b", 10.0, {"name": "x", "serial": 2}))
            )
        ]

    first, second = compare_repairs(runs(START, 0.0), runs(LATER, 1.0)[::-1])
    assert (first.unit, second.unit) == (("x", "1"), ("x", "2"))
    assert [repair.comparison.rows[0].difference for repair in (first, second)] == [1.0, 1.0]


@pytest.mark.parametrize(
    ("before", "after", "line"),
    [
        ([made("a")], [made("b", when=LATER)], "--after: no run of a."),
        ([], [made("b", when=LATER)], "--before: no run of b."),
        ([made("a"), made("a")], [made("a", when=LATER)], "--before: two runs of a."),
        ([made("a")], [made("a")], "a: the run after is not later than the run before."),
        (
            [made("a")],
            [made("a", when=LATER, source="simulated")],
            "a: 1 of 2 runs are simulated",
        ),
    ],
)
def test_what_cannot_be_paired(before, after, line):
    with pytest.raises(BadInput) as refused:
        compare_repairs(before, after)
    assert str(refused.value).startswith(line)
