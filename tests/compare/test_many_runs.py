"""Many runs: which readings are one quantity, what they share, and what is refused, and why.

Rows are exact unless they say otherwise.
"""

import math

import numpy as np
import pytest

from harness.compare.described import differing, in_few_words
from harness.compare.gather import gather, remarks_on, require_comparable, values_of
from harness.errors import BadInput
from harness.readings import not_measured
from tests.compare.made_runs import SHARED, fleet, made, reading, state


def sinad(value=20.0, **conditions):
    return reading("sinad", value, 0.1, conditions=conditions)


def gathered(*runs):
    return gather([made(f"run {n}", *readings) for n, readings in enumerate(runs)])


def test_like_goes_with_like_and_the_rest_says_which_condition_differs():
    held = gathered(
        (sinad(weighting="flat", de_emphasis=True),),
        (sinad(weighting="flat", de_emphasis=True),),
        (sinad(weighting="psophometric", de_emphasis=True),),
        (sinad(weighting="flat", de_emphasis=False),),
    )
    (quantity,) = held.quantities
    assert sorted(quantity.readings) == [0, 1]
    assert [(one.runs, one.reason) for one in held.left_out] == [
        (("run 2",), "the other runs hold it under other conditions only (weighting)"),
        (("run 3",), "the other runs hold it under other conditions only (de_emphasis)"),
    ]


@pytest.mark.parametrize("key", ["knob", "gain_db", "bandwidth_hz", "weighting", "de_emphasis"])
def test_each_condition_that_may_differ_is_named(key):
    values = {"gain_db": (20.0, 30.0), "bandwidth_hz": (11e3, 16e3), "de_emphasis": (True, False)}
    one, other = values.get(key, ("a", "b"))
    held = gathered((sinad(**{key: one}),), (sinad(**{key: other}),))
    assert held.quantities == ()
    (left_out,) = held.left_out
    assert f"({key})" in left_out.reason
    assert left_out.runs == ("run 0", "run 1")


def test_what_one_run_holds_alone_or_twice_is_left_out():
    held = gathered((sinad(), reading("hang_time", 1.2, 0.01)), (sinad(), sinad(21.0)))
    assert held.quantities == ()
    reasons = {one.name: one.reason for one in held.left_out}
    assert reasons["hang_time"] == "in one run only"
    assert "more than once" in next(o.reason for o in held.left_out if o.runs == ("run 1",))


def test_another_kind_of_measurement_is_another_quantity():
    runs = [made("a", sinad()), made("b", sinad(), kind="carrier")]
    assert gather(runs).quantities == ()


def test_what_was_not_measured_is_kept_apart_from_the_numbers():
    runs = [made("a", sinad()), made("b", sinad(21.0)), made("c", not_measured("sinad", "no tone"))]
    (quantity,) = gather(runs).quantities
    values = values_of(quantity, runs)
    assert [one.value for one in values.held] == [20.0, 21.0]
    assert values.without == ((2, "not measured"),)


# What all share drops out: U = 2 u (k = 2), exact.


@pytest.mark.parametrize(
    ("benches", "parts", "own", "shared"),
    [
        (("shed", "shed", "shed"), (SHARED,) * 3, 0.2, ("shed.output.pad",)),
        # One of them on another bench: it is another calibration for all.
        (("shed", "shed", "barn"), (SHARED,) * 3, 2 * math.hypot(0.1, 0.3), ()),
        # One of them does not rest on it.
        (("shed", "shed", "shed"), (SHARED, SHARED, None), 2 * math.hypot(0.1, 0.3), ()),
    ],
)
def test_a_calibration_that_all_share_is_left_out_of_each(benches, parts, own, shared):
    runs = [
        made(f"u{n}", reading("carrier_power", 36.0, 0.1, *filter(None, (part,))), bench=bench)
        for n, (bench, part) in enumerate(zip(benches, parts, strict=True))
    ]
    (quantity,) = gather(runs).quantities
    values = values_of(quantity, runs)
    assert values.held[0].expanded_uncertainty == pytest.approx(own, rel=1e-12)
    assert values.shared == shared
    assert values.shared_uncertainty == pytest.approx(0.6 if shared else 0.0, rel=1e-12)


# What is said and refused.


def test_simulated_and_real_are_not_compared():
    runs = [made("a", sinad()), made("b", sinad(), source="simulated")]
    with pytest.raises(BadInput, match=r"1 of 2 runs are simulated") as refused:
        require_comparable(runs)
    assert str(refused.value).startswith("b: ")
    require_comparable(runs[:1])


def test_what_sets_the_runs_apart_is_said():
    runs = [made("a", bench="shed"), made("b", bench="barn")]
    assert remarks_on(runs) == ("The benches are not the same: shed, barn.",)
    assert remarks_on(runs[:1] * 2) == ()


@pytest.mark.parametrize(
    ("one", "other", "keys"),
    [
        ({"output": {"gain_db": 20}}, {"output": {"gain_db": 30}}, ("output.gain_db (20 and 30)",)),
        ({"a": 1}, {}, ("a (1 and not said)",)),
        (
            {"path": [{"loss_db": 1}, {"loss_db": 2}]},
            {"path": [{"loss_db": 1}, {"loss_db": 3}]},
            ("path 2.loss_db (2 and 3)",),
        ),
        ({"path": [1]}, {"path": [1, 2]}, ("path",)),
        ({"a": {"b": 1}}, {"a": {"b": 1}}, ()),
    ],
)
def test_in_what_two_descriptions_differ(one, other, keys):
    assert differing(one, other) == keys


def test_many_keys_are_counted():
    assert in_few_words("abcdefgh") == "a, b, c, d, e, f and 2 more"


def test_states_are_no_numbers():
    runs = [made("a", state("normal")), made("b", state("chatters"))]
    (quantity,) = gather(runs).quantities
    assert values_of(quantity, runs).held == ()


def test_a_fleet_of_fifty_is_one_quantity():
    runs = fleet(np.linspace(-120.0, -110.0, 50))
    (quantity,) = gather(runs).quantities
    assert len(quantity.readings) == 50
