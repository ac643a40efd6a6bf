"""Capacity against the marked one and over runs: values by construction, what drops out, lines.

Batteries are invented. A capacity comes back exactly where the exponent is known. The lines are set
against a fit of another library with the same weights (numpy.polyfit).
"""

import numpy as np
import pytest

from harness.service.battery import battery_run_of
from harness.service.capacity import ageing, capacity_of, of_rated
from harness.service.run_time import Rate
from tests.service.battery_runs import discharge, lasting_h, run_of

RATE = Rate(low=1.1, high=1.3, rated_hours=20.0)
EXACT = Rate(low=1.2, high=1.2, rated_hours=20.0)
NO_EFFECT = Rate(low=1.0, high=1.0, rated_hours=20.0)


def capacity(capacity_ah, *, days=0.0, current_a=1.3, rate=RATE, exponent=1.2, **more):
    name = f"day-{days:g}.h5"
    lasted_s = lasting_h(capacity_ah, [current_a], [1.0], exponent) * 3600.0
    bench = more.pop("bench", "packing-shed bench")
    run = run_of(discharge(lasted_s, current_a, **more), days=days, bench=bench)
    return capacity_of(battery_run_of(run, name), rate, "usual range")


@pytest.mark.parametrize("current_a", [0.2, 0.45, 0.9, 1.8, 4.5])
def test_the_capacity_comes_back_at_every_rate(current_a):
    """Also below the rated current, where no gain is claimed. Exact: 1e-9."""
    found = capacity(8.1, current_a=current_a, rate=EXACT)
    assert found.value_ah == pytest.approx(8.1, rel=1e-9)
    assert of_rated(found, 9.0).percent == pytest.approx(90.0, rel=1e-9)


def test_the_exponent_costs_nothing_at_the_rated_current_and_something_above():
    slow, fast = (capacity(9.0, current_a=a, meter=0.0) for a in (0.45, 1.8))
    assert slow.expanded_uncertainty_ah == pytest.approx(0.0, abs=1e-6)
    # C = I H (t/H)^(1/n): d ln C / dn = -ln(t/H)/n^2, worth 0.1 either way, a rectangle (k 1.653).
    by_hand = 9.0 * np.log(20.0 / 4.0) / 1.2**2 * 0.1 * 1.653 / np.sqrt(3)
    assert fast.expanded_uncertainty_ah == pytest.approx(by_hand, rel=0.12)


def test_the_meter_counts_with_the_charge():
    """At the rated current C = Q: 1 % of 9 Ah, k = 2, exact."""
    found = capacity(9.0, current_a=0.45, meter=0.01, rate=EXACT)
    assert found.expanded_uncertainty_ah == pytest.approx(0.18, rel=1e-3)


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"end_v": None}, "before the battery was at its end voltage"),
        ({"bound": "lower"}, "not all of the run was logged"),
    ],
)
def test_what_is_a_bound_says_why(more, why):
    found = capacity(9.0, **more)
    assert found.bound == "lower"
    assert why in found.why_bound


def test_two_runs_give_a_difference_in_which_meter_and_exponent_drop_out():
    found = ageing([capacity(8.1, days=400.0), capacity(9.0)])
    assert [each.name for each in found.capacities] == ["day-0.h5", "day-400.h5"]
    assert found.change.difference_ah == pytest.approx(-0.9, rel=1e-6)
    # Of one and the same meter (0.5 %, k = 2) and exponent only a tenth is left.
    assert found.change.expanded_uncertainty_ah < 0.1
    assert not found.change.is_explained
    assert found.per_year is None
    assert "2 runs are too few" in found.why_none


def test_another_bench_has_another_meter():
    """5 % each, k = 2, at the rated current: 0.9 Ah and 0.81 Ah in quadrature."""
    one = capacity(9.0, current_a=0.45, meter=0.05, rate=NO_EFFECT, exponent=1.0)
    other = capacity(
        8.1,
        current_a=0.45,
        meter=0.05,
        days=400.0,
        bench="the other",
        rate=NO_EFFECT,
        exponent=1.0,
    )
    found = ageing([one, other]).change
    assert found.expanded_uncertainty_ah == pytest.approx(np.hypot(0.9, 0.81), rel=1e-3)
    assert found.is_explained


def test_three_runs_over_time_are_a_line():
    """-5 % a year exactly: the line goes through all of them."""
    found = ageing([capacity(9.0 * (1 - 0.05 * y), days=y * 365.25) for y in (0.0, 1.0, 2.5)])
    assert found.per_year.percent == pytest.approx(-5.0, abs=1e-6)
    assert found.per_year.expanded_uncertainty_percent < 1.0
    assert found.why_none == ""


def test_runs_that_the_transmitter_ended_age_too():
    """Bounds of the capacity, each of them, but of one and the same end: -5 % a year."""
    found = ageing(
        [capacity(9.0 * (1 - 0.05 * y), days=y * 365.25, end_v=None) for y in (0.0, 1.0, 2.0)]
    )
    assert {each.bound for each in found.capacities} == {"lower"}
    assert found.per_year.percent == pytest.approx(-5.0, abs=1e-6)


def test_scatter_widens_the_slope_to_what_a_plain_fit_says():
    """Far above the stated U all scatter is type A: numpy's fit, its covariance, Student's t."""
    years = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 3.0])
    values = 9.0 * (1 - 0.06 * years) + np.array([0.2, -0.3, 0.25, -0.1, 0.15, -0.2])
    found = ageing(
        [
            capacity(
                v,
                days=y * 365.25,
                current_a=0.45,
                meter=1e-6,
                edge_s=1.0,
                rate=NO_EFFECT,
                exponent=1.0,
            )
            for v, y in zip(values, years, strict=True)
        ]
    )
    (slope, at_first), covariance = np.polyfit(years, values, 1, cov=True)
    assert found.per_year.percent == pytest.approx(100 * slope / at_first, rel=1e-3)
    t_of_4 = 2.869  # 95.45 %, two-sided, four degrees of freedom (table of t, computed)
    expected = t_of_4 * 100 * np.sqrt(covariance[0, 0]) / at_first
    assert found.per_year.expanded_uncertainty_percent == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(
    ("runs", "why"),
    [
        ([(9.0, 0.0, {})], "fewer than two runs"),
        ([(9.0, 0.0, {}), (8.9, 5.0, {}), (8.8, 20.0, {})], "20 days are too short"),
        (
            [(9.0, 0.0, {}), (8.5, 365.0, {"end_v": None}), (8.0, 730.0, {})],
            "2 runs are too few",
        ),
        (
            [(9.0, 0.0, {}), (8.5, 365.0, {"bound": "lower"}), (8.0, 730.0, {})],
            "2 runs are too few",
        ),
        ([(9.0, 0.0, {"end_v": 11.0}), (8.5, 365.0, {})], "fewer than two runs"),
    ],
    ids=["one", "days apart", "one ended otherwise", "one not whole", "other end voltage"],
)
def test_no_ageing_is_claimed_from_too_little(runs, why):
    found = ageing([capacity(ah, days=days, **more) for ah, days, more in runs])
    assert found.per_year is None
    assert why in found.why_none


@pytest.mark.parametrize("seed", [3, 4])
def test_the_slope_covers(seed):
    """200 draws of three runs with logging intervals of 900 s: inside in 95 %, five sigma: 176."""
    rng = np.random.default_rng(seed)
    inside = 0
    for _ in range(200):
        runs = []
        for years in (0.0, 1.0, 2.0):
            truth_ah = 9.0 * (1 - 0.05 * years)
            hours = lasting_h(truth_ah, [0.45], [1.0], 1.2) + rng.normal(0.0, 0.25)
            findings = discharge(hours * 3600.0, 0.45, meter=0.0, edge_s=900.0, step_s=1800.0)
            run = battery_run_of(run_of(findings, days=years * 365.25), f"{years}.h5")
            runs.append(capacity_of(run, EXACT, "usual range"))
        slope = ageing(runs).per_year
        inside += abs(slope.percent + 5.0) <= slope.expanded_uncertainty_percent
    assert inside >= 176
