"""The normal ogive against published fits, and against two libraries on the same counts.

Sources, and where each figure was read:

- Beetles: mortality of beetles after carbon disulphide, Bliss 1935, in Dobson, An Introduction to
  Generalized Linear Models, table of the three links (from memory: data, probit coefficients,
  fitted numbers and deviance). Eleven printed figures follow from sixteen data by one model; a
  slip of memory would break them, and an independent maximum is sought here beside ours.
- Budworm: 20 moths of each sex at six doses, Collett 1991, in Venables and Ripley, Modern Applied
  Statistics. Data read in the tests of statsmodels 0.15 (``test_qaic``).
- Interval-censored values and their normal fit by R's ``fitdistcens``: read in the tests of scipy
  1.17 (``test_continuous_fit_censored.py``, ``test_norm``).
- Locomotive controls: miles to failure, 59 of 96 still running at 135 thousand; log-normal fit as
  printed in SAS output. Read in the same file (``test_lognorm``).
"""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from harness.measure.ogive import fit_ogive
from harness.measure.ogive_likelihood import draws_from_bounds, draws_from_trials

BEETLES_LOG_DOSE = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
BEETLES = np.array([59.0, 60.0, 62.0, 56.0, 63.0, 59.0, 62.0, 60.0])
BEETLES_KILLED = np.array([6.0, 13.0, 18.0, 28.0, 52.0, 53.0, 61.0, 60.0])
PROBIT_CONSTANT, PROBIT_SLOPE, PROBIT_DEVIANCE = -34.94, 19.73, 10.12
PROBIT_FITTED = (3.36, 10.72, 23.48, 33.82, 49.62, 53.32, 59.66, 59.23)

BUDWORM_LOG2_DOSE = np.arange(6.0)
BUDWORM_DEAD = {"male": (1, 4, 9, 13, 18, 20), "female": (0, 2, 6, 10, 12, 16)}


def highest(log_likelihood, mean, sigma):
    """Mean and sigma of the top, by a simplex that shares nothing with the fit under test."""
    found = optimize.minimize(
        lambda p: -log_likelihood(p[0], math.exp(p[1])),
        (mean, math.log(sigma)),
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000},
    )
    return found.x[0], math.exp(found.x[1]), -found.fun


def test_the_beetles_by_probit_as_printed():
    found = fit_ogive(draws_from_trials(BEETLES_LOG_DOSE, BEETLES_KILLED, BEETLES))
    slope = 1.0 / found.sigma
    # Half a unit in the last printed digit, everywhere here.
    assert slope == pytest.approx(PROBIT_SLOPE, abs=0.005)
    assert -found.mean * slope == pytest.approx(PROBIT_CONSTANT, abs=0.005)
    killed = BEETLES * found.share(BEETLES_LOG_DOSE)
    np.testing.assert_allclose(killed, PROBIT_FITTED, atol=0.005)
    # The saturated model gives each dose its own share; 0 log 0 is 0.
    share = BEETLES_KILLED / BEETLES
    alive = BEETLES - BEETLES_KILLED
    with np.errstate(divide="ignore", invalid="ignore"):
        saturated = np.nansum(BEETLES_KILLED * np.log(share)) + np.nansum(alive * np.log1p(-share))
    assert 2.0 * (saturated - found.log_likelihood) == pytest.approx(PROBIT_DEVIANCE, abs=0.005)


def test_the_beetles_by_an_independent_maximum():
    def log_likelihood(mean, sigma):
        p = stats.norm.cdf((BEETLES_LOG_DOSE - mean) / sigma)
        return stats.binom.logpmf(BEETLES_KILLED, BEETLES, p).sum()

    mean, sigma, _ = highest(log_likelihood, 1.78, 0.05)
    found = fit_ogive(draws_from_trials(BEETLES_LOG_DOSE, BEETLES_KILLED, BEETLES))
    # Where the simplex stops.
    assert found.mean == pytest.approx(mean, abs=1e-7)
    assert found.sigma == pytest.approx(sigma, abs=1e-7)


def probit_regression(levels, keyed, trials, origin=0.0):
    """Binomial regression with a probit link, levels counted from an origin."""
    family = sm.families.Binomial(link=sm.families.links.Probit())
    design = sm.add_constant(levels - origin)
    return sm.GLM(np.column_stack([keyed, trials - keyed]), design, family=family).fit(
        tol=1e-13, maxiter=300
    )


def statsmodels_probit(levels, keyed, trials):
    """Mean and sigma of the regression: -a/b and 1/b."""
    origin = float(np.mean(levels))
    intercept, slope = probit_regression(levels, keyed, trials, origin).params
    return origin - intercept / slope, 1.0 / slope


def test_the_beetles_intervals_are_as_wide_as_standard_errors_say():
    origin = float(BEETLES_LOG_DOSE.mean())
    fitted = probit_regression(BEETLES_LOG_DOSE, BEETLES_KILLED, BEETLES, origin)
    constant, slope = fitted.params
    gradient = np.array([-1.0 / slope, constant / slope**2])
    spread = math.sqrt(gradient @ fitted.cov_params() @ gradient)
    found = fit_ogive(draws_from_trials(BEETLES_LOG_DOSE, BEETLES_KILLED, BEETLES))
    # Their curvature is the one expected at the top, ours half of the likelihood interval over its
    # factor: they part by the model's misfit (a deviance of 10 on 6 degrees of freedom).
    assert found.standard_uncertainty == pytest.approx(spread, rel=0.05)
    low, high = found.sigma_interval
    relative = fitted.bse[1] / slope
    assert math.log(high / low) / (2.0 * 1.959964) == pytest.approx(relative, rel=0.05)


def scipy_censored(levels, keyed, trials):
    """Mean and sigma of draws at or below a level (keyed) and above it (not): scipy.stats."""
    keyed, missed = keyed.astype(int), (trials - keyed).astype(int)
    data = stats.CensoredData(left=np.repeat(levels, keyed), right=np.repeat(levels, missed))

    def finely(function, start, args=(), disp=0):
        return optimize.fmin(function, start, args=args, disp=disp, xtol=1e-10, ftol=1e-12)

    return stats.norm.fit(data, optimizer=finely)


def counts(seed, mean, sigma, levels, trials):
    rng = np.random.default_rng([seed, 31])
    return rng.binomial(trials, stats.norm.cdf((levels - mean) / sigma)).astype(float)


STEPS_DB = np.arange(-115.0, -107.9, 0.75)


@pytest.mark.parametrize(
    ("levels", "trials", "keyed"),
    [
        (BEETLES_LOG_DOSE, BEETLES, BEETLES_KILLED),
        *(
            (BUDWORM_LOG2_DOSE, np.full(6, 20.0), np.array(dead, dtype=float))
            for dead in BUDWORM_DEAD.values()
        ),
        # As a squelch's own trials are: many, few, one side only, unlike numbers at each level.
        *(
            (STEPS_DB, np.full(10, 25.0), counts(seed, -111.6, 0.9, STEPS_DB, 25))
            for seed in range(3)
        ),
        (STEPS_DB, np.full(10, 5.0), counts(4, -111.4, 1.4, STEPS_DB, 5)),
        (STEPS_DB[:5], np.full(5, 12.0), counts(5, -111.0, 1.1, STEPS_DB[:5], 12)),
        (STEPS_DB[5:], np.full(5, 12.0), counts(6, -112.5, 1.1, STEPS_DB[5:], 12)),
        (
            STEPS_DB,
            np.arange(3.0, 13.0),
            counts(7, -111.6, 1.2, STEPS_DB, np.arange(3, 13)),
        ),
    ],
)
def test_the_same_counts_by_two_libraries(levels, trials, keyed):
    found = fit_ogive(draws_from_trials(levels, keyed, trials))
    assert found.state == "fitted"
    step = float(np.min(np.diff(levels)))
    for mean, sigma in (
        statsmodels_probit(levels, keyed, trials),
        scipy_censored(levels, keyed, trials),
    ):
        # One likelihood, one top: apart by where each stops, in steps of the levels.
        assert found.mean == pytest.approx(mean, abs=1e-4 * step)
        assert found.sigma == pytest.approx(sigma, abs=1e-4 * step)


def test_intervals_as_another_program_prints_them():
    bounds = [(0.10, 0.20), (0.50, 0.55), (0.75, 0.90), (0.80, 0.95)]
    found = fit_ogive(draws_from_bounds(bounds))
    # Half a unit in the seventh decimal, and its own stop at 1e-6 (scipy's test allows 5e-6).
    assert found.mean == pytest.approx(0.5919990, rel=5e-6)
    assert found.sigma == pytest.approx(0.2868042, rel=5e-6)


def test_sweeps_that_never_opened_as_the_locomotives_still_running():
    failed = (
        "22.5 37.5 46.0 48.5 51.5 53.0 54.5 57.5 66.5 68.0 69.5 76.5 77.0 78.5 80.0 81.5 82.0 83.0"
        " 84.0 91.5 93.5 102.5 107.0 108.5 112.5 113.5 116.0 117.0 118.5 119.0 120.0 122.5 123.0"
        " 127.5 131.0 132.5 134.0"
    )
    # Given to half a thousand miles: each lies within a quarter of what is printed.
    miles = [float(one) for one in failed.split()]
    bounds = [(math.log(one - 0.25), math.log(one + 0.25)) for one in miles]
    running = [(math.log(135.0), math.inf)] * 59
    found = fit_ogive(draws_from_bounds([*bounds, *running]))
    assert found.count == 96
    # Printed 5.1169 and 0.7055: half a unit, and what the quarter miles may do, as much again.
    assert found.mean == pytest.approx(5.1169, abs=1e-4)
    assert found.sigma == pytest.approx(0.7055, abs=1e-4)
