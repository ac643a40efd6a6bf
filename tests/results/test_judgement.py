"""A run's verdict, limit by limit and step by step; and what a repeated step found before."""

from datetime import UTC, datetime
from itertools import product

import pytest

from harness.readings import Findings, Limit, judged, measured, not_measured
from harness.results import Run, read_run, write_run
from harness.results.judgement import judgement_of, whole_verdict
from harness.results.session import steps_of
from harness.uncertainty import Contribution

WHEN = datetime(2026, 3, 14, 7, 41, 5, tzinfo=UTC)
LIMITS = (
    Limit(reading="sinad", unit="dB", source="chosen", minimum=20.0),
    Limit(reading="carrier_power", unit="dBm", source="chosen", minimum=35.0),
)
SEVERITY = ("pass", "not measured", "undecided", "fail")
VALUES = {"pass": 30.0, "undecided": 20.1, "fail": 10.0}


def of(name, unit, value, **conditions):
    parts = (Contribution(name="scatter", standard_uncertainty=0.2, kind="A"),)
    del unit
    return measured(name, value, parts, count=4, conditions=conditions)


def sinad(verdict, **conditions):
    if verdict == "not measured":
        return not_measured("sinad", "there was no tone", conditions=conditions)
    return of("sinad", "dB", VALUES[verdict], **conditions)


def power(verdict):
    if verdict == "not measured":
        return not_measured("carrier_power", "no carrier")
    return of("carrier_power", "dBm", VALUES[verdict] + 15.0)


def findings(*readings):
    return Findings(kind="audio", readings=judged(readings, LIMITS))


def run_of(steps, *, earlier=(), limits=LIMITS):
    """A run of (name, state, findings, attempts before) for each step."""
    held, before, told = [], [], []
    for name, state, found, attempts in steps:
        places = list(range(len(held), len(held) + len(found)))
        held += found
        told_before = []
        for attempt in attempts:
            told_before.append({"findings": list(range(len(before), len(before) + len(attempt)))})
            before += attempt
        told.append(
            {
                "name": name,
                "procedure": "carrier",
                "title": name.capitalize(),
                "state": state,
                "findings": places,
                "earlier": told_before,
            }
        )
    plan = {"plan": {"name": "p", "steps": told}}
    run = Run(title="t", procedure="p", started_utc=WHEN, ended_utc=WHEN, session=plan)
    readings = [reading for found in held for reading in found.readings]
    return Run(
        title="t",
        procedure="p",
        started_utc=WHEN,
        ended_utc=WHEN,
        limits=limits,
        findings=tuple(held),
        earlier=tuple(before),
        session=plan,
        verdict=whole_verdict(limits, readings, steps_of(run)),
    )


@pytest.mark.parametrize(("first", "second"), list(product(SEVERITY, SEVERITY)))
def test_a_whole_is_never_better_than_its_weakest_step(first, second) -> None:
    run = run_of(
        [
            ("one", "done", [findings(sinad(first))], []),
            ("two", "done", [findings(power(second))], []),
        ]
    )
    whole = judgement_of(run)
    assert whole.verdict == max(first, second, key=SEVERITY.index)
    assert [step.verdict for step in whole.steps] == [first, second]
    assert {row.verdict for row in whole.weakest} == (
        set() if whole.verdict == "pass" else {whole.verdict}
    )
    assert sum(whole.count(verdict) for verdict in SEVERITY) == 2


@pytest.mark.parametrize("state", ["ended early", "not reached"])
@pytest.mark.parametrize("verdict", ["pass", "undecided", "fail"])
def test_a_step_that_was_not_done_is_never_a_pass(state, verdict) -> None:
    run = run_of(
        [
            ("one", "done", [findings(sinad(verdict), power("pass"))], []),
            ("two", state, [], []),
        ]
    )
    whole = judgement_of(run)
    assert whole.verdict == ("not measured" if verdict == "pass" else verdict)
    assert whole.steps[1].verdict == "not measured"


def test_a_limit_that_nothing_answers_shows() -> None:
    run = run_of([("one", "done", [findings(sinad("pass")), findings(power("not measured"))], [])])
    whole = judgement_of(run)
    assert [(row.reading.name, row.verdict, row.step) for row in whole.rows] == [
        ("sinad", "pass", "one"),
        ("carrier_power", "not measured", "one"),
    ]


def test_undecided_rows_say_what_would_decide_and_how_likely_it_is_kept() -> None:
    (row,) = judgement_of(run_of([("one", "done", [findings(sinad("undecided"))], [])])).rows[:1]
    # 0.1 dB beside the limit and U = 0.4 dB, all of it scatter: 16 times the readings.
    assert [(way.way, round(way.times, 6), way.count) for way in row.deciding] == [
        ("averaging", 16.0, 64)
    ]
    assert 0.5 < row.chance < 1.0


def test_a_repeated_step_keeps_what_it_found_before_and_the_newer_is_judged(tmp_path) -> None:
    before = [
        findings(sinad("fail", input_level_port_dbm=-80.2), sinad("pass", input_level_port_dbm=-70))
    ]
    now = [
        findings(sinad("pass", input_level_port_dbm=-79.9), sinad("pass", input_level_port_dbm=-70))
    ]
    run = run_of([("one", "done", now, [before]), ("two", "done", [findings(power("pass"))], [])])
    whole = judgement_of(run)
    assert whole.verdict == "pass"
    assert [reading.value for reading in whole.rows[0].earlier] == [10.0]
    assert [reading.value for reading in whole.rows[1].earlier] == [30.0]
    assert whole.rows[2].earlier == ()
    # From the file it is the same.
    write_run(tmp_path / "run.h5", run)
    again = read_run(tmp_path / "run.h5")
    assert judgement_of(again) == whole
    assert again.earlier == run.earlier


def test_a_run_without_a_plan_has_no_steps() -> None:
    run = Run(
        title="t",
        procedure="p",
        started_utc=WHEN,
        ended_utc=WHEN,
        limits=LIMITS,
        findings=(findings(sinad("pass")),),
        verdict="not measured",
    )
    whole = judgement_of(run)
    assert whole.steps == ()
    assert [row.step for row in whole.rows] == [""]
