"""Runs of an invented unit by construction: what was seen at each position of its knob."""

from datetime import UTC, datetime

from harness.readings import Findings, Limit, Reading, measured, not_measured
from harness.results import Run
from harness.uncertainty import Contribution, garwood_interval

START = datetime(2026, 3, 14, 7, 41, 5, tzinfo=UTC)
LEVEL = Contribution(
    name="packing-shed bench.input.full_scale_dbm",
    standard_uncertainty=0.3,
    source="bench file",
)
SHED_LIMIT = Limit(
    reading="false_keying_rate", unit="1/h", maximum=2.0, source="cooperative's wish"
)


def type_a(name, standard_uncertainty):
    return Contribution(
        name=name, standard_uncertainty=standard_uncertainty, kind="A", source="chosen"
    )


def false_keying(knob, key_ups, watched_s, recordings=None, **more):
    """Give the reading as the measurement makes it."""
    hours = watched_s / 3600.0
    low, high = (count / hours for count in garwood_interval(key_ups))
    rate = key_ups / hours
    return Reading(
        name="false_keying_rate",
        value=rate,
        unit="1/h",
        expanded_uncertainty=max(high - rate, rate - low) if key_ups else None,
        interval=(low, high),
        count=key_ups,
        conditions={**({} if knob is None else {"knob": knob}), **more},
        recordings=(f"squelch-{knob}-output",) if recordings is None else recordings,
        note=f"{key_ups} in {watched_s:.1f} s without a signal",
    )


def level(name, level_dbm, fit_db, knob, **more):
    """Give an opening or closing; its fit is called the same at each position, as it is."""
    conditions = {**({} if knob is None else {"knob": knob}), **more}
    parts = (type_a(f"{name}.fit", fit_db), LEVEL)
    return measured(name, level_dbm, parts, count=25, conditions=conditions)


def state(knob, word):
    conditions = {} if knob is None else {"knob": knob}
    return Reading(name="keying_state", value=word, unit="", count=25, conditions=conditions)


def seen(knob, key_ups=0, quiet_h=None, opening_dbm=None, *, word="normal", fit_db=0.1):
    """Give the findings at a position; what is None was not measured."""
    conditions = {} if knob is None else {"knob": knob}
    absent = {"conditions": conditions}
    readings = [state(knob, word)]
    for name, offset_db in (("squelch_opening", 0.0), ("squelch_closing", -3.0)):
        readings.append(
            not_measured(name, "no sweep", **absent)
            if opening_dbm is None
            else level(name, opening_dbm + offset_db, fit_db, knob)
        )
    readings.append(
        not_measured("false_keying_rate", "no time without a signal", **absent)
        if quiet_h is None
        else false_keying(knob, key_ups, quiet_h * 3600.0)
    )
    return Findings(kind="squelch", readings=tuple(readings))


def keyed(knob):
    """Give the findings at a position where the transmitter never drops."""
    reason = "always keyed: the transmitter does not drop without a signal"
    names = ("squelch_opening", "squelch_closing", "false_keying_rate")
    absent = (not_measured(name, reason, conditions={"knob": knob}) for name in names)
    return Findings(kind="squelch", readings=(*absent, state(knob, "always keyed")))


def sensitivity(level_dbm, fit_db=0.1, **conditions):
    """Give the sensitivity for 12 dB SINAD on the same bench."""
    return Findings(
        kind="audio",
        readings=(
            measured(
                "sensitivity_12db_sinad",
                level_dbm,
                (type_a("sensitivity.fit", fit_db), LEVEL),
                count=12,
                conditions={"weighting": "flat", "de_emphasis": False, **conditions},
            ),
        ),
    )


def run_of(*findings, order=("9:00", "12:00", "3:30"), limits=(), **more):
    unit = {"name": "Frost Watch 2", **({} if order is None else {"knob_positions": list(order)})}
    return Run(
        title="Squelch of Frost Watch 2",
        procedure="squelch",
        started_utc=START,
        ended_utc=START,
        unit=unit,
        bench={"name": "packing-shed bench"},
        limits=tuple(limits),
        findings=findings,
        source="simulated",
        **more,
    )
