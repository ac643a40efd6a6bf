"""What quiet time proves: Garwood's one-sided bounds, and the time that a limit takes.

Bounds: ``poisson_garwood.csv`` of the published tables (Garwood 1936, chi-square quantiles / 2,
computed there), and chi-square quantiles of ``scipy.stats``, which shares no code path with the
incomplete gamma function used here. 2.9957, 4.7439, 6.2958 (95 %) for 0, 1, 2 events also stand in
the usual tables of the Poisson upper limit (memory). Times are -ln(0.05) hours times what is asked.
"""

import csv
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from harness.advice.quiet import Quiet, needed_at_rate_s, needed_s

HOUR_S = 3600.0


def test_bounds_against_the_published_table(reference):
    with open(reference / "poisson_garwood.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) >= 9
    for row in rows:
        quiet = Quiet(key_ups=int(row["count"]), watched_s=HOUR_S)
        # Half a unit in the fourth decimal.
        assert quiet.upper_per_h == pytest.approx(float(row["upper_one_sided_95"]), abs=5e-5)


@pytest.mark.parametrize("key_ups", [0, 1, 2, 3, 7, 25])
def test_both_bounds_are_chi_square_quantiles(key_ups):
    quiet = Quiet(key_ups=key_ups, watched_s=7200.0)
    lower = stats.chi2.ppf(0.05, 2 * key_ups) / 2.0 if key_ups else 0.0
    # Rounding of two libraries' special functions; in two hours, half as many per hour.
    assert quiet.upper_per_h == pytest.approx(stats.chi2.ppf(0.95, 2 * key_ups + 2) / 4.0, rel=1e-9)
    assert quiet.lower_per_h == pytest.approx(lower / 2.0, rel=1e-9)


@pytest.mark.parametrize(
    ("watched_s", "limit_per_h"),
    # -ln(0.05) = 2.995732: the three minutes for 60 per hour, three hours for one.
    [(180.0, 59.91465), (10784.64, 1.0), (28800.0, 0.3744665)],
)
def test_no_key_up_leaves_three_over_the_time(watched_s, limit_per_h):
    quiet = Quiet(key_ups=0, watched_s=watched_s)
    # Half a unit in the last digit given.
    assert quiet.upper_per_h == pytest.approx(limit_per_h, rel=1e-6)
    assert needed_s(limit_per_h) == pytest.approx(watched_s, rel=1e-6)
    assert quiet.lower_per_h == 0.0


@pytest.mark.parametrize(("key_ups", "hours"), [(0, 2.9957), (1, 4.7439), (2, 6.2958)])
def test_each_key_up_makes_a_limit_dearer(key_ups, hours):
    assert needed_s(1.0, key_ups) == pytest.approx(hours * HOUR_S, abs=5e-5 * HOUR_S)


def test_no_time_proves_that_it_never_keys():
    assert needed_s(0.0) == math.inf


@pytest.mark.parametrize("rate_per_h", [1.0, 1.5, 40.0])
def test_at_or_above_the_limit_no_time_helps(rate_per_h):
    assert needed_at_rate_s(1.0, rate_per_h) == math.inf


def test_without_a_key_up_it_is_the_plain_time():
    assert needed_at_rate_s(2.0, 0.0) == pytest.approx(needed_s(2.0), rel=1e-9)


@pytest.mark.parametrize(("limit_per_h", "rate_per_h"), [(1.0, 0.5), (1.0, 0.05), (60.0, 20.0)])
def test_at_the_rate_seen_the_bound_then_meets_the_limit(limit_per_h, rate_per_h):
    hours = needed_at_rate_s(limit_per_h, rate_per_h) / HOUR_S

    def upper(time_h):
        return stats.chi2.ppf(0.95, 2.0 * rate_per_h * time_h + 2.0) / 2.0 / time_h

    # Rounding of two libraries' special functions.
    assert upper(hours) == pytest.approx(limit_per_h, rel=1e-8)
    # And not before: the bound lies above the limit at every shorter time.
    assert all(upper(part * hours) > limit_per_h for part in (0.1, 0.5, 0.9, 0.999))


@given(
    key_ups=st.integers(0, 50),
    watched_s=st.floats(1.0, 1e6),
    longer=st.floats(1.0001, 100.0),
)
def test_longer_is_never_worse_and_a_key_up_never_better(key_ups, watched_s, longer):
    quiet = Quiet(key_ups=key_ups, watched_s=watched_s)
    assert Quiet(key_ups=key_ups, watched_s=longer * watched_s).upper_per_h < quiet.upper_per_h
    assert Quiet(key_ups=key_ups + 1, watched_s=watched_s).upper_per_h > quiet.upper_per_h
    assert quiet.lower_per_h <= quiet.rate_per_h <= quiet.upper_per_h


@pytest.mark.parametrize("rate_per_h", [0.4, 1.0, 3.0])
def test_the_bound_lies_above_the_truth_as_often_as_it_says(rate_per_h):
    """Drawn, not computed: 4000 watches of two hours, seed 5."""
    counts = np.random.default_rng(5).poisson(2.0 * rate_per_h, 4000)
    covered = np.mean(
        [Quiet(key_ups=int(k), watched_s=7200.0).upper_per_h >= rate_per_h for k in counts]
    )
    # At least 95 %, for counts are whole; five sigma of 4000 draws are 1.7 %.
    assert covered > 0.95 - 0.017


@pytest.mark.parametrize(("key_ups", "watched_s"), [(-1, 1.0), (0, 0.0), (0, -1.0), (0, math.inf)])
def test_what_nobody_can_have_watched_is_refused(key_ups, watched_s):
    with pytest.raises(ValueError, match="cannot be"):
        Quiet(key_ups=key_ups, watched_s=watched_s)
