"""Steps of a receiver's gain: told where the gain was altered, and nowhere else.

Truths by construction, 2 s at 250 kS/s: what the aerial gives and what the receiver makes of it are
made apart, so that a gain moves both the noise and the signals, and keying neither. Steps are to
0.3 dB: the noise of three looks, ten thousand draws each, scatters by 0.1 dB, twice; a gain with
it rounding, which does not move, is counted out by the code under test.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.measure.gain_steps import GainSteps, Look
from harness.measure.health_findings import findings_of
from tests.measure.test_health import TIME_S, carrier, healthy, noise

HALFWAY_S = 1.0
LATE = (TIME_S >= HALFWAY_S).astype(float)


def gain(db: float) -> np.ndarray:
    """As amplitude: 1, and from halfway on so many dB more."""
    return 10.0 ** (db * LATE / 20.0)


def steps(iq: np.ndarray):
    return healthy(iq).gain_steps


@pytest.mark.parametrize("step_db", [-9.0, -3.0, -1.4, 1.4, 3.0, 6.0])
def test_an_altered_gain_is_told(step_db) -> None:
    (step,) = steps(gain(step_db) * (carrier(40e3, 0.2) + noise(0.04)))
    assert step.cause == "gain"
    assert abs(step.noise_db - step_db) < 0.3
    assert abs(step.emissions_db - step_db) < 0.3
    assert abs(step.at_s - HALFWAY_S) <= 0.16  # a look and a half


def test_without_a_signal_it_may_be_noise() -> None:
    (step,) = steps(gain(4.0) * noise(0.05))
    assert (step.cause, step.emissions_db) == ("gain or noise", None)


@pytest.mark.parametrize("level_db", [20.0, 12.0])
def test_automatic_gain_gives_way_to_the_signal(level_db) -> None:
    """A carrier comes halfway, and an automatic gain takes 6 dB away from all."""
    iq = gain(-6.0) * (carrier(40e3, 0.05 * 10 ** (level_db / 20.0)) * LATE + noise(0.05))
    (step,) = steps(iq)
    assert step.cause == "automatic gain"
    assert abs(step.noise_db + 6.0) < 0.3
    health = healthy(iq)
    assert "against the signal" in findings_of(health)[0].what


def test_automatic_gain_gives_way_to_a_stronger_signal() -> None:
    """It is there before, gets 20 dB stronger, and all falls by 6 dB."""
    (step,) = steps(gain(-6.0) * (carrier(40e3, 0.05 * (1.0 + 9.0 * LATE)) + noise(0.05)))
    assert step.cause == "automatic gain"


def test_noise_that_comes_by_itself_is_no_gain() -> None:
    health = healthy(carrier(40e3, 0.3) + noise(0.03) * gain(5.0))
    (step,) = health.gain_steps
    assert step.cause == "noise"
    (finding,) = findings_of(health)
    assert finding.kind == "noise step"
    assert "not the gain" in finding.sentence


KEYED = ((TIME_S % 0.9) < 0.55).astype(float)
OFTEN = ((TIME_S % 0.14) < 0.07).astype(float)
BURST = ((TIME_S > 0.95) & (TIME_S < 1.1)).astype(float)
STAIRS = 10.0 ** (np.floor(TIME_S / 0.25) / 20.0)


@pytest.mark.parametrize(
    "iq",
    [
        carrier(40e3, 0.4) * KEYED + noise(0.02),
        carrier(40e3, 0.4) * (1.0 - KEYED) + noise(0.02),
        carrier(40e3, 0.4) * OFTEN + noise(0.02),
        carrier(40e3, 0.4) * KEYED + noise(0.02) + noise(0.02, 2) * KEYED,
        carrier(40e3, 0.3) + noise(0.02) + noise(0.1, 2) * BURST,
        noise(0.02) + noise(0.1, 2) * BURST,
        carrier(40e3, 0.02 * STAIRS) + noise(0.01),
        carrier(40e3, 0.4) * KEYED + noise(0.45 * np.sqrt(2.0) / 127.5) + 0.003,
        carrier(40e3, 0.4) * KEYED + noise(0.1 / 127.5) + 0.003,
        noise(0.05),
        (carrier(40e3, 0.9) * KEYED + noise(0.02)) * 1.5,
    ],
    ids=[
        "keyed",
        "dropped",
        "chatters",
        "keyed with the transmitter's noise",
        "burst beside a carrier",
        "burst alone",
        "a generator's staircase",
        "keyed over noise of half a code",
        "keyed over less than a code",
        "noise",
        "keyed and clipped",
    ],
)
def test_what_is_no_step_of_the_gain_is_not_called_one(iq) -> None:
    assert steps(iq) == ()


@pytest.mark.parametrize(
    ("iq", "judged"),
    [
        (noise(0.05), True),
        (noise(0.05)[:120_000], False),  # less than seven tenths of a second
        (noise(0.1 / 127.5) + 0.003, False),
        (carrier(40e3, 1.2) + noise(0.02), False),
    ],
    ids=["long enough", "short", "under the converter's noise", "clipped"],
)
def test_what_could_not_be_judged_is_not_called_steady(iq, judged) -> None:
    assert healthy(iq).gain_judged == judged


def test_two_steps_are_two() -> None:
    """Up by 3 dB at 0.6 s, back at 1.4 s."""
    for_a_while = 10.0 ** (3.0 * ((TIME_S > 0.6) & (TIME_S < 1.4)) / 20.0)
    found = steps(for_a_while * (carrier(40e3, 0.2) + noise(0.04)))
    assert [step.cause for step in found] == ["gain", "gain"]
    assert found[0].noise_db == pytest.approx(3.0, abs=0.3)
    assert found[1].noise_db == pytest.approx(-3.0, abs=0.3)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.floats(1e-9, 1e-8), min_size=3, max_size=30),
    st.lists(st.floats(0.0, 1.0), min_size=3, max_size=30),
)
def test_a_noise_that_stays_never_steps(noises, emissions) -> None:
    """Property: whatever the emissions do, noise that is the same to 0.6 dB gives none."""
    told = GainSteps(0.0)
    for number, (floor, power) in enumerate(zip(noises, emissions, strict=False)):
        told.push(
            Look(
                middle_s=0.1 * number,
                noise=1e-9 * (1.0 + 0.14 * (floor - 1e-9) / 9e-9),
                emissions=power,
                clipped_share=0.0,
            )
        )
    told.finish()
    assert told.count == 0


def test_many_are_counted_and_few_kept() -> None:
    told = GainSteps(0.0)
    for number in range(4000):
        level = 1e-9 if number // 5 % 2 else 4e-9
        told.push(Look(middle_s=0.1 * number, noise=level, emissions=level, clipped_share=0.0))
    told.finish()
    assert told.count > 300
    assert len(told.found) == 100
