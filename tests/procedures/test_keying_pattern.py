"""A pattern of keyings, seen by what timing makes of it on the simulated bench.

Truth: circuit values of the simulated unit. Key-up to half power is its delay and the half-power
share of its rise, a raised cosine: acos(1 - sqrt 2) / pi of 3 ms.
"""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from harness.describe import example_path, load_bench, load_unit
from harness.procedures.keying_pattern import MARGIN_S, keying_pattern
from harness.procedures.runner import Runner
from harness.procedures.steps import Measure, Record, TurnKnob
from harness.procedures.wiring import devices_of
from harness.simulator import SimulatedBench, simulated_unit
from tests.measure.pick import pick

SIMULATED = simulated_unit("frost-watch-2")
UNIT = load_unit(example_path("frost-watch-2.toml"))
BENCH = load_bench(example_path("packing-shed.toml"))
LEVEL = {"level_port_dbm": -80.0, "deviation_hz": 1500.0}


def test_it_outlasts_the_hang_and_comes_back_within_it():
    stimuli = keying_pattern(hang_s=0.6, keyings=4, **LEVEL)
    is_on = [stimulus.level_port_dbm is not None for stimulus in stimuli]
    assert is_on == [False, *[True, False, True, False] * 4]
    silences_s = [stimulus.duration_s for stimulus in stimuli if stimulus.level_port_dbm is None]
    assert silences_s[1::2] == pytest.approx([0.3] * 4)
    assert silences_s[2::2] == pytest.approx([0.6 + MARGIN_S] * 4)


def test_lengths_are_no_line_in_time():
    for keyings in (6, 8, 10, 25):
        stimuli = keying_pattern(hang_s=0.1, keyings=keyings, **LEVEL)
        lengths_s = [stimulus.duration_s for stimulus in stimuli[1::2]]
        assert len(set(lengths_s)) == 4
        assert abs(np.corrcoef(range(len(lengths_s)), lengths_s)[0, 1]) < 0.5


def test_a_short_hang_has_no_return():
    stimuli = keying_pattern(hang_s=0.15, keyings=3, **LEVEL)
    assert all(
        (one.level_port_dbm is None) != (next_.level_port_dbm is None)
        for one, next_ in pairwise(stimuli)
    )
    assert len(stimuli) == 7


@pytest.mark.parametrize(("hang_s", "keyings"), [(0.0, 3), (-1.0, 3), (0.6, 0), (math.nan, 3)])
def test_what_cannot_be(hang_s, keyings):
    with pytest.raises(ValueError, match="hang_s"):
        keying_pattern(hang_s=hang_s, keyings=keyings, **LEVEL)


@pytest.fixture
def timed(notebook, tmp_path):
    """Run stimuli on a simulated bench; give what timing makes of the take."""

    def run(stimuli, *, roles=("input", "output"), unit=SIMULATED, faults=()):
        found = []

        def procedure():
            yield TurnKnob(position="3:30")
            yield Record(take="timing", title="", stimuli=stimuli)
            found.append((yield Measure(kind="timing", take="timing", roles=roles)))

        opened = devices_of(SimulatedBench(unit, faults=faults))
        Runner(opened, UNIT, BENCH, tmp_path, notebook.Quiet()).run(procedure())
        return found[0]

    return run


def test_it_splits_the_attack_on_the_simulated_bench(timed):
    findings, unit = timed(keying_pattern(hang_s=0.62, keyings=4, **LEVEL)), SIMULATED
    squelch, key_up = pick(findings, "squelch_attack"), pick(findings, "key_up_delay")
    assert squelch.count == 4
    assert squelch.conditions == {"knob": "3:30"}
    rise_s = math.acos(1.0 - math.sqrt(2.0)) / math.pi * unit.transmitter.rise_s
    truth_s = unit.squelch.key_up_delay_s + rise_s
    assert key_up.value == pytest.approx(truth_s, abs=key_up.expanded_uncertainty)
    assert key_up.expanded_uncertainty < 3e-3
    assert pick(findings, "hang_timer").value == "steady"
    assert pick(findings, "hang_time").count == 4
    assert not any("did not" in caution for caution in findings.cautions)


def with_squelch(**changes):
    return replace(SIMULATED, squelch=replace(SIMULATED.squelch, **changes))


ROLES = (("input", "output"), ("output",))


@pytest.mark.parametrize("roles", ROLES)
def test_an_unsteady_hang_timer_is_recognised(timed, roles):
    """8 % of 0.6 s; twelve of them tell the spread to a factor of two (five sigma)."""
    stimuli = keying_pattern(hang_s=0.15, keyings=12, **LEVEL)
    silence = replace(stimuli[0], duration_s=1.0)
    stimuli = tuple(silence if one.level_port_dbm is None else one for one in stimuli)
    findings = timed(stimuli, roles=roles, faults=("unsteady hang timer",))
    assert pick(findings, "hang_timer").value == "varies"
    assert 0.024 < pick(findings, "hang_spread").value < 0.096
    assert any("varies by" in caution for caution in findings.cautions)


@pytest.mark.parametrize("roles", ROLES)
def test_an_absent_tail_is_recognised(timed, roles):
    findings = timed(
        keying_pattern(hang_s=0.62, keyings=2, **LEVEL), roles=roles, faults=("no tail",)
    )
    tail = pick(findings, "squelch_tail")
    assert tail.bound == "upper"
    assert "tail absent" in tail.note
    assert pick(findings, "hang_time").count == 2


@pytest.mark.parametrize("roles", ROLES)
def test_a_time_out_timer_is_recognised(timed, roles):
    """From the squelch's opening; RF comes later and goes later, by the unit's two delays."""
    keyed = replace(keying_pattern(hang_s=0.1, keyings=1, **LEVEL)[1], duration_s=1.4)
    short, silence = replace(keyed, duration_s=0.4), replace(keyed, level_port_dbm=None)
    findings = timed(
        (silence, short, silence, keyed, silence, keyed, silence),
        roles=roles,
        unit=with_squelch(time_out_s=0.8),
    )
    squelch = SIMULATED.squelch
    truth_s = 0.8 - squelch.key_up_delay_s + squelch.release_delay_s
    time_out = pick(findings, "time_out")
    assert time_out.count == 2
    # Rise and fall take 3 and 2 ms.
    assert time_out.value == pytest.approx(truth_s, abs=0.003)
    assert pick(findings, "hang_time").count == 1
    assert any("time-out timer cuts" in caution for caution in findings.cautions)


def test_a_hang_of_zero_is_recognised(timed):
    stimuli = keying_pattern(hang_s=0.1, keyings=2, **LEVEL)
    findings = timed(stimuli, unit=with_squelch(hang_s=0.0))
    assert pick(findings, "hang_time").value < 0.06
    assert pick(findings, "hang_timer").value == "none"
