"""Readings: what an honest one cannot be, verdicts with their guard band, and the JSON form.

Guard band: w = U on both sides, so that a result at the acceptance limit is falsely accepted with
a chance of 2.28 % (normal; below 2.5 % in ILAC-G8:09/2019, read; JCGM 106:2012, memory).
"""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.readings import (
    Axis,
    Findings,
    Limit,
    Reading,
    RecordingUsed,
    Series,
    ends,
    findings_json,
    judge,
    judged,
    measured,
    not_measured,
    worst,
)
from harness.uncertainty import Contribution


def sinad(value, u=0.5, **more):
    return Reading(name="sinad", value=value, unit="dB", expanded_uncertainty=u, count=1, **more)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"name": "loudness", "unit": "dB"}, "not in the vocabulary"),
        ({"unit": "dBm"}, "is in 'dB'"),
        ({"value": None}, "no value"),
        ({"value": math.nan}, "has the value nan"),
        ({"value": math.inf}, "has the value inf"),
        ({"expanded_uncertainty": None}, "no uncertainty"),
        ({"flags": ("odd",)}, "unknown flags"),
    ],
)
def test_what_no_reading_can_be(more, words):
    sound = {"name": "sinad", "value": 12.0, "unit": "dB", "expanded_uncertainty": 0.1}
    Reading(**sound)
    with pytest.raises(ValueError, match=words):
        Reading(**{**sound, **more})


def test_measured_takes_its_u_from_its_parts():
    parts = (
        Contribution(name="a", standard_uncertainty=0.3),
        Contribution(name="b", standard_uncertainty=0.4),
    )
    reading = measured("sinad", 12.0, parts, count=7)
    assert reading.expanded_uncertainty == pytest.approx(1.0, rel=1e-12)
    assert (reading.coverage_factor, reading.unit, reading.count) == (2.0, "dB", 7)


MOST, LEAST = (
    Limit(reading="sinad", unit="dB", source="s", maximum=10.0),
    Limit(reading="sinad", unit="dB", source="s", minimum=10.0),
)


@pytest.mark.parametrize(
    ("value", "limit", "verdict"),
    [
        (9.4, MOST, "pass"),
        (9.5, MOST, "pass"),  # U ends exactly at the limit
        (9.6, MOST, "undecided"),
        (10.4, MOST, "undecided"),
        (10.6, MOST, "fail"),
        (10.6, LEAST, "pass"),
        (10.4, LEAST, "undecided"),
        (9.4, LEAST, "fail"),
        # Both limits nearer together than 2 U: nothing can pass.
        (10.0, replace(MOST, minimum=9.8, maximum=10.2), "undecided"),
    ],
)
def test_verdicts_with_the_guard_band(value, limit, verdict):
    assert judge(sinad(value), limit) == verdict


@pytest.mark.parametrize(
    ("guard_share", "false_acceptance"),
    # Worked examples 8.6: w as a share of U, chance in percent; half a unit in the last digit.
    [(0.0, 50.0), (0.5, 15.87), (0.83, 4.85), (1.0, 2.28)],
)
def test_the_published_chances_of_a_false_pass(guard_share, false_acceptance):
    """A result at the acceptance limit: only w = U keeps the chance below 2.5 %."""
    chance = 50.0 * math.erfc(guard_share * 2.0 / math.sqrt(2.0))
    assert chance == pytest.approx(false_acceptance, abs=0.006)
    verdict = judge(sinad(10.0 - guard_share * 0.5), MOST)
    assert (verdict == "pass") is (chance < 2.5)


@given(st.floats(-100, 100), st.floats(0, 50), st.floats(-100, 100))
def test_a_mirrored_question_has_the_same_answer(value, u, edge):
    up = Limit(reading="sinad", unit="dB", source="s", maximum=edge)
    down = Limit(reading="sinad", unit="dB", source="s", minimum=-edge)
    assert judge(sinad(value, u), up) == judge(sinad(-value, u), down)


def test_bounds_and_intervals_are_judged_by_their_ends():
    bound = sinad(9.0, None, bound="upper")
    assert ends(bound) == (-math.inf, 9.0)
    assert judge(bound, MOST) == "pass"
    assert judge(sinad(11.0, None, bound="upper"), MOST) == "undecided"
    assert judge(sinad(11.0, None, bound="lower"), MOST) == "fail"
    assert judge(sinad(9.0, None, interval=(8.9, 10.1)), MOST) == "undecided"


def test_states_and_what_was_not_measured():
    allowed = Limit(reading="keying_state", unit="", source="s", allowed=("normal",))
    state = Reading(name="keying_state", value="normal", unit="")
    assert judge(state, allowed) == "pass"
    assert judge(replace(state, value="chatters"), allowed) == "fail"
    assert judge(not_measured("sinad", "no tone"), MOST) == "not measured"


def test_the_whole_is_its_worst_part():
    assert worst(["pass", None, "pass"]) == "pass"
    assert worst(["pass", "not measured"]) == "not measured"
    assert worst(["not measured", "undecided", "pass"]) == "undecided"
    assert worst(["undecided", "fail", "pass"]) == "fail"
    assert worst([None]) == "not measured"


def test_a_limit_under_conditions():
    limit = replace(MOST, where={"knob": "3:30"})
    there, elsewhere, nowhere = judged(
        [
            sinad(1.0, conditions={"knob": "3:30", "tone_hz": 1000.0}),
            sinad(1.0, conditions={"knob": "9:00"}),
            sinad(1.0),
        ],
        [limit],
    )
    assert (there.verdict, elsewhere.verdict, nowhere.verdict) == ("pass", None, None)


def test_a_limit_over_a_range_of_levels():
    limit = replace(MOST, where={"input_level_port_dbm": (-91.0, -89.0)})

    def at(level):
        return sinad(1.0, conditions={"input_level_port_dbm": level})

    assert [limit.applies_to(at(level)) for level in (-91.0, -90.3, -89.0, -88.9, -91.1)] == [
        True,
        True,
        True,
        False,
        False,
    ]
    assert not limit.applies_to(sinad(1.0))


def test_a_series_has_the_shape_of_its_axes():
    axis = Axis(name="time", unit="s", values=np.arange(3.0))
    with pytest.raises(ValueError, match="against axes"):
        Series(name="power", unit="dBm", axes=(axis,), values=np.arange(4.0))


def test_the_json_form():
    """The keys of DESIGN section 6, and strict JSON whatever the values."""
    reading = measured(
        "hang_time", 1.2031, (Contribution(name="a", standard_uncertainty=0.0002),), count=5
    )
    axis = Axis(name="time", unit="s", values=np.array([0.0, 1.0]))
    findings = Findings(
        kind="timing",
        readings=(reading,),
        series=(Series(name="x", unit="dB", axes=(axis,), values=np.array([1.5, np.nan])),),
        cautions=("one",),
        recordings=(RecordingUsed(path="p", role="output", sha512="s"),),
    )
    form = json.loads(json.dumps(findings_json(findings), allow_nan=False))
    assert form["schema"] == 1
    assert form["readings"] == [
        {
            "name": "hang_time",
            "value": 1.2031,
            "unit": "s",
            "expanded_uncertainty": 0.0004,
            "coverage_factor": 2.0,
            "interval": None,
            "bound": None,
            "count": 5,
            "conditions": {},
            "flags": [],
            "verdict": None,
            "note": "",
        }
    ]
    assert form["series"][0]["values"] == [1.5, None]
    assert form["recordings"] == [{"path": "p", "role": "output", "sha512": "s"}]


def test_nothing_is_decided_without_a_calibration() -> None:
    limit = Limit(reading="carrier_power", unit="dBm", minimum=30.0, source="chosen")
    scatter = Contribution(name="a", standard_uncertainty=0.01, kind="A")
    for value, calibrated in ((36.0, "pass"), (20.0, "fail")):
        reading = measured("carrier_power", value, [scatter], count=5)
        assert judge(reading, limit) == calibrated
        assert judge(replace(reading, flags=("outside calibration",)), limit) == "undecided"


def test_a_limit_is_for_the_output_unless_it_says_so() -> None:
    reading = measured(
        "carrier_power",
        -80.0,
        [Contribution(name="a", standard_uncertainty=0.1)],
        count=1,
        conditions={"role": "input"},
    )
    limit = Limit(reading="carrier_power", unit="dBm", minimum=30.0, source="chosen")
    assert not limit.applies_to(reading)
    assert replace(limit, where={"role": "input"}).applies_to(reading)
    assert limit.applies_to(replace(reading, conditions={}))
