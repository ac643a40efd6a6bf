"""One unit over years: the line and its interval, the control limits, and how often both are wrong.

Published: the chart of individual values of NIST/SEMATECH e-Handbook 6.3.2.2 (ten flow rates, mean
50.81, mean moving range 1.8778, limits 45.8159 and 55.8041; from memory, reproduced by hand). The
line is held to statsmodels, which shares no code with it.
"""

from datetime import timedelta

import numpy as np
import pytest
import statsmodels.api as sm

from harness.compare import compare_years
from harness.compare.gather import Value
from harness.compare.years import LEAST_CONTROL, YEAR_S, control_of, trend_of
from harness.errors import BadInput
from tests.compare.made_runs import SHARED, START, made, reading, years

FLOW_RATES = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
DAYS = (0, 200, 390, 720, 1000, 1400, 1700)


def values(numbers, standard_uncertainties):
    return [
        Value(place=place, value=float(x), standard_uncertainty=u, expanded_uncertainty=2.0 * u)
        for place, (x, u) in enumerate(zip(numbers, standard_uncertainties, strict=True))
    ]


def moments(days):
    return [START + timedelta(days=float(day)) for day in days]


def only_line(runs, **more):
    (line,) = compare_years(runs, **more).lines
    return line


def test_the_line_is_that_of_another_library():
    """Weights 1 / u^2 with u known; rounding of sums of seven."""
    rng = np.random.default_rng(3)
    u = rng.uniform(0.05, 0.3, len(DAYS))
    t = np.array(DAYS) * 86400.0 / YEAR_S
    y = 36.0 - 0.1 * t + 0.2 * u * rng.normal(size=len(DAYS))
    trend = trend_of(moments(DAYS), values(y, u))
    fit = sm.WLS(y, sm.add_constant(t), weights=u**-2.0).fit(cov_type="fixed scale")
    assert trend.birge < 1.0
    assert trend.slope_per_year == pytest.approx(fit.params[1], rel=1e-9)
    assert trend.slope_u == pytest.approx(fit.bse[1], rel=1e-9)
    for day in (-100, 500, 2200):
        at = fit.get_prediction([1.0, day * 86400.0 / YEAR_S])
        (moment,) = moments([day])
        assert trend.at(moment) == pytest.approx(at.predicted_mean[0], rel=1e-9)
        assert trend.expanded_at(moment) == pytest.approx(2.0 * at.se_mean[0], rel=1e-9)
    assert trend.coverage_factor == 2.0


def test_scatter_beyond_the_uncertainties_widens_it_as_unknown_ones_would():
    """Equal u far too small: the slope's standard error is that of plain least squares."""
    y = np.array([1.0, 3.0, 2.0, 5.0, 4.0, 6.5, 5.0])
    t = np.array(DAYS) * 86400.0 / YEAR_S
    trend = trend_of(moments(DAYS), values(y, [0.01] * 7))
    fit = sm.OLS(y, sm.add_constant(t)).fit()
    assert trend.slope_u == pytest.approx(fit.bse[1], rel=1e-9)
    assert trend.birge == pytest.approx(np.sqrt(fit.mse_resid) / 0.01, rel=1e-9)
    # t of 5 degrees of freedom at 95.45 % is 2.65 (JCGM 100 Table G.2, memory; half a unit).
    assert trend.coverage_factor == pytest.approx(2.65, abs=0.005)


@pytest.mark.parametrize(
    ("n", "understated", "least"),
    [
        (3, 1.0, 0.9545),
        (5, 1.0, 0.9545),
        (8, 1.0, 0.9545),
        (5, 4.0, 0.9545),
        (8, 4.0, 0.9545),
        # Three runs lie on a line by chance too often to give away that u is told too small.
        (3, 4.0, 0.87),
    ],
)
def test_the_interval_of_the_slope_holds_the_truth(n, understated, least):
    """At least so often, less five sigma of 1000 draws (0.033); u is told too small by a factor.

    It holds it more often where u is right: U never shrinks below what the runs say.
    """
    rng = np.random.default_rng(n)
    days = np.sort(rng.uniform(0.0, 3000.0, (1000, n)), axis=1)
    noise = rng.normal(size=(1000, n))
    held = 0
    for day, error in zip(days, noise, strict=True):
        y = -0.2 * day * 86400.0 / YEAR_S + error
        trend = trend_of(moments(day), values(y, [1.0 / understated] * n))
        held += abs(trend.slope_per_year + 0.2) <= trend.expanded_slope
    assert held / 1000 >= least - 0.033


@pytest.mark.parametrize(
    ("numbers", "told"),
    [
        ([36.0, 35.9, 35.8, 35.6, 35.5, 35.2, 35.1], True),
        ([36.0, 36.1, 35.9, 36.0, 36.1, 35.9, 36.0], False),
    ],
)
def test_a_trend_is_told_when_it_is_beyond_its_uncertainty(numbers, told):
    line = only_line(years(numbers, DAYS, 0.05))
    assert line.trend.is_told is told
    assert line.control.about_line is told


def test_what_is_expected_a_year_on_and_on_a_day():
    runs = years([36.0, 35.9, 35.8], (0, 365.25, 730.5), 0.05)
    line = only_line(runs)
    assert line.expected == pytest.approx(35.7, abs=1e-9)
    # By hand: level 0.05 / sqrt 3, slope 0.05 / sqrt 2 over two years, one more run 0.05; k = 2.
    expected = 2 * 0.05 * np.sqrt(1 / 3 + 4 / 2 + 1)
    assert line.expanded_expected == pytest.approx(expected, rel=1e-9)
    later = only_line(runs, expected_utc=START + timedelta(days=2 * 730.5))
    assert later.expected == pytest.approx(35.6, abs=1e-9)


def test_what_all_runs_share_does_not_hide_a_trend():
    numbers = [36.0, 35.9, 35.8, 35.6, 35.5, 35.2, 35.1]
    line = only_line(years(numbers, DAYS, 0.05, "carrier_power", SHARED))
    assert line.trend.is_told
    assert line.shared_uncertainty == pytest.approx(0.6, rel=1e-12)


# Control limits.


def test_the_published_chart():
    """Half a unit of the last figure given; 2.66 for 3 / 1.128 moves a limit by 0.0006."""
    chart = control_of(values(FLOW_RATES, [0.0] * 10))
    assert chart.middle == pytest.approx(50.81, abs=1e-9)
    assert chart.low == pytest.approx(45.8159, abs=0.0011)
    assert chart.high == pytest.approx(55.8041, abs=0.0011)
    assert chart.outside == ()


def test_limits_do_not_hang_on_when_the_runs_were():
    numbers = [36.0, 36.1, 35.9, 36.0, 36.1, 35.9, 36.0]
    one = only_line(years(numbers, range(7), 0.05)).control
    other = only_line(years(numbers, [n**2 for n in range(7)], 0.05)).control
    assert not one.about_line
    assert (one.low, one.high) == (other.low, other.high)


@pytest.mark.parametrize(
    ("numbers", "standard_uncertainty", "outside", "robustly"),
    [
        ([0.0, 1.0, -1.0, 0.0, 1.0, -1.0, 0.0], 0.1, (), ()),
        # One run hides itself in the mean of the ranges, and not in their median.
        ([0.0, 1.0, -1.0, 12.0, 1.0, -1.0, 0.0], 0.1, (), (3,)),
        ([0.0, 0.1, 0.0, 0.1, 0.0, 0.1, 0.0, 0.1, 0.0, 0.1, 0.0, 0.1, 5.0], 0.1, (12,), (12,)),
        # Not by more than it was measured to.
        ([0.0, 1.0, -1.0, 12.0, 1.0, -1.0, 0.0], 10.0, (), ()),
    ],
)
def test_which_run_falls_out(numbers, standard_uncertainty, outside, robustly):
    chart = control_of(values(numbers, [standard_uncertainty] * len(numbers)))
    assert (chart.outside, chart.robustly_outside) == (outside, robustly)


@pytest.mark.parametrize(
    ("fault", "plain", "robust"),
    # Simulated elsewhere with 20 000 units of seven runs, as the module says: 1.4 % and 9.6 % of
    # healthy ones; of those with one run 8 standard deviations off, 0 and 86 %. Five sigma of 2000.
    [(0.0, 0.014, 0.096), (8.0, 0.000, 0.856)],
)
def test_how_often_a_run_falls_out(fault, plain, robust):
    draws = np.random.default_rng(9).normal(size=(2000, 7))
    draws[:, 3] += fault
    charts = [control_of(values(draw, [1e-9] * 7)) for draw in draws]

    def found(places):
        return 3 in places if fault else bool(places)

    shares = (
        np.mean([found(chart.outside) for chart in charts]),
        np.mean([found(chart.robustly_outside) for chart in charts]),
    )
    for share, expected in zip(shares, (plain, robust), strict=True):
        assert share == pytest.approx(expected, abs=5 * np.sqrt(0.15 * 0.85 / 2000))


# Too little, and what is refused.


def test_too_few_runs_say_so():
    two = only_line(years([36.0, 35.0], (0, 365)))
    assert (two.trend, two.control) == (None, None)
    assert "a trend takes 3" in two.note
    three = only_line(years([36.0, 35.0, 35.5], (0, 365, 700)))
    assert three.trend is not None
    assert three.control is None
    assert f"take {LEAST_CONTROL} runs" in three.note


def test_the_order_of_the_runs_is_that_of_time():
    runs = years([36.0, 35.9, 35.8], (0, 365, 700))
    assert compare_years(runs[::-1]) == compare_years(runs)


def test_runs_of_several_units_are_refused():
    runs = [made(name, reading("sinad", 20.0, 0.1)) for name in ("a", "b")]
    with pytest.raises(BadInput, match="the runs are of 2 units"):
        compare_years(runs)


def test_the_same_run_twice_is_refused():
    run = made("a", reading("sinad", 20.0, 0.1))
    with pytest.raises(BadInput, match="began at the same moment"):
        compare_years([run, run])
