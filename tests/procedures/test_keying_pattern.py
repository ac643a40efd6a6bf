"""A pattern of keyings, seen by what timing makes of it on the simulated bench.

Truth: circuit values of the simulated unit. Key-up to half power is its delay and the half-power
share of its rise, a raised cosine: acos(1 - sqrt 2) / pi of 3 ms.
"""

import math
from itertools import pairwise

import numpy as np
import pytest

from harness.describe import example_path, load_bench, load_unit
from harness.procedures.keying_pattern import MARGIN_S, keying_pattern
from harness.procedures.runner import Runner
from harness.procedures.steps import Measure, Record, TurnKnob
from harness.procedures.wiring import open_bench
from harness.simulator import simulated_unit
from tests.measure.pick import pick

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


def test_it_splits_the_attack_on_the_simulated_bench(notebook, tmp_path):
    found = {}

    def procedure():
        yield TurnKnob(position="3:30")
        yield Record(
            take="timing", title="", stimuli=keying_pattern(hang_s=0.62, keyings=4, **LEVEL)
        )
        found["timing"] = yield Measure(kind="timing", take="timing")

    with open_bench(BENCH) as opened:
        Runner(opened, UNIT, BENCH, tmp_path, notebook.Quiet()).run(procedure())
    findings, unit = found["timing"], simulated_unit("frost-watch-2")
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
