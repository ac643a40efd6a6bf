"""What is said of a hang timer, from hang times made here; and how far single times lie apart.

Truth by construction. How often a state is said by chance is counted over draws: at one in a
thousand each, more than 4 in 300 of any of three come once in a hundred thousand or so.
"""

import numpy as np
import pytest

from harness.measure.hang_timer import TimerRun, judge_hang_timer
from harness.measure.pairs import Pair
from harness.measure.spread import range_in_words, spread_reading

NOISE_S = 5e-5


def runs(lasted_s, *, keyed_s=None, noise_s=NOISE_S, **more):
    closing_s = more.pop("closing_s", [None] * len(lasted_s))
    lengths = [None] * len(lasted_s) if keyed_s is None else keyed_s
    return [
        TimerRun(
            at_s=2.0 * number,
            lasted_s=float(length_s),
            noise_s=noise_s,
            closing_s=None if closing is None else float(closing),
            keyed_s=None if keyed is None else float(keyed),
            **more,
        )
        for number, (length_s, closing, keyed) in enumerate(
            zip(lasted_s, closing_s, lengths, strict=True)
        )
    ]


def normal(count, standard_s, seed=1, mean_s=0.6):
    return mean_s + standard_s * np.random.default_rng(seed).standard_normal(count)


TWO = np.where(np.arange(20) % 3 == 0, 0.6, 0.75) + normal(20, 2e-3, mean_s=0.0)
KEYED_S = 0.3 + 0.2 * (np.arange(20) * 7 % 5)
"""Lengths that go up and down: no line in time."""


@pytest.mark.parametrize(
    ("lasted_s", "more", "state", "words"),
    [
        (normal(20, 1e-3), {}, "steady", ""),
        (normal(20, 0.05), {}, "varies", "varies by"),
        (normal(6, 0.05), {}, "varies", "standard deviation of 6"),
        # Five minutes' hang that scatters by half a percent, and a tenth of a second by 1.5 ms.
        (normal(20, 1.5, mean_s=300.0), {}, "steady", ""),
        (normal(20, 1.5e-3, mean_s=0.1), {}, "steady", ""),
        # The measurement explains it all.
        (normal(20, 0.05), {"noise_s": 0.05}, "steady", ""),
        (TWO, {}, "two times", "0.7504 s (13)"),
        (TWO[:8], {}, "two times", "(3 keyings)"),
        # Two times, the second from half on: no drift, for the groups leave less.
        (np.sort(TWO), {}, "two times", "two times"),
        # One by itself is an outlier, not a group.
        ([*normal(19, 1e-3), 0.9], {}, "varies", "0.9000 s"),
        (0.6 + 1e-3 * np.arange(20) + normal(20, 1e-3, mean_s=0.0), {}, "drifts", "+18"),
        (0.6 - 1e-3 * np.arange(20) + normal(20, 1e-3, mean_s=0.0), {}, "drifts", "-19"),
        (
            0.6 + 0.05 * KEYED_S + normal(20, 1e-3, mean_s=0.0),
            {"keyed_s": KEYED_S},
            "follows keying",
            "from 0.3 to 1.1 s keyed",
        ),
        # The keyings grew as time went: which of both it is cannot be known.
        (
            0.6 + 1e-3 * np.arange(20) + normal(20, 1e-3, mean_s=0.0),
            {"keyed_s": 0.3 + 0.1 * np.arange(20)},
            "drifts",
            "or follows the length",
        ),
        # The squelch takes longer now and then; the timer behind it does not.
        (
            0.6 + np.abs(normal(20, 0.03, mean_s=0.0)),
            {"closing_s": np.abs(normal(20, 0.03, mean_s=0.0))},
            "steady",
            "as the squelch closes",
        ),
        (normal(5, 1e-3, mean_s=0.03), {"ends_with_audio": True}, "none", "no hang"),
        ([0.03], {"ends_with_audio": True}, "none", "30 ms after the input"),
        # A slow squelch, and then a relay.
        ([0.2, 0.21], {"closing_s": [0.17, 0.18]}, "none", "no hang"),
        # No burst is seen; the relay alone.
        ([0.03, 0.04], {}, "none", "no hang"),
        # The noise is let through for as long as the hang lasts: that is a hang.
        (normal(5, 1e-3), {"ends_with_audio": True}, "steady", ""),
    ],
)
def test_state_and_evidence(lasted_s, more, state, words):
    judged = judge_hang_timer(runs(lasted_s, **more))
    assert judged is not None
    assert judged.state == state
    assert words in judged.evidence
    assert bool(judged.evidence) == bool(words)


def test_too_few_say_nothing():
    assert judge_hang_timer([]) is None
    assert judge_hang_timer(runs([0.5, 0.6, 0.9])) is None


@pytest.mark.parametrize("count", [4, 6, 8, 12, 25])
@pytest.mark.parametrize("shape", ["normal", "uniform"])
def test_chance_is_not_taken_for_a_cause(count, shape):
    """A timer that just varies, by 8 %, is never given a drift or two times it has not."""
    rng = np.random.default_rng([count, len(shape)])
    keyed_s = 0.3 + 0.2 * rng.random(count)
    wrong = 0
    for _ in range(300):
        off = (
            rng.normal(size=count) if shape == "normal" else np.sqrt(12) * (rng.random(count) - 0.5)
        )
        judged = judge_hang_timer(runs(0.6 + 0.05 * off, keyed_s=keyed_s))
        wrong += judged.state not in ("varies", "steady")
    assert wrong <= 4


# How far apart ------------------------------------------------------------------------------------


def pairs(lasted_s, noise_s=NOISE_S):
    return [
        Pair(number=n, from_s=2.0 * n, to_s=2.0 * n + length_s, noise_s=noise_s)
        for n, length_s in enumerate(lasted_s, start=1)
    ]


def spread(lasted_s, noise_s=NOISE_S):
    (reading,) = spread_reading("hang_spread", pairs(lasted_s, noise_s), {"knob": "3:00"}, ("o",))
    return reading


def test_spread_and_its_interval():
    """Chi-square of 9 degrees of freedom: 2.700 and 19.023 (reference tables, from memory)."""
    lasted_s = normal(10, 4e-3)
    reading = spread(lasted_s)
    standard_s = np.std(lasted_s, ddof=1)
    assert reading.value == pytest.approx(standard_s, rel=1e-3)  # 50 us of 4 ms, in squares
    assert reading.interval == pytest.approx(
        (standard_s * np.sqrt(9 / 19.023), standard_s * np.sqrt(9 / 2.700)), rel=1e-3
    )
    assert reading.conditions == {"knob": "3:00"}
    assert reading.count == 10


@pytest.mark.parametrize("noise_s", [0.0, 2e-3])
def test_the_interval_holds_as_often_as_it_says(noise_s):
    """Of 400 at 95 %, fewer than 360 or more than 396 come once in ten thousand."""
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(400):
        lasted_s = 0.6 + 4e-3 * rng.standard_normal(12) + noise_s * rng.standard_normal(12)
        reading = spread(lasted_s, noise_s)
        lower, upper = reading.interval or (0.0, reading.value)
        held += lower <= 4e-3 <= upper
    assert 360 <= held <= 396


def test_noise_alone_is_a_bound():
    reading = spread(normal(10, 1e-3), noise_s=1e-3)
    assert reading.bound == "upper"
    assert reading.value > 1e-3


def test_few_times_have_no_spread():
    assert spread_reading("hang_spread", pairs([0.5, 0.6, 0.7]), {}, ("o",)) == []


def test_range_in_words():
    assert range_in_words(pairs([0.5])) == ""
    assert range_in_words(pairs([0.5, 0.7, 0.6])) == "3 times, 500.00 to 700.00 ms."
    assert range_in_words(pairs([0.9, 1.5])) == "2 times, 0.9000 to 1.5000 s."
    words = range_in_words(pairs(np.linspace(0.5, 0.7, 21)))
    assert words.endswith("median 600.00 ms, half of them 550.00 to 650.00 ms.")
