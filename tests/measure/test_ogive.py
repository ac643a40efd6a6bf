"""The normal ogive against other people's fits, exact theory, and its own promises.

Sources: scipy.stats (norm.fit on CensoredData: another library's maximum likelihood of interval-
censored draws); the method of probits by iterated weighted least squares, written out below after
Finney, Probit Analysis (method and the rotenone figures from memory); Student's interval.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from harness.measure.ogive import fit_ogive
from harness.measure.ogive_likelihood import draws_from_bounds, draws_from_trials


def sweeps(n, mean, sigma, step, rng, first=-math.inf, last=math.inf):
    """Bounds that staircases with steps on multiples of ``step`` see of n draws."""
    number = np.ceil(rng.normal(mean, sigma, n) / step)
    bounds = []
    for low, high in zip((number - 1) * step, number * step, strict=True):
        if high <= first:
            bounds.append((-math.inf, first))
        elif low >= last:
            bounds.append((last, math.inf))
        else:
            bounds.append((float(low), float(high)))
    return bounds


def scipy_fit(bounds):
    def pick(keep):
        return [keep(low, high) for low, high in bounds if keep(low, high) is not None]

    data = stats.CensoredData(
        left=pick(lambda low, high: high if math.isinf(low) else None),
        right=pick(lambda low, high: low if math.isinf(high) else None),
        interval=pick(lambda low, high: (low, high) if math.isfinite(high - low) else None),
    )
    return stats.norm.fit(data)


@pytest.mark.parametrize(
    ("n", "step", "first", "last"),
    [
        (25, 0.75, -math.inf, math.inf),
        (25, 0.1, -math.inf, math.inf),
        (200, 1.5, -math.inf, math.inf),
        (40, 0.5, -110.5, math.inf),
        (40, 0.5, -math.inf, -110.0),
        (60, 0.5, -111.0, -109.5),
        (6, 0.75, -math.inf, math.inf),
    ],
)
def test_same_top_as_another_library(n, step, first, last):
    bounds = sweeps(n, -110.2, 0.75, step, np.random.default_rng([n, 5]), first, last)
    mean, sigma = scipy_fit(bounds)
    found = fit_ogive(draws_from_bounds(bounds))
    # Its simplex stops at 1e-4 of the parameters as it scales them; ours at 1e-7.
    assert found.state == "fitted"
    assert found.mean == pytest.approx(mean, abs=1e-3)
    assert found.sigma == pytest.approx(sigma, abs=1e-3)
    assert found.count == n


def test_log_likelihood_is_the_sum_over_the_draws():
    bounds = sweeps(25, -110.2, 0.75, 0.75, np.random.default_rng(8))
    found = fit_ogive(draws_from_bounds(bounds))
    normal = stats.norm(found.mean, found.sigma)
    by_hand = sum(math.log(normal.cdf(high) - normal.cdf(low)) for low, high in bounds)
    assert found.log_likelihood == pytest.approx(by_hand, abs=1e-9)  # rounding of the differences


# Rotenone on Macrosiphoniella sanborni (Martin 1942, in Finney's book; from memory): dose in
# mg/l, insects, affected. The printed median dose, 4.85 mg/l, is from memory too.
ROTENONE = ((10.2, 50, 44), (7.7, 49, 42), (5.1, 46, 24), (3.8, 48, 16), (2.6, 50, 6))


def probit_by_weighted_least_squares(x, trials, keyed):
    """Finney's cycle: working probits, weights n z^2/(P Q), a straight line, again."""
    line = np.polynomial.Polynomial([0.0])
    slope, constant = 1.0, -float(np.mean(x))
    for _ in range(60):
        y = constant + slope * x
        p, z = stats.norm.cdf(y), stats.norm.pdf(y)
        weight = trials * z**2 / (p * (1.0 - p))
        working = y + (keyed / trials - p) / z
        line = np.polynomial.Polynomial.fit(x, working, 1, w=np.sqrt(weight)).convert()
        constant, slope = line.coef
    return -constant / slope, 1.0 / slope


def test_trials_by_the_method_of_probits():
    dose, trials, affected = np.array(ROTENONE, dtype=float).T
    x = np.log10(dose)
    mean, sigma = probit_by_weighted_least_squares(x, trials, affected)
    found = fit_ogive(draws_from_trials(x, affected, trials))
    # Both iterate to the top; what is left is rounding.
    assert found.mean == pytest.approx(mean, abs=1e-6)
    assert found.sigma == pytest.approx(sigma, abs=1e-6)
    # Half a unit in the last printed digit.
    assert 10.0**found.mean == pytest.approx(4.85, abs=0.005)


def test_interval_of_trials_is_the_profile_of_the_binomial_likelihood():
    dose, trials, affected = np.array(ROTENONE, dtype=float).T
    x = np.log10(dose)

    def log_likelihood(mean, sigma):
        p = stats.norm.cdf((x - mean) / sigma)
        return stats.binom.logpmf(affected, trials, p).sum()

    def profile(mean):
        best = optimize.minimize_scalar(
            lambda s: -log_likelihood(mean, s), bounds=(0.05, 2.0), method="bounded"
        )
        return -best.fun

    found = fit_ogive(draws_from_trials(x, affected, trials))
    top = log_likelihood(found.mean, found.sigma)
    for end in found.mean_interval:
        # 95 % point of chi-square, one degree of freedom; the search along sigma stops at 1e-5.
        assert 2.0 * (top - profile(end)) == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-3)
    assert found.mean_interval[0] < found.mean < found.mean_interval[1]


@pytest.mark.parametrize("n", [2, 3, 5, 25])
def test_interval_becomes_students_where_the_steps_are_fine(n):
    values = np.random.default_rng([n, 6]).normal(-110.0, 0.75, n)
    half_step = 0.001
    found = fit_ogive(draws_from_bounds([(v - half_step, v + half_step) for v in values]))
    standard = values.std(ddof=1) / math.sqrt(n)
    reach = stats.t.ppf(0.975, n - 1) * standard
    # The steps widen the normal by a thousandth of a sigma or so: 1 % of the interval is ample.
    assert found.mean == pytest.approx(values.mean(), abs=half_step)
    assert found.mean_interval[0] == pytest.approx(values.mean() - reach, abs=0.01 * reach)
    assert found.mean_interval[1] == pytest.approx(values.mean() + reach, abs=0.01 * reach)
    assert found.standard_uncertainty == pytest.approx(standard, rel=0.01)
    assert found.degrees_of_freedom == n - 1


@pytest.mark.parametrize(("n", "step_db", "sigma_db"), [(25, 0.75, 0.75), (5, 0.75, 0.75)])
def test_interval_of_the_mean_holds_the_truth_as_often_as_it_says(n, step_db, sigma_db):
    held = 0
    for number in range(200):
        rng = np.random.default_rng([number, n, 7])
        mean = -110.0 + rng.random()
        found = fit_ogive(draws_from_bounds(sweeps(n, mean, sigma_db, step_db, rng)))
        held += found.mean_interval[0] <= mean <= found.mean_interval[1]
    # 95 % of 200 with a standard deviation of 3: 180 to 198 is DESIGN's 90 to 99 %.
    assert 180 <= held <= 198


def test_errors_of_25_sweeps_keep_the_goals():
    mean_errors, spread_ratios = [], []
    for number in range(100):
        rng = np.random.default_rng([number, 9])
        mean = -110.0 + rng.random()
        found = fit_ogive(draws_from_bounds(sweeps(25, mean, 0.75, 0.75, rng)))
        mean_errors.append(found.mean - mean)
        spread_ratios.append(found.sigma / 0.75)
    # Theory: sqrt(0.75^2 + 0.75^2/12)/sqrt(25) = 0.156 dB; DESIGN's 0.3 dB is twice that. Five
    # sigma of a standard deviation from 100 are 35 % of it, of a mean 0.078.
    assert np.std(mean_errors) == pytest.approx(0.156, rel=0.35)
    assert np.mean(mean_errors) == pytest.approx(0.0, abs=0.078)
    # Theory: 1/sqrt(2 n) without steps, a little more with them.
    assert np.std(spread_ratios) == pytest.approx(1.0 / math.sqrt(50.0), abs=0.05)
    assert np.mean(np.abs(np.array(spread_ratios) - 1.0) < 0.30) > 0.9


def test_all_in_one_step_gives_its_middle_and_bounds_the_spread():
    found = fit_ogive(draws_from_bounds([(-111.0, -110.0)] * 8))
    assert found.state == "one step"
    assert found.mean == -110.5
    assert found.mean_interval == (-111.0, -110.0)
    assert found.standard_uncertainty == pytest.approx(0.5 / math.sqrt(3.0))  # exact: rectangular
    assert found.sigma is None
    # At the bound the chance of all eight in one step, at best, is the critical value's.
    critical = 8 * math.log1p(stats.t.ppf(0.975, 7) ** 2 / 7)
    chance = 2.0 * stats.norm.cdf(0.5 / found.sigma_interval[1]) - 1.0
    assert 8 * math.log(chance) == pytest.approx(-critical / 2.0, abs=1e-3)  # search stops there


def test_two_sweeps_in_one_step_claim_less_than_eight():
    two = fit_ogive(draws_from_bounds([(-111.0, -110.0)] * 2))
    assert two.mean_interval[0] < -111.5
    assert two.mean_interval[1] > -109.5
    assert two.standard_uncertainty > 1.0


def test_one_sweep_is_its_step_and_says_that_the_spread_is_not_in_it():
    found = fit_ogive(draws_from_bounds([(-112.0, -110.0)]))
    assert (found.state, found.mean, found.mean_interval) == ("one step", -111.0, (-112.0, -110.0))
    assert found.sigma_interval is None
    assert "spread" in found.note


def test_two_neighbouring_steps_put_the_mean_near_their_border():
    found = fit_ogive(draws_from_bounds([(-111.0, -110.0)] * 3 + [(-110.0, -109.0)] * 2))
    assert found.state == "fitted"
    assert found.mean == pytest.approx(-110.0, abs=0.1)  # sigma as small as is tried
    assert found.mean_interval[0] < -110.1
    assert found.mean_interval[1] > -109.9
    assert found.sigma_interval[0] == 0.0
    assert 0.3 < found.sigma_interval[1] < 5.0


@pytest.mark.parametrize(
    ("bounds", "state", "interval"),
    [
        ([], "no draws", (-math.inf, math.inf)),
        ([(-math.inf, -110.0)] * 3, "at most", (-math.inf, -110.0)),
        ([(-98.0, math.inf)] * 3, "at least", (-98.0, math.inf)),
        # Half of them have keyed by -110, whatever the first one says.
        ([(-math.inf, -80.0), (-math.inf, -110.0)], "at most", (-math.inf, -110.0)),
        ([(-math.inf, -110.0), (-112.0, math.inf)], "one step", (-112.0, -110.0)),
    ],
)
def test_says_no_more_than_the_draws_allow(bounds, state, interval):
    found = fit_ogive(draws_from_bounds(bounds))
    assert found.state == state
    assert found.mean_interval == interval
    assert found.sigma is None
    assert found.share(np.array([-110.0])) is None


def test_share_that_falls_with_level_is_no_ogive():
    levels, trials = np.array([-112.0, -110.0]), np.array([10.0, 10.0])
    found = fit_ogive(draws_from_trials(levels, np.array([9.0, 1.0]), trials))
    assert found.state == "shapeless"
    assert found.mean is None


def test_more_keyed_than_tried_is_refused():
    with pytest.raises(ValueError, match="more keyed than tried"):
        draws_from_trials(np.array([-110.0]), np.array([3.0]), np.array([2.0]))
    with pytest.raises(ValueError, match="not below"):
        draws_from_bounds([(-110.0, -110.0)])


@settings(max_examples=15, deadline=None)
@given(
    shift=st.floats(-60.0, 60.0),
    factor=st.floats(0.1, 10.0),
    draw=st.integers(0, 10**6),
    n=st.integers(2, 30),
)
def test_moves_and_stretches_with_the_levels(shift, factor, draw, n):
    bounds = sweeps(n, 0.3, 0.75, 0.5, np.random.default_rng(draw))
    here = fit_ogive(draws_from_bounds(bounds))
    there = fit_ogive(
        draws_from_bounds([(factor * low + shift, factor * high + shift) for low, high in bounds])
    )
    # The searches stop at 1e-7 of the finest step, and the steps themselves are rounded.
    assert there.state == here.state
    assert there.mean == pytest.approx(factor * here.mean + shift, abs=1e-3 * factor)
    for a, b in zip(there.mean_interval, here.mean_interval, strict=True):
        assert a == pytest.approx(factor * b + shift, abs=1e-3 * factor * n)


@settings(max_examples=15, deadline=None)
@given(draw=st.integers(0, 10**6), n=st.integers(2, 30))
def test_mirrored_levels_mirror_the_fit(draw, n):
    bounds = sweeps(n, 0.3, 0.75, 0.5, np.random.default_rng(draw), last=1.5)
    here = fit_ogive(draws_from_bounds(bounds))
    there = fit_ogive(draws_from_bounds([(-high, -low) for low, high in bounds]))
    low, high = here.mean_interval
    assert there.mean_interval[0] == pytest.approx(-high, abs=2e-3)
    assert there.mean_interval[1] == pytest.approx(-low, abs=2e-3)
    if here.mean is not None:
        assert there.mean == pytest.approx(-here.mean, abs=1e-3)
