"""Times of a take in which the steps name the squelch knob's position.

Truth by construction: keyings whose hang time differs from position to position.
"""

import numpy as np
import pytest

from harness.measure.setup import Channel, Options, Step
from harness.measure.timing import Timing
from tests.measure.keyed_iq import RATE_HZ, cut, keyed_iq
from tests.measure.pick import pick, series

INPUT_S = ((0.3, 0.6), (1.3, 1.6), (2.3, 2.6))
ATTACK_S = (0.03, 0.03, 0.06)
HANG_S = (0.2, 0.25, 0.4)
GOAL_S = 2e-4
STEPS = (
    Step(start_s=0.0, end_s=2.0, knob="9:00"),
    Step(start_s=2.0, end_s=3.4, knob="3:00"),
)


def measured(steps, *, skew_s=0.0, with_input=True, step_role="output"):
    outputs = [
        (on_s + attack_s, off_s + hang_s)
        for (on_s, off_s), attack_s, hang_s in zip(INPUT_S, ATTACK_S, HANG_S, strict=True)
    ]

    def sent_hz(t):
        heard = np.zeros(len(t), bool)
        for on_s, off_s in INPUT_S:
            heard |= (t >= on_s) & (t < off_s)
        return np.where(heard, 1500.0 * np.cos(2 * np.pi * 1000.0 * t), 0.0)

    iq = {
        "input": keyed_iq(3.4, INPUT_S),
        "output": keyed_iq(3.4, outputs, random=2, frequency_hz=sent_hz),
    }
    roles = ("input", "output") if with_input else ("output",)
    channels = {
        role: Channel(
            name=role,
            role=role,
            sample_rate_hz=RATE_HZ,
            skew_s=skew_s,
            steps=steps if role == step_role else (),
        )
        for role in roles
    }
    timing = Timing(channels, Options())
    for role in roles:
        for block in cut(iq[role], range(5000, len(iq[role]), 5000)):
            timing.push(role, block)
    return timing.finish()


@pytest.mark.parametrize("step_role", ["output", "input"])
@pytest.mark.parametrize("skew_s", [0.0, 4.0])
def test_each_position_has_its_times(skew_s, step_role):
    findings = measured(STEPS, skew_s=skew_s, step_role=step_role)
    for knob, attack_s, hang_s, count in (("9:00", 0.03, 0.225, 2), ("3:00", 0.06, 0.4, 1)):
        attack, hang = (pick(findings, name, knob=knob) for name in ("attack_time", "hang_time"))
        assert attack.value == pytest.approx(attack_s, abs=GOAL_S)
        assert hang.value == pytest.approx(hang_s, abs=GOAL_S)
        assert (attack.count, hang.count) == (count, count)
        assert pick(findings, "squelch_tail", knob=knob).conditions == {"knob": knob}
        assert series(findings, f"hang_times_{knob}").conditions == {"knob": knob}
    assert series(findings, "hang_times_3:00").axes[0].values.tolist() == [3.0]


def test_one_position_stands_in_the_conditions_alone():
    findings = measured(STEPS[:1])
    assert {reading.conditions["knob"] for reading in findings.readings} == {"9:00"}
    assert pick(findings, "hang_time").count == 3
    assert series(findings, "hang_times").conditions == {"knob": "9:00"}


def test_no_position_named_is_no_condition():
    for steps in ((), (Step(start_s=0.0, end_s=3.0, level_port_dbm=-80.0),)):
        findings = measured(steps)
        assert all("knob" not in reading.conditions for reading in findings.readings)
        assert len(findings.readings) == 3


def test_from_the_output_alone():
    findings = measured(STEPS, with_input=False)
    hang = pick(findings, "hang_time", knob="3:00", method="output only")
    # Half a period of the tone: without a burst its end is told no better.
    assert hang.value == pytest.approx(0.4, abs=5e-4)
    assert pick(findings, "hang_time", knob="9:00", method="output only").count == 2
    assert pick(findings, "attack_time", knob="9:00").verdict == "not measured"


def test_an_input_alone_names_the_position_too():
    channel = Channel(name="i", role="input", sample_rate_hz=RATE_HZ, steps=STEPS)
    findings = Timing({"input": channel}, Options()).finish()
    assert [reading.conditions["knob"] for reading in findings.readings] == [
        *["9:00"] * 3,
        *["3:00"] * 3,
    ]
