"""Lost samples told from late ones: truth by construction, buffers with given times of arrival.

Tolerances: 0 where the arrivals are exact; else the jitter that was put in, in samples.
"""

import numpy as np
import pytest

from harness.instruments.lateness import PATIENCE_S, THRESHOLD_S, Lateness

RATE_HZ = 250e3
LENGTH = 8192


def arrivals(count, *, lost=None, stalls=(), jitter_s=0.0, ppm=0.0, seed=1):
    """Give (samples missing before it, time of arrival) of buffers.

    ``lost`` is samples by buffer before which they are missing; a stall (number, seconds) lets
    that buffer arrive so much too late and those after it not before it.
    """
    random = np.random.default_rng(seed)
    end, earliest, made = 0, 0.0, []
    stalls = dict(stalls)
    for number in range(count):
        missing = (lost or {}).get(number, 0)
        end += missing + LENGTH
        at_s = end / (RATE_HZ * (1 + ppm * 1e-6)) + jitter_s * random.random()
        earliest = max(earliest, at_s + stalls.get(number, 0.0))
        made.append((missing, earliest))
    return made


def judged(made, lateness=None):
    """Push the buffers; give what was found missing, by number of buffer, and the rest held."""
    lateness = lateness or Lateness(RATE_HZ)
    block = np.zeros((LENGTH, 2), np.uint8)
    given = [each for _, at_s in made for each in lateness.push(block, at_s)]
    return {n: each.lost_before for n, each in enumerate(given) if each.lost_before}, len(given)


@pytest.mark.parametrize(
    ("what", "expected", "within"),
    [
        # Nothing is missing, whatever the transport does.
        ({}, {}, 0),
        ({"jitter_s": 0.009}, {}, 0),
        ({"stalls": [(30, 0.3)]}, {}, 0),
        ({"stalls": [(30, 0.3), (60, 0.45)], "jitter_s": 0.005}, {}, 0),
        ({"ppm": 150.0}, {}, 0),
        ({"ppm": -150.0}, {}, 0),
        # A buffer, several, twice.
        ({"lost": {40: LENGTH}}, {40: LENGTH}, 0),
        ({"lost": {40: LENGTH, 90: 3 * LENGTH}}, {40: LENGTH, 90: 3 * LENGTH}, 0),
        # Twice the jitter (the floor's and the gap's), 1 ms.
        ({"lost": {40: LENGTH}, "jitter_s": 0.001}, {40: LENGTH}, 500),
        # The computer stalls for half a second, its fifteen buffers fill, then samples are lost:
        # ahead of the gap stand those that only waited, the last of them not in full.
        ({"lost": {55: 16_000}, "stalls": [(40, 0.49)]}, {55: 16_000}, 0),
    ],
)
def test_what_is_missing_is_told_from_what_is_late(what, expected, within) -> None:
    found, given = judged(arrivals(200, **what))
    assert found.keys() == expected.keys()
    for number, missing in expected.items():
        assert abs(found[number] - missing) <= within
    assert given == 200


def test_a_loss_shorter_than_the_threshold_is_not_seen() -> None:
    short = round(0.8 * THRESHOLD_S * RATE_HZ)
    assert judged(arrivals(200, lost={40: short}))[0] == {}


def test_late_buffers_are_held_until_it_is_certain() -> None:
    lateness = Lateness(RATE_HZ)
    made = arrivals(60, lost={40: LENGTH})
    waiting = round(PATIENCE_S * RATE_HZ / LENGTH)
    assert judged(made[:40], lateness)[1] == 40
    assert judged(made[40 : 40 + waiting], lateness)[1] == 0
    assert judged(made[40 + waiting : 60], lateness)[1] == 20
    assert lateness.counted == 61 * LENGTH


def test_what_is_held_at_the_end_is_given() -> None:
    lateness = Lateness(RATE_HZ)
    assert judged(arrivals(45, lost={40: LENGTH}), lateness)[1] == 40
    assert [each.lost_before for each in lateness.rest()] == [0] * 5
    assert lateness.rest() == []


def test_a_day_with_a_clock_off_loses_nothing() -> None:
    # 100 ppm over a day is 8.6 s: the floor has to follow.
    lateness = Lateness(RATE_HZ)
    block = np.zeros((250_000, 2), np.uint8)
    for second in range(86_400):
        (given,) = lateness.push(block, (second + 1) * (1.0 + 100e-6))
        assert given.lost_before == 0


def test_an_index_follows_from_the_time() -> None:
    lateness = Lateness(RATE_HZ)
    assert lateness.index_at(5.0) == 0
    for _, at_s in arrivals(100):
        lateness.push(np.zeros((LENGTH, 2), np.uint8), at_s)
    # Exact: arrivals without transport.
    assert lateness.index_at(4.0) == 1_000_000
