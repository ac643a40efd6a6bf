"""What ends a battery run, row by row. All rows are exact: they follow from the words alone."""

import math

import pytest

from harness.procedures.battery_ends import (
    UNWATCHED_S,
    WARM_S,
    Ends,
    EndWatch,
    PowerLimit,
    in_words,
)


def watch(**ends):
    return EndWatch(Ends(**{"end_v": 10.5, **ends}), every_s=60.0)


@pytest.mark.parametrize(
    ("again_v", "ends"), [(10.5, True), (10.49, True), (10.51, False), (math.nan, True)]
)
def test_the_end_voltage_is_looked_at_twice(again_v, ends) -> None:
    watched = watch()
    assert not watched.see_voltage(0.0, 10.51, keyed=True)
    assert watched.see_voltage(60.0, 10.5, keyed=True)
    assert not watched.reason
    watched.see_voltage_again(again_v)
    assert bool(watched.reason) is ends


def test_without_an_end_voltage_none_is_looked_for() -> None:
    watched = watch(end_v=None)
    assert not watched.see_voltage(0.0, 1.0, keyed=True)
    assert not watched.see_voltage(1e6, math.nan, keyed=True)
    assert not watched.reason


@pytest.mark.parametrize(("every_s", "longest_s"), [(60.0, UNWATCHED_S), (600.0, 1800.0)])
def test_a_voltage_that_nobody_tells_ends_it(every_s, longest_s) -> None:
    watched = EndWatch(Ends(end_v=10.5), every_s=every_s)
    watched.see_voltage(100.0, 12.0, keyed=True)
    watched.see_voltage(100.0 + longest_s, math.nan, keyed=True)
    assert not watched.reason
    watched.see_voltage(100.1 + longest_s, math.nan, keyed=True)
    assert "no voltage for" in watched.reason


@pytest.mark.parametrize(
    ("powers", "ends_at"),
    [
        # (time s, dBm); ends at 3 dB below a start of 36.0: two running.
        ([(0, 36.0), (1000, 33.0), (1060, 33.1), (1120, 33.0), (1180, 32.9)], 1180),
        # Warm-up to 35.8 within the quarter of an hour: then 32.8 it is, not 33.0.
        ([(0, 36.0), (600, 35.8), (1000, 33.0), (1060, 32.9), (1120, 32.8), (1180, 32.8)], 1180),
        # What falls by more than 1 dB at once is no warm-up.
        ([(0, 36.0), (60, 33.0), (120, 32.0), (180, 32.0), (240, 32.0)], 180),
        # After it, what is lower is no start.
        ([(0, 36.0), (WARM_S + 1, 34.0), (2000, 33.0), (2060, 33.0)], 2060),
    ],
)
def test_a_power_limit_below_the_start(powers, ends_at) -> None:
    watched = watch(power=PowerLimit(below_start_db=3.0))
    for at_s, power_dbm in powers:
        watched.see_power(at_s, power_dbm)
        watched.see_power(at_s, None)
        assert bool(watched.reason) == (at_s >= ends_at), at_s
    assert watched.drift_db == pytest.approx(powers[-1][1] - 36.0)


def test_a_power_limit_in_watts() -> None:
    watched = watch(power=PowerLimit(watts=2.0))
    # 2 W is 33.0103 dBm.
    for power_dbm in (33.02, 33.01, 33.02, 33.01):
        watched.see_power(0.0, power_dbm)
    assert not watched.reason
    watched.see_power(0.0, 33.0)
    assert watched.reason == "Stopped at 33.00 dBm: the power limit, 2 W."


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(65.0, "65 s"), (90.0, "90 s"), (300.0, "5 min"), (5400.0, "90 min"), (28800.0, "8 h")],
)
def test_a_time_in_words(seconds, words) -> None:
    assert in_words(seconds) == words


def test_its_time_and_the_first_reason_stays() -> None:
    watched = watch(for_s=7200.0)
    watched.see_time(7199.9)
    assert not watched.reason
    watched.see_time(7200.0)
    watched.see_loss()
    assert watched.reason == "Stopped after 2 h, as asked."


@pytest.mark.parametrize(
    ("voltages", "far"), [([12.5, 12.0], True), ([12.5, 11.0], False), ([12.5, 11.6], True)]
)
def test_a_loss_far_from_the_end_is_something_else(voltages, far) -> None:
    watched = watch()
    for voltage_v in voltages:
        watched.see_voltage(0.0, voltage_v, keyed=True)
    # At rest a battery shows more: that counts for nothing.
    watched.see_voltage(0.0, 12.6, keyed=False)
    watched.see_loss()
    assert f"last at {voltages[-1]:.2f} V" in watched.reason
    assert ("time-out timer" in watched.reason) is far
