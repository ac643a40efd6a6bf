"""Budgets, ranges and balance: sums by hand, what is missing, properties. All stations invented."""

import math
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from harness.service import path_loss
from harness.service.link import Path, Reach, Station, balance, reach

REPEATER = Station(
    power_dbm=36.0,
    needed_dbm=-117.0,
    noise_raises_db=2.0,
    gain_dbi=2.15,
    loss_db=1.0,
    height_m=6.0,
    power_uncertainty_db=0.4,
    needed_uncertainty_db=0.3,
)
HANDHELD = Station(
    power_dbm=37.0,
    needed_dbm=-116.0,
    noise_raises_db=0.5,
    gain_dbi=-8.0,
    loss_db=0.0,
    height_m=1.5,
)
PATH = Path(margin_db=10.0, spread_db=8.0)


def both(repeater=REPEATER, handheld=HANDHELD, path=PATH):
    return (
        reach("talk-out", 153.825e6, repeater, handheld, path),
        reach("talk-in", 158.425e6, handheld, repeater, path),
    )


def test_budgets_are_the_sums_by_hand():
    """36 + 2.15 - 1 - 8 + 116 - 0.5 and 37 - 8 + 2.15 - 1 + 117 - 2: exact."""
    out, back = both()
    assert out.budget_db == pytest.approx(144.65, abs=1e-9)
    assert back.budget_db == pytest.approx(145.15, abs=1e-9)
    assert (out.expanded_uncertainty_db, back.expanded_uncertainty_db) == (0.4, 0.3)


def test_gains_and_feeder_drop_out_of_the_balance():
    """36 - 37 + (-117 + 2) - (-116 + 0.5) = -0.5; U of 0.4 and 0.3 is 0.5."""
    found = balance(*both())
    assert found.value_db == pytest.approx(-0.5, abs=1e-9)
    assert found.expanded_uncertainty_db == pytest.approx(0.5, abs=1e-9)
    other = balance(*both(replace(REPEATER, gain_dbi=9.0, loss_db=3.0)))
    assert other.value_db == pytest.approx(-0.5, abs=1e-9)


@pytest.mark.parametrize(("more_db", "longer"), [(0.0, None), (3.0, "talk-out"), (-3.0, "talk-in")])
def test_which_way_is_longer(more_db, longer):
    found = balance(*both(replace(REPEATER, power_dbm=36.5 + more_db)))
    assert found.longer == longer


def test_the_usual_range_is_plane_earth_with_margin_and_spread():
    """At its middle plane earth loses budget less margin; the ends are a spread apart."""
    out, _ = both()
    low, middle, high = out.usual_m
    lost = path_loss.plane_earth_db(middle, 6.0, 1.5)
    assert lost == pytest.approx(out.budget_db - 10.0, abs=1e-9)
    spread_db = math.hypot(8.0, 0.4)
    assert 40 * math.log10(middle / low) == pytest.approx(spread_db, abs=1e-9)
    assert 40 * math.log10(high / middle) == pytest.approx(spread_db, abs=1e-9)


def test_the_most_is_the_horizon_for_a_strong_signal_and_free_space_for_a_weak_one():
    out, _ = both()
    assert out.most_m == out.horizon_m == path_loss.common_horizon_m(6.0, 1.5)
    weak, _ = both(replace(REPEATER, power_dbm=-30.0))
    assert weak.most_m < weak.horizon_m
    assert path_loss.free_space_db(weak.most_m, 153.825e6) == pytest.approx(weak.budget_db)


@pytest.mark.parametrize(
    ("change", "which", "missing"),
    [({"power_dbm": None}, 0, "transmitter power"), ({"needed_dbm": None}, 1, "sensitivity")],
)
def test_what_is_missing_leaves_no_number(change, which, missing):
    found = both(replace(REPEATER, **change))
    assert found[which] == Reach(
        way=found[which].way, frequency_hz=found[which].frequency_hz, missing=missing
    )
    assert found[1 - which].budget_db is not None
    assert balance(*found) is None


heights = st.floats(0.5, 500.0)


@settings(max_examples=100, deadline=None)
@given(
    ends=st.tuples(heights, heights),
    other_m=heights,
    power_dbm=st.floats(-10.0, 60.0),
    frequency_hz=st.sampled_from([30e6, 70e6, 153.825e6, 460e6, 900e6]),
)
def test_more_height_never_reaches_less(ends, other_m, power_dbm, frequency_hz):
    """A millionth for rounding."""
    low_m, high_m = sorted(ends)
    less, most = (
        reach(
            "talk-out",
            frequency_hz,
            replace(REPEATER, height_m=height_m, power_dbm=power_dbm),
            replace(HANDHELD, height_m=other_m),
            PATH,
        )
        for height_m in (low_m, high_m)
    )
    for shorter, longer in zip(
        (*less.usual_m, less.most_m), (*most.usual_m, most.most_m), strict=True
    ):
        assert shorter <= longer * (1.0 + 1e-6)
    for found in (less, most):
        low, middle, high = found.usual_m
        assert low <= middle <= high <= found.horizon_m
        assert high <= found.horizon_m
        assert found.most_m <= found.horizon_m


@settings(max_examples=60, deadline=None)
@given(power=st.tuples(st.floats(-10.0, 60.0), st.floats(-10.0, 60.0)))
def test_more_power_never_reaches_less(power):
    less, most = (both(replace(REPEATER, power_dbm=p))[0] for p in sorted(power))
    assert less.most_m <= most.most_m
    assert all(a <= b for a, b in zip(less.usual_m, most.usual_m, strict=True))


@settings(max_examples=60, deadline=None)
@given(
    distance_m=st.floats(3000.0, 60e3),
    height_m=st.floats(1.0, 30.0),
    other_m=st.floats(1.0, 3.0),
)
def test_plane_earth_is_what_two_rays_come_to(distance_m, height_m, other_m):
    """Where the phase between the rays is below 0.3 rad: sin x = x (1 - x^2/6), below 0.04 dB."""
    phase = 4 * math.pi * 150e6 * height_m * other_m / (path_loss.LIGHT_M_PER_S * distance_m)
    assume(phase < 0.3)
    two = path_loss.two_ray_db(distance_m, 150e6, height_m, other_m)
    assert two == pytest.approx(path_loss.plane_earth_db(distance_m, height_m, other_m), abs=0.05)
