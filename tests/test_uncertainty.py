"""Uncertainty against published worked numbers.

JCGM 100:2008 H.1 (end gauge): read in two public test suites that cite it. Garwood 1936:
computed from chi-square quantiles, and tables named beside their figures. The table of G.2 (t at
95.45 %) and the additive models of JCGM 101:2008 9.2.3 and 9.2.4 (four rectangles): from memory.
"""

import csv
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from harness.uncertainty import (
    Contribution,
    _factor_with_rectangles,
    combine,
    coverage_factor,
    difference,
    garwood_interval,
    garwood_upper,
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


def even(name, half_width, **more):
    return part(name, rectangular(half_width), distribution="rectangular", **more)


def test_a_rectangle_alone():
    total = combine([even("a", 3.0, sensitivity=-2.0)])
    # Exact: the middle 95.45 % of an even distribution.
    assert total.expanded_uncertainty == pytest.approx(0.9545 * 6.0, rel=1e-6)
    assert total.coverage_factor == pytest.approx(0.9545 * math.sqrt(3.0), rel=1e-6)


@pytest.mark.parametrize(
    ("half_widths", "half_interval"),
    # JCGM 101 9.2.3.3 and 9.2.4: inputs of standard deviation 1, 1, 1 and 1 or 10; 95 %.
    # Half a unit in the last digit printed.
    [((1.0, 1.0, 1.0, 1.0), (3.88, 0.005)), ((1.0, 1.0, 1.0, 10.0), (17.0, 0.05))],
)
def test_the_additive_models_of_jcgm_101(half_widths, half_interval):
    standard = math.sqrt(sum(u**2 for u in half_widths))
    widths = tuple(math.sqrt(3.0) * u / standard for u in half_widths)
    k = _factor_with_rectangles(0.0, math.inf, widths, 0.95)
    assert k * standard == pytest.approx(half_interval[0], abs=half_interval[1])


@pytest.mark.parametrize("ratio", [1.0, 0.5, 0.2])
def test_two_rectangles_are_a_trapezoid(ratio):
    # Exact: the tail of a trapezoid of half-widths 1 and r is (1 + r - x)^2 / 4 r beyond 1 - r.
    k = combine([even("a", 1.0), even("b", ratio)]).coverage_factor
    at = 1.0 + ratio - math.sqrt(4.0 * ratio * 0.0455)
    at = at if at >= 1.0 - ratio else 0.9545
    # The grid's steps: 1e-4.
    assert k == pytest.approx(at / math.sqrt((1.0 + ratio**2) / 3.0), abs=1e-4)


@pytest.mark.parametrize("normals", [0.02, 0.3, 1.0, 4.0])
@pytest.mark.parametrize("degrees_of_freedom", [1.0, 2.5, 8.0, math.inf])
def test_a_rectangle_with_a_normal_or_t_against_quadrature(normals, degrees_of_freedom):
    # Independent: the mean of scipy's own distribution over the rectangle is the level.
    total = combine([even("a", 1.0), part("n", normals, degrees_of_freedom)])
    law = stats.norm() if degrees_of_freedom == math.inf else stats.t(degrees_of_freedom)
    reach = total.expanded_uncertainty

    def held(z):
        return law.cdf((reach - z) / normals) - law.cdf((-reach - z) / normals)

    level = integrate.quad(held, 0.0, 1.0, points=[min(reach, 1.0)])[0]
    assert level == pytest.approx(0.9545, abs=1e-5)


def test_rectangles_with_a_normal_against_a_draw():
    parts = [even("a", 1.0), even("b", 0.6), even("c", 0.3), part("n", 0.2)]
    rng = np.random.default_rng(6)
    drawn = sum(rng.uniform(-a, a, 400_000) for a in (1.0, 0.6, 0.3))
    drawn = drawn + 0.2 * rng.standard_normal(400_000)
    held = np.mean(np.abs(drawn) <= combine(parts).expanded_uncertainty)
    # Five binomial standard deviations of 400 000 at 95.45 %.
    assert held == pytest.approx(0.9545, abs=5.0 * math.sqrt(0.9545 * 0.0455 / 400_000))


def test_a_small_rectangle_changes_nothing():
    assert combine([even("a", 0.09), part("n", 1.0)]).coverage_factor == 2.0
    # And where its shape begins to count, k does not jump.
    assert combine([even("a", 0.11), part("n", 1.0)]).coverage_factor == pytest.approx(
        2.0, abs=1e-4
    )


def test_one_quantity_has_one_distribution():
    with pytest.raises(ValueError, match="two distributions"):
        merge([even("a", 1.0), part("a", rectangular(1.0))])


@given(
    st.lists(st.floats(1e-3, 1e3), min_size=1, max_size=5),
    st.lists(st.floats(1e-3, 1e3), max_size=3),
)
def test_more_parts_never_narrow_and_rectangles_never_reach_beyond_normals(half_widths, normals):
    parts = [
        *(even(f"r{number}", half) for number, half in enumerate(half_widths)),
        *(part(f"n{number}", size) for number, size in enumerate(normals)),
    ]
    total = combine(parts)
    # 1e-4: the grid.
    assert total.coverage_factor <= 2.0 + 1e-4
    for one in parts:
        assert total.expanded_uncertainty >= combine([one]).expanded_uncertainty * (1.0 - 1e-4)
    assert total.expanded_uncertainty <= sum(half_widths) + 2.0 * math.hypot(*normals, 0.0) + 1e-9
    scaled_total = combine(scaled(parts, -7.0))
    assert scaled_total.expanded_uncertainty == pytest.approx(
        7.0 * total.expanded_uncertainty, rel=1e-4
    )


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


# Counts, and the 95 % interval as printed in Pearson and Hartley, Biometrika Tables for
# Statisticians, volume 1, Table 40, after Garwood 1936. From memory: the sum of the Poisson law
# below shows that no digit of it has slipped.
PEARSON_AND_HARTLEY = (
    (0, "0.00", "3.69"),
    (1, "0.0253", "5.57"),
    (2, "0.242", "7.22"),
    (3, "0.619", "8.77"),
    (4, "1.09", "10.24"),
    (5, "1.62", "11.67"),
    (6, "2.20", "13.06"),
    (7, "2.81", "14.42"),
    (8, "3.45", "15.76"),
    (9, "4.12", "17.08"),
    (10, "4.80", "18.39"),
    (20, "12.22", "30.89"),
    (50, "37.11", "65.92"),
)


def half_a_unit(printed):
    return 0.5 * 10.0 ** -len(printed.partition(".")[2])


def poisson_at_most(count, mean):
    """Chance of a count or less, by summing the law term by term."""
    return math.fsum(
        math.exp(-mean + k * math.log(mean) - math.lgamma(k + 1)) for k in range(count + 1)
    )


@pytest.mark.parametrize(("count", "lower", "upper"), PEARSON_AND_HARTLEY)
def test_garwood_against_the_printed_table(count, lower, upper):
    low, high = garwood_interval(count)
    # Half a unit in the last printed digit.
    assert low == pytest.approx(float(lower), abs=half_a_unit(lower))
    assert high == pytest.approx(float(upper), abs=half_a_unit(upper))
    # By definition, without a quantile: each end leaves 2.5 % on its side. 1e-12: rounding.
    assert poisson_at_most(count, high) == pytest.approx(0.025, abs=1e-12)
    if count:
        assert poisson_at_most(count - 1, low) == pytest.approx(0.975, abs=1e-12)


# Review of Particle Physics, chapter Statistics, table of limits for n events without background:
# one-sided lower and upper limits of 90 % and 95 %. From memory, checked as above.
ONE_SIDED = (
    (0, None, "2.30", None, "3.00"),
    (1, "0.105", "3.89", "0.051", "4.74"),
    (2, "0.532", "5.32", "0.355", "6.30"),
    (3, "1.10", "6.68", "0.818", "7.75"),
    (4, "1.74", "7.99", "1.37", "9.15"),
    (5, "2.43", "9.27", "1.97", "10.51"),
    (6, "3.15", "10.53", "2.61", "11.84"),
    (7, "3.89", "11.77", "3.29", "13.15"),
    (8, "4.66", "12.99", "3.98", "14.43"),
    (9, "5.43", "14.21", "4.70", "15.71"),
    (10, "6.22", "15.41", "5.43", "16.96"),
)


@pytest.mark.parametrize(("count", "lower_90", "upper_90", "lower_95", "upper_95"), ONE_SIDED)
def test_garwood_against_the_printed_one_sided_limits(
    count, lower_90, upper_90, lower_95, upper_95
):
    for level, lower, upper in ((0.90, lower_90, upper_90), (0.95, lower_95, upper_95)):
        # A two-sided interval leaves on each side what its one-sided limits leave.
        low, high = garwood_interval(count, 2.0 * level - 1.0)
        assert high == pytest.approx(float(upper), abs=half_a_unit(upper))
        assert garwood_upper(count, level) == pytest.approx(high, rel=1e-12)  # rounding
        assert poisson_at_most(count, high) == pytest.approx(1.0 - level, abs=1e-12)
        if lower is None:
            assert low == 0.0
        else:
            assert low == pytest.approx(float(lower), abs=half_a_unit(lower))


def test_garwood_against_an_exact_interval_of_another_program():
    # 15 events in 400: exact interval as R's DescTools prints it, read in the tests of
    # statsmodels 0.15 (test_rates_poisson.py, test_rate_poisson_r). Its digits: sixteen.
    low, high = (ends / 400.0 for ends in garwood_interval(15))
    assert low == pytest.approx(0.0209884653319583, rel=1e-13)
    assert high == pytest.approx(0.0618505471787146, rel=1e-13)


@pytest.mark.parametrize("mean", [0.5, 3.0, 12.0])
def test_garwood_covers_at_least_as_often_as_it_says(mean):
    # Exact coverage by summing the Poisson law; an exact interval is never below 95 %.
    covered = sum(
        math.exp(-mean + count * math.log(mean) - math.lgamma(count + 1))
        for count in range(100)
        if garwood_interval(count)[0] <= mean <= garwood_interval(count)[1]
    )
    assert covered >= 0.95 - 1e-9
