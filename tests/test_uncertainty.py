"""Uncertainty against published worked numbers.

JCGM 100:2008 H.1 (end gauge): read in two public test suites that cite it. Garwood 1936:
computed from chi-square quantiles. The table of G.2 (t at 95.45 %): from memory.
"""

import csv
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.uncertainty import (
    Contribution,
    combine,
    coverage_factor,
    difference,
    garwood_interval,
    merge,
    rectangular,
    scaled,
)


def part(name, u, dof=math.inf, **more):
    return Contribution(name=name, standard_uncertainty=u, degrees_of_freedom=dof, **more)


# JCGM 100 H.1: standard uncertainty in nm, degrees of freedom.
END_GAUGE = (
    part("standard", 25.0, 18.0),
    part("comparator", 9.7, 25.6),
    part("expansion", 2.9, 50.0),
    part("temperature", 16.6, 2.0),
)


def test_the_end_gauge_of_jcgm_100():
    total = combine(END_GAUGE)
    # Printed: u_c = 32 nm and 16 degrees of freedom (truncated); half a unit in the last digit,
    # one whole unit where the source truncates.
    assert total.standard_uncertainty == pytest.approx(32.0, abs=0.5)
    assert math.floor(total.degrees_of_freedom) == 16


def test_the_end_gauge_unrounded():
    # Computed from unrounded parts: 31.71 nm, 16.66; half a unit in the last digit given.
    parts = (*END_GAUGE[:1], part("c", 9.700, 25.6), part("e", 2.900, 50.0), part("t", 16.675, 2.0))
    total = combine(parts)
    assert total.standard_uncertainty == pytest.approx(31.71, abs=0.005)
    assert total.degrees_of_freedom == pytest.approx(16.66, abs=0.06)  # dof 25.6 is rounded


def test_the_comparator_of_the_end_gauge():
    # 9.7 nm is the root sum square of 5.8, 3.9 and 6.7 nm (H.1.3.2): half a unit.
    total = combine([part("repetition", 5.8), part("random", 3.9), part("systematic", 6.7)])
    assert total.standard_uncertainty == pytest.approx(9.7, abs=0.05)


@pytest.mark.parametrize(
    ("degrees_of_freedom", "k"),
    # JCGM 100 Table G.2, column 95.45 % (memory), half a unit in the last digit.
    [(1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (10, 2.28), (20, 2.13), (45, 2.06)],
)
def test_coverage_factor(degrees_of_freedom, k):
    assert coverage_factor(degrees_of_freedom) == pytest.approx(k, abs=0.005)


def test_many_degrees_of_freedom_are_two():
    assert coverage_factor(50.0) == 2.0
    assert coverage_factor(math.inf) == 2.0


def test_nothing_combined_is_nothing():
    total = combine([])
    assert (total.expanded_uncertainty, total.coverage_factor) == (0.0, 2.0)


def test_one_name_is_one_quantity():
    # 2 x and 1 x of the same thing are 3 x, not sqrt(5) x.
    total = combine([part("pad", 0.1, sensitivity=2.0), part("pad", 0.1)])
    assert total.standard_uncertainty == pytest.approx(0.3, rel=1e-12)
    with pytest.raises(ValueError, match="two uncertainties"):
        merge([part("pad", 0.1), part("pad", 0.2)])


def test_what_two_share_drops_out_of_their_difference():
    first, second = (part("pad", 0.5), part("a", 0.03)), (part("pad", 0.5), part("b", 0.04))
    assert combine(difference(first, second)).standard_uncertainty == pytest.approx(0.05, rel=1e-12)


@given(st.lists(st.floats(1e-3, 1e3), min_size=1, max_size=6), st.floats(-10.0, 10.0))
def test_scaling_scales(sizes, factor):
    parts = [part(str(number), size) for number, size in enumerate(sizes)]
    once, more = combine(parts), combine(scaled(parts, factor))
    assert more.standard_uncertainty == pytest.approx(
        abs(factor) * once.standard_uncertainty, rel=1e-12, abs=1e-150
    )
    assert combine(reversed(parts)).standard_uncertainty == pytest.approx(
        once.standard_uncertainty, rel=1e-12
    )


def test_rectangular_against_a_draw():
    # 1e5 values even in +/- 3: the scatter's own standard error is below 0.3 %, five sigma 1 %.
    drawn = np.random.default_rng(4).uniform(-3.0, 3.0, 100_000)
    assert rectangular(3.0) == pytest.approx(drawn.std(), rel=0.01)


def test_garwood_against_the_table(reference):
    with open(reference / "poisson_garwood.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) >= 9
    for row in rows:
        low, high = garwood_interval(int(row["count"]))
        # Half a unit in the fourth decimal.
        assert low == pytest.approx(float(row["lower_95"]), abs=5e-5)
        assert high == pytest.approx(float(row["upper_95"]), abs=5e-5)
        # Both tails of a 90 % interval hold 5 %: its upper end is the one-sided 95 % one.
        one_sided = garwood_interval(int(row["count"]), 0.90)[1]
        assert one_sided == pytest.approx(float(row["upper_one_sided_95"]), abs=5e-5)


@pytest.mark.parametrize("mean", [0.5, 3.0, 12.0])
def test_garwood_covers_at_least_as_often_as_it_says(mean):
    # Exact coverage by summing the Poisson law; an exact interval is never below 95 %.
    covered = sum(
        math.exp(-mean + count * math.log(mean) - math.lgamma(count + 1))
        for count in range(100)
        if garwood_interval(count)[0] <= mean <= garwood_interval(count)[1]
    )
    assert covered >= 0.95 - 1e-9
