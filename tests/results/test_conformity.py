"""How likely a limit is kept, and what would decide: against JCGM 106, and against ``combine``.

Published: JCGM 106:2012 clause 7.4 (13.6, u 1.8, 12.5 to 16.3: 0.6626; inputs read in a stored
page that cites it), clause 7.3.3 (-5.47 V, u 0.05 V, at most -5.40 V: 0.9192; 509.7 kPa, u 8.6 kPa,
at least 490 kPa: 0.9890; from memory). Each is worked out once more by scipy's normal
distribution, and by drawing. The shares of false acceptance at the acceptance limit are those of
ILAC-G8:09/2019, quoted in stored pages: 2.28 % at w = U, which is the guard band of ``judge``.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm, poisson

from harness.readings import UNCALIBRATED, Limit, Reading, judge, measured
from harness.results.conformity import conformance_probability, deciding
from harness.uncertainty import Contribution, combine, garwood_interval


def reading(value, u, **more):
    return Reading(
        name="sinad", value=value, unit="dB", expanded_uncertainty=2.0 * u, count=10, **more
    )


def limit(low=None, high=None):
    return Limit(reading="sinad", unit="dB", source="chosen", minimum=low, maximum=high)


# Tolerance: half a unit in the last printed digit.
@pytest.mark.parametrize(
    ("value", "u", "low", "high", "printed"),
    [
        (13.6, 1.8, 12.5, 16.3, 0.6626),
        (-5.47, 0.05, None, -5.40, 0.9192),
        (509.7, 8.6, 490.0, None, 0.9890),
    ],
)
def test_the_worked_examples_of_jcgm_106(value, u, low, high, printed) -> None:
    got = conformance_probability(reading(value, u), limit(low, high))
    assert got == pytest.approx(printed, abs=5e-5)
    ends = (-math.inf if low is None else low, math.inf if high is None else high)
    assert got == pytest.approx(norm.cdf(ends[1], value, u) - norm.cdf(ends[0], value, u), abs=1e-9)
    drawn = np.random.default_rng(1).normal(value, u, 200_000)
    share = np.mean((drawn >= ends[0]) & (drawn <= ends[1]))
    # Five standard deviations of a share of 200,000 draws.
    assert got == pytest.approx(share, abs=5.0 * math.sqrt(got * (1.0 - got) / 200_000))


@pytest.mark.parametrize(
    ("share_of_u", "false_acceptance_percent"),
    [(0.0, 50.0), (0.5, 15.87), (0.83, 4.85), (1.0, 2.28)],
)
def test_false_acceptance_at_the_edge_of_a_guard_band(share_of_u, false_acceptance_percent) -> None:
    at_edge = reading(10.0 - share_of_u * 1.0, 0.5)
    missed = 1.0 - conformance_probability(at_edge, limit(high=10.0))
    assert 100.0 * missed == pytest.approx(false_acceptance_percent, abs=0.005)
    # The guard band of the verdict is the whole of U: only there does it become a pass.
    assert judge(at_edge, limit(high=10.0)) == ("pass" if share_of_u == 1.0 else "undecided")


@pytest.mark.parametrize(
    "more",
    [{"interval": (9.0, 12.0)}, {"bound": "upper"}, {"flags": (UNCALIBRATED,)}],
    ids=lambda more: next(iter(more)),
)
def test_no_probability_where_no_normal_u_stands_for_it(more) -> None:
    assert conformance_probability(reading(10.0, 0.5, **more), limit(high=11.0)) is None


def part(name, u, kind, sensitivity=1.0):
    return Contribution(name=name, standard_uncertainty=u, kind=kind, sensitivity=sensitivity)


def scatters(value, a, *declared, count=9):
    parts = (part("scatter", a, "A"), *(part(f"pad {n}", u, "B") for n, u in enumerate(declared)))
    return measured("sinad", value, parts, count=count)


@pytest.mark.parametrize(
    ("a", "declared", "distance"), [(0.5, (0.1,), 0.6), (0.3, (0.2, 0.1), 0.5), (1.0, (), 0.4)]
)
def test_as_much_averaging_as_it_says_decides_and_a_tenth_less_does_not(
    a, declared, distance
) -> None:
    one = scatters(20.0 + distance, a, *declared)
    found = deciding(one, [limit(low=20.0)])
    assert found[0].way == "averaging"
    assert found[0].count == math.ceil(9 * found[0].times)
    for factor, verdict in ((1.0, "pass"), (0.9, "undecided")):
        lessened = scatters(
            20.0 + distance + 1e-9, a / math.sqrt(factor * found[0].times), *declared
        )
        assert judge(lessened, limit(low=20.0)) == verdict


def test_a_better_calibration_is_named_and_as_much_of_it_decides() -> None:
    one = scatters(20.5, 0.05, 0.4, 0.1)
    found = deciding(one, [limit(low=20.0)])
    assert [ways.way for ways in found] == ["calibration"]
    assert found[0].part.name == "pad 0"
    assert found[0].share == pytest.approx(0.4**2 / (0.05**2 + 0.4**2 + 0.1**2), rel=1e-12)
    for factor, verdict in ((1.0, "pass"), (1.05, "undecided")):
        better = scatters(20.5 + 1e-9, 0.05, factor * found[0].needed_uncertainty, 0.1)
        assert judge(better, limit(low=20.0)) == verdict


def test_both_ways_are_given_the_weightier_first() -> None:
    mostly_scatter = deciding(scatters(20.7, 0.3, 0.25), [limit(low=20.0)])
    mostly_declared = deciding(scatters(20.7, 0.25, 0.3), [limit(low=20.0)])
    assert [one.way for one in mostly_scatter] == ["averaging", "calibration"]
    assert [one.way for one in mostly_declared] == ["calibration", "averaging"]


@pytest.mark.parametrize(
    ("one", "limits", "ways"),
    [
        (scatters(20.0, 0.3, 0.3), [limit(low=20.0)], ["neither"]),
        (scatters(20.5, 0.3, 0.3, 0.3), [limit(low=20.0)], ["neither"]),
        (replace(scatters(20.5, 0.3), bound="upper"), [limit(high=20.0)], ["neither"]),
        (replace(scatters(20.5, 0.3), flags=(UNCALIBRATED,)), [limit(low=20.0)], ["declaring"]),
        # Decided: nothing is needed, and a limit for something else does not count.
        (scatters(30.0, 0.3), [limit(low=20.0)], []),
        (scatters(10.0, 0.3), [limit(low=20.0)], []),
        (
            scatters(20.1, 0.3),
            [Limit(reading="carrier_power", unit="dBm", source="chosen", minimum=20.0)],
            [],
        ),
    ],
)
def test_where_neither_would_do_it_says_so(one, limits, ways) -> None:
    assert [found.way for found in deciding(one, limits)] == ways


def rate(count, hours):
    low, high = (ends / hours for ends in garwood_interval(count))
    return Reading(
        name="false_keying_rate",
        value=count / hours,
        unit="1/h",
        expanded_uncertainty=max(high - count / hours, count / hours - low) if count else None,
        interval=(low, high),
        count=count,
    )


@pytest.mark.parametrize(
    ("count", "hours", "most"), [(0, 0.05, 60.0), (0, 1.0, 1.0), (3, 1.0, 5.0)]
)
def test_a_rate_is_decided_by_watching_longer(count, hours, most) -> None:
    at_most = Limit(reading="false_keying_rate", unit="1/h", source="chosen", maximum=most)
    one = rate(count, hours)
    if judge(one, at_most) == "pass":
        pytest.fail("chosen to be undecided")
    (found,) = deciding(one, [at_most])
    assert found.way == "watching"
    watched_h = found.times * hours
    # Garwood's upper end U is where the chance of so few counts or fewer is 2.5 %.
    chance = poisson.cdf(count, most * watched_h) if not count else None
    if chance is not None:
        assert chance <= 0.025 * 1.0001
        assert poisson.cdf(count, most * watched_h / 1.06) > 0.025


def test_of_two_limits_the_one_that_it_reaches_over_counts() -> None:
    found = deciding(scatters(20.2, 0.3), [limit(low=15.0, high=20.5)])
    assert found[0].distance == pytest.approx(0.3)
    assert combine(scatters(20.2, 0.3).contributions).expanded_uncertainty == pytest.approx(0.6)
