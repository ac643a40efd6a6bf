"""Hints on likely causes: each pattern by made-up readings, and near it no hint.

Truth by construction: each run holds what a unit with that fault shows, beside what a sound one
does. The thresholds are chosen (``advice/diagnosis.py``); a value that lies beyond one by less than
U gives no hint. That the simulated bench's own faults are told apart: the last tests, and
``benchmarks/diagnosis.py`` with its fifty sound units.
"""

from datetime import UTC, datetime

import numpy as np
import pytest

from benchmarks.diagnosis import EXPECTED, measured_run
from harness.advice import diagnose
from harness.describe import plan_from
from harness.readings import UNCALIBRATED, Axis, Findings, Limit, Reading, Series, measured
from harness.report.hints import hint_in_words
from harness.results import Run
from harness.uncertainty import Contribution
from harness.vocabulary import TERMS

WHEN = datetime(2026, 3, 14, 7, 41, 5, tzinfo=UTC)
UNIT = {
    "name": "invented",
    "receive_hz": 158.425e6,
    "transmit_hz": 153.825e6,
    "rated_power_w": 4.0,
    "rated_deviation_hz": 2500.0,
    "knob_positions": ["9:00", "12:00"],
    "marked_knob": "12:00",
    "battery": {"capacity_ah": 9.0},
}
U = {
    "carrier_power": 0.4,
    "frequency_error": 15.0,
    "receiver_centre": 80.0,
    "sensitivity_12db_sinad": 0.5,
    "squelch_opening": 0.5,
    "desensitisation": 0.4,
    "deviation_peak": 10.0,
    "repeat_gain": 0.1,
    "hum_and_noise": 0.3,
    "audio_distortion": 0.3,
    "charge_delivered": 0.05,
    "time_out": 0.01,
    "hang_time": 0.001,
}
SOUND = {
    "carrier_power": 36.0,
    "frequency_error": 100.0,
    "receiver_centre": 50.0,
    "sensitivity_12db_sinad": -117.0,
    "squelch_opening": -118.5,
    "keying_state": "normal",
    "desensitisation": 0.3,
    "deviation_peak": 1500.0,
    "repeat_gain": -0.4,
    "hum_and_noise": -45.0,
    "audio_distortion": 0.5,
    "hang_time": 0.6,
    "hang_timer": "steady",
    "charge_delivered": 7.4,
}
AT_KNOB = ("squelch_opening", "keying_state", "false_keying_rate")
LEFT_OUT = object()


def of(name, value, **more):
    conditions = {"knob": "12:00"} if name in AT_KNOB else {}
    if isinstance(value, Reading):
        return value
    if isinstance(value, str):
        return Reading(name=name, value=value, unit=TERMS[name].unit, conditions=conditions)
    parts = (Contribution(name=f"{name}.scatter", standard_uncertainty=U[name] / 2.0, kind="A"),)
    return measured(name, value, parts, count=5, conditions=conditions, **more)


def rate(low, high):
    return Reading(
        name="false_keying_rate",
        value=(low + high) / 2.0,
        unit="1/h",
        interval=(low, high),
        conditions={"knob": "12:00"},
    )


def supply(volts, amperes):
    time = Axis(name="time", unit="s", values=np.array([0.0, 60.0]))
    return tuple(
        Series(name=name, unit=unit, axes=(time,), values=np.array([value, value]))
        for name, unit, value in (("voltage", "V", volts), ("current", "A", amperes))
    )


def run_of(*, limits=(), series=(), cautions=(), notes="", **changed):
    held = {**SOUND, **changed}
    readings = tuple(of(name, value) for name, value in held.items() if value is not LEFT_OUT)
    return Run(
        title="t",
        procedure="p",
        started_utc=WHEN,
        ended_utc=WHEN,
        unit=UNIT,
        findings=(Findings(kind="audio", readings=readings, series=series),),
        limits=tuple(limits),
        cautions=tuple(cautions),
        notes=notes,
    )


def causes(run):
    return [hint.cause for hint in diagnose(run)]


def at_most(name, value):
    return Limit(reading=name, unit=TERMS[name].unit, source="chosen", maximum=value)


def at_least(name, value):
    return Limit(reading=name, unit=TERMS[name].unit, source="chosen", minimum=value)


def test_a_sound_unit_gives_no_hint() -> None:
    assert causes(run_of()) == []
    empty = Run(title="t", procedure="p", started_utc=WHEN, ended_utc=WHEN)
    assert diagnose(empty) == ()


LOW_W = supply(12.4, 0.5)
"""6.2 W: a unit that gives 2 W of them works as well as ever."""
USUAL_W = supply(12.4, 1.35)
BETWEEN_W = supply(12.4, 0.95)


@pytest.mark.parametrize(
    ("changed", "found"),
    [
        # Deaf by the default, by a limit, and not by a limit that is wider.
        ({"sensitivity_12db_sinad": -110.0, "squelch_opening": -111.0}, ["deaf"]),
        (
            {"limits": [at_most("sensitivity_12db_sinad", -118.0)]},
            ["deaf"],
        ),
        (
            {
                "sensitivity_12db_sinad": -110.0,
                "squelch_opening": -111.0,
                "limits": [at_most("sensitivity_12db_sinad", -105.0)],
            },
            [],
        ),
        # ... and worse keyed, in each of the three ways.
        (
            {
                "sensitivity_12db_sinad": -110.0,
                "squelch_opening": -111.0,
                "keying_state": "chatters",
            },
            ["desensitised"],
        ),
        (
            {
                "sensitivity_12db_sinad": -110.0,
                "squelch_opening": -111.0,
                "desensitisation": 6.0,
            },
            ["desensitised"],
        ),
        ({"sensitivity_12db_sinad": -110.0, "squelch_opening": -117.0}, ["desensitised"]),
        ({"desensitisation": 3.0}, ["isolation low"]),
        ({"keying_state": "chatters"}, ["isolation low"]),
        # Low power, by what it draws.
        ({"carrier_power": 33.0}, ["power low"]),
        ({"carrier_power": 33.0, "series": USUAL_W}, ["loss after the amplifier"]),
        ({"carrier_power": 33.0, "series": LOW_W}, ["amplifier weak"]),
        ({"carrier_power": 33.0, "series": BETWEEN_W}, ["power low"]),
        ({"carrier_power": 33.0, "limits": [at_least("carrier_power", 30.0)]}, []),
        (
            {
                "carrier_power": 33.0,
                "sensitivity_12db_sinad": -110.0,
                "squelch_opening": -111.0,
            },
            ["common path"],
        ),
        (
            {
                "carrier_power": 33.0,
                "sensitivity_12db_sinad": -110.0,
                "keying_state": "chatters",
            },
            ["desensitised", "power low"],
        ),
        # Frequencies: 5 ppm are 769 Hz out and 792 Hz in.
        ({"frequency_error": 1900.0}, ["transmit crystal"]),
        ({"frequency_error": -1900.0}, ["transmit crystal"]),
        (
            {"frequency_error": 500.0, "limits": [at_most("frequency_error", 384.0)]},
            ["transmit crystal"],
        ),
        ({"receiver_centre": 1500.0}, ["receive crystal"]),
        ({"frequency_error": 1900.0, "receiver_centre": 1957.0}, ["both crystals"]),
        (
            {"frequency_error": 1900.0, "receiver_centre": -1957.0},
            ["transmit crystal", "receive crystal"],
        ),
        # Squelch.
        ({"squelch_opening": -122.0}, ["squelch loose"]),
        ({"squelch_opening": LEFT_OUT, "keying_state": "always keyed"}, ["squelch loose"]),
        ({"false_keying_rate": rate(12.0, 200.0)}, ["squelch loose"]),
        (
            {
                "false_keying_rate": rate(12.0, 200.0),
                "limits": [at_most("false_keying_rate", 60.0)],
            },
            [],
        ),
        ({"squelch_opening": -109.0}, ["squelch tight"]),
        # The rest.
        ({"hang_timer": "drifts"}, ["hang timer"]),
        ({"hang_timer": "none"}, []),
        ({"time_out": 30.0}, ["time-out timer"]),
        ({"deviation_peak": 2900.0}, ["deviation high"]),
        ({"repeat_gain": -4.0}, ["deviation low"]),
        ({"hum_and_noise": -18.0}, ["hum"]),
        # A deafened receiver is noisy at any signal: that is no hum.
        (
            {
                "hum_and_noise": -18.0,
                "sensitivity_12db_sinad": -100.0,
                "squelch_opening": -101.0,
            },
            ["deaf"],
        ),
        ({"audio_distortion": 9.0}, ["distortion"]),
        ({"charge_delivered": 3.2}, ["battery weak"]),
    ],
)
def test_each_pattern_has_its_cause(changed, found) -> None:
    run = run_of(**changed)
    assert causes(run) == found
    for hint in diagnose(run):
        line = hint_in_words(hint)
        # What is hinted at, what it rests on with its value, and what to do next.
        assert "perhaps" in line.title or line.is_of_the_bench
        assert line.evidence
        assert all(any(c.isdigit() or c.isalpha() for c in said) for said in line.evidence)
        assert line.next_check.endswith(".")


@pytest.mark.parametrize(
    ("name", "beyond", "within"),
    [
        # The threshold is beyond U of the second value, and within that of the third.
        ("sensitivity_12db_sinad", -112.4, -112.6),
        ("carrier_power", 34.6, 34.7),
        ("deviation_peak", 2511.0, 2509.0),
        ("hum_and_noise", -25.6, -25.8),
        ("audio_distortion", 5.4, 5.2),
        ("charge_delivered", 5.75, 5.85),
        ("repeat_gain", -2.2, -2.05),
        ("desensitisation", 2.0, 1.8),
    ],
)
def test_a_value_that_u_may_put_within_gives_no_hint(name, beyond, within) -> None:
    more = {"squelch_opening": LEFT_OUT, "keying_state": LEFT_OUT}
    assert len(causes(run_of(**more, **{name: beyond}))) == 1
    assert causes(run_of(**more, **{name: within})) == []


def test_levels_without_a_calibration_give_no_hint() -> None:
    power = of("carrier_power", 20.0, flags=(UNCALIBRATED,))
    deaf = of("sensitivity_12db_sinad", -90.0, flags=(UNCALIBRATED,))
    run = run_of(carrier_power=power, sensitivity_12db_sinad=deaf, squelch_opening=-91.0)
    assert causes(run) == []


CLIPPED = "During the run: output receiver: 72 % of the samples are clipped. Lower the gain."
MISSING = "During the run: output receiver: 10000 samples (2 %) are missing."
SILENT = "Ended early: dongle 00000102: no samples for 1.0 s at 5 s into the take; unplugged?"


@pytest.mark.parametrize(
    ("changed", "found"),
    [
        ({"notes": SILENT}, ["receiver silent"]),
        ({"cautions": [MISSING]}, ["samples lost"]),
        ({"cautions": [CLIPPED]}, ["overload"]),
        # A receiver that clips tells nothing of the unit.
        ({"cautions": [CLIPPED], "carrier_power": 20.0}, ["overload"]),
        ({"cautions": [MISSING], "carrier_power": 20.0}, ["samples lost", "power low"]),
        ({"notes": "Ended early: stopped by the operator."}, []),
    ],
)
def test_the_bench_comes_first(changed, found) -> None:
    hints = diagnose(run_of(**changed))
    assert [hint.cause for hint in hints] == found
    for hint in hints:
        assert hint_in_words(hint).is_of_the_bench == (hint.cause != "power low")


def test_evidence_names_the_readings_with_their_values() -> None:
    (hint,) = diagnose(
        run_of(sensitivity_12db_sinad=-110.0, squelch_opening=-117.0, keying_state="chatters")
    )
    assert hint_in_words(hint).evidence == (
        "Sensitivity, 12 dB SINAD −110.00 ± 0.50 dBm",
        "Keying (knob at 12:00) chatters",
        "Squelch opening (knob at 12:00) −117.00 ± 0.50 dBm",
        "12 dB SINAD lies 7.00 ± 0.71 dB above the opening",
    )


# On the simulated bench ---------------------------------------------------------------------------

LITTLE = plan_from(
    {
        "name": "little",
        "steps": [
            {"procedure": "carrier", "seconds": 1.0},
            {"procedure": "sensitivity", "levels_dbm": [-114, -112]},
        ],
    }
)
"""The faults that a squelch's sweeps take to tell: docs/diagnosis.md."""


@pytest.mark.parametrize("fault", [None, "deaf receiver", "off-frequency crystal"])
def test_on_the_simulated_bench(fault) -> None:
    found = causes(measured_run(1, fault, LITTLE))
    assert found == ([] if fault is None else [EXPECTED[fault]])
