"""A fleet: the robust middle and scale, who stands out and how often wrongly, ranks within U.

Published: the modified z-score 0.6745 (x - median) / MAD with 3.5, Iglewicz and Hoaglin 1993, and
the factors for small numbers, Croux and Rousseeuw 1992 (both from memory); the first is held to
statsmodels, the second to a simulation.
"""

import numpy as np
import pytest
from statsmodels.robust.scale import mad

from harness.compare import compare_fleet
from harness.compare.fleet import LEAST_FLEET, scale_of
from harness.compare.gather import Value
from harness.errors import BadInput
from tests.compare.made_runs import SHARED, fleet, made, reading, state


def values(numbers, standard_uncertainty=0.0):
    return [
        Value(
            place=place,
            value=float(number),
            standard_uncertainty=standard_uncertainty,
            expanded_uncertainty=2.0 * standard_uncertainty,
        )
        for place, number in enumerate(numbers)
    ]


def only_line(runs):
    (line,) = compare_fleet(runs).lines
    return line


def test_the_scale_is_that_of_another_library():
    numbers = np.random.default_rng(5).normal(size=40)
    # Both take 1 / 0.6745 to their last place but one: five figures are rounding.
    assert scale_of(values(numbers)) == pytest.approx(mad(numbers) * 40 / (40 - 0.8), rel=3e-5)


@pytest.mark.parametrize("n", [2, 3, 4, 5, 6, 7, 8, 9, 10, 15])
def test_the_scale_of_few_is_not_too_small(n):
    """Its mean over many normal fleets is their standard deviation; five sigma at this number."""
    draws = np.random.default_rng(n).normal(size=(20_000, n))
    scales = scale_many(draws)
    assert scales.mean() == pytest.approx(1.0, abs=5 * scales.std() / np.sqrt(len(draws)) + 0.01), (
        "the published factors have three decimals, and n / (n - 0.8) is an approximation to 1 %"
    )


def scale_many(draws):
    """Give the scale of each row, with the factor that the function itself takes for one."""
    middle = np.median(draws, axis=1, keepdims=True)
    spread = np.median(np.abs(draws - middle), axis=1)
    factor = scale_of(values(draws[0])) / spread[0]
    return factor * spread


@pytest.mark.parametrize(
    ("n", "share"),
    # As the module says: one quantity in ten from six on (simulated elsewhere with 200 000 fleets:
    # 0.100, 0.126, 0.096, 0.094, 0.078); five sigma of 2000 fleets at 0.1 is 0.034.
    [(6, 0.100), (7, 0.126), (10, 0.096), (15, 0.094), (30, 0.078)],
)
def test_how_often_a_healthy_fleet_shows_one_that_stands_out(n, share):
    draws = np.random.default_rng(n).normal(size=(2000, n))
    apart = np.abs(draws - np.median(draws, axis=1, keepdims=True))
    found = (apart > 3.5 * scale_many(draws)[:, None]).any(axis=1).mean()
    assert found == pytest.approx(share, abs=0.034)


HEALTHY = [-118.3, -117.9, -118.0, -118.4, -118.1, -117.8]


@pytest.mark.parametrize(
    ("numbers", "standard_uncertainty", "apart"),
    [
        (HEALTHY, 0.1, []),
        ([*HEALTHY, -113.0], 0.1, [6]),
        ([*HEALTHY, -113.0, -113.5], 0.1, [6, 7]),
        # So badly measured that it may be like the others.
        ([*HEALTHY, -113.0], 3.0, []),
        # All the same but one, by less than can be measured.
        ([36.0] * 6 + [36.1], 0.1, []),
        ([36.0] * 6 + [36.1], 0.01, [6]),
        # Too few to tell.
        ([-118.0, -118.1, -117.9, -118.2, -100.0], 0.1, None),
    ],
    ids=["healthy", "one", "two", "badly measured", "alike", "alike, well measured", "five"],
)
def test_which_stands_out(numbers, standard_uncertainty, apart):
    line = only_line(fleet(numbers, standard_uncertainty))
    found = sorted(one.place for one in line.units if one.stands_out)
    told = {one.stands_out for one in line.units}
    if apart is None:
        assert told == {None}
        assert f"it takes {LEAST_FLEET}" in line.note
    else:
        assert None not in told
        assert found == apart


def test_a_unit_that_alone_is_badly_measured_does_not_stand_out():
    badly = made("badly", reading("sensitivity_12db_sinad", -113.0, 3.0))
    line = only_line([*fleet(HEALTHY), badly])
    assert max(one.score for one in line.units) > 3.5
    assert not any(one.stands_out for one in line.units)


def test_the_score_is_the_published_one():
    """0.6745 (x - median) / MAD, times the factor for seven; four figures as 0.6745 has."""
    line = only_line(fleet([*HEALTHY, -113.0], 0.01))
    numbers = np.array([*HEALTHY, -113.0])
    middle = np.median(numbers)
    spread = np.median(np.abs(numbers - middle))
    for one in line.units:
        published = 0.6745 * (numbers[one.place] - middle) / spread
        assert one.score == pytest.approx(published / 1.140, rel=1e-4, abs=1e-9)


def test_what_all_share_makes_no_unit_stand_out_nor_hides_one():
    apart = only_line(fleet([*HEALTHY, -116.0], 0.05, "sensitivity_12db_sinad", SHARED))
    assert [one.place for one in apart.units if one.stands_out] == [6]
    assert apart.shared == (SHARED.name,)


def test_ranks_are_as_sure_as_the_uncertainties_let_them_be():
    line = only_line(fleet([-118.0, -117.9, -112.0], 0.1))
    assert [(one.place, one.rank, one.ranks) for one in line.units] == [
        (0, 1, (1, 2)),
        (1, 2, (1, 2)),
        (2, 3, (3, 3)),
    ]


@pytest.mark.parametrize(
    ("name", "numbers", "order", "has_direction"),
    [
        ("sensitivity_12db_sinad", [-110.0, -120.0, -115.0], [1, 2, 0], True),
        ("sinad", [10.0, 20.0, 15.0], [1, 2, 0], True),
        ("frequency_error", [-300.0, 10.0, 200.0], [1, 2, 0], True),
        # Neither way is better: the highest first.
        ("carrier_power", [36.0, 37.0, 36.5], [1, 2, 0], False),
    ],
)
def test_the_best_comes_first_where_there_is_one(name, numbers, order, has_direction):
    line = only_line(fleet(numbers, 0.1, name))
    assert [one.place for one in line.units] == order
    assert line.has_direction is has_direction


def test_equal_values_share_a_rank():
    line = only_line(fleet([20.0, 20.0, 19.0], 0.1, "sinad"))
    assert [one.rank for one in line.units] == [1, 1, 3]


def test_states_are_counted():
    runs = [made(f"u{n}", state(word)) for n, word in enumerate(("normal", "chatters", "normal"))]
    assert only_line(runs).states == (("normal", (0, 2)), ("chatters", (1,)))


@pytest.mark.parametrize(
    ("name", "key", "value", "other"),
    [
        ("carrier_power", "rated_power_w", 4.0, 25.0),
        ("deviation_peak", "rated_deviation_hz", 2500.0, 5000.0),
        ("occupied_bandwidth", "channel_spacing_hz", 12500, 25000),
        ("run_time", "battery", {"capacity_ah": 9.0}, {"capacity_ah": 17.0}),
    ],
)
def test_units_that_are_not_rated_alike_are_not_compared_in_what_hangs_on_it(
    name, key, value, other
):
    def runs(second):
        return [
            made("a", reading(name, 10.0, 0.1), unit={key: value}),
            made("b", reading(name, 11.0, 0.1), unit={key: second}),
        ]

    assert len(compare_fleet(runs(value)).lines) == 1
    apart = compare_fleet(runs(other))
    assert apart.lines == ()
    assert apart.left_out[0].reason == f"the units are not rated alike ({key})"


def test_one_run_of_each_unit():
    one = made("a", reading("sinad", 20.0, 0.1))
    with pytest.raises(BadInput, match="two runs are of a"):
        compare_fleet([one, one])
