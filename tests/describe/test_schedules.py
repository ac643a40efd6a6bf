"""Schedules of a battery run: by name and from TOML, and what is said of a slip of the pen.

5-5-90 is a makers' convention, 10-10-80 the NIJ's (reference/tia603.csv). All rows are exact.
"""

import pytest

from harness.describe.schedule import SCHEDULES, load_schedule, schedule_from
from harness.errors import BadInput

TOML = """
name = "frost night"
note = "invented"
[[phase]]
do = "transmit"
seconds = 6
[[phase]]
do = "receive"
seconds = 14.5
[[phase]]
do = "standby"
seconds = 99.5
"""


@pytest.mark.parametrize(
    ("name", "shares"),
    [
        ("continuous", (1.0, 0.0, 0.0)),
        ("5-5-90", (0.05, 0.05, 0.9)),
        ("10-10-80", (0.1, 0.1, 0.8)),
    ],
)
def test_schedules_by_name(name, shares) -> None:
    schedule = load_schedule(name)
    given = [schedule.share(state) for state in ("transmit", "receive", "standby")]
    assert given == pytest.approx(shares)
    assert schedule.is_continuous == (name == "continuous")
    # It begins keyed, and comes back as it went into a journal.
    assert schedule.phases[0].do == "transmit"
    assert schedule_from(schedule.plain()) == schedule


def test_a_schedule_of_ones_own(tmp_path) -> None:
    path = tmp_path / "night.toml"
    path.write_text(TOML)
    schedule = load_schedule(path)
    assert schedule.cycle_s == 120.0
    assert schedule.share("transmit") == 0.05
    assert schedule.has_receiving


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ({"name": "x", "phases": [{"do": "transmit", "seconds": 3}]}, None),
        ({"name": "x", "phase": [{"do": "transmitt", "seconds": 3}]}, 'mean "transmit"'),
        ({"name": "x", "phase": [{"do": "transmit", "second": 3}]}, 'mean "seconds"'),
        ({"name": "x", "phase": [{"do": "transmit", "seconds": 1}]}, "outside 2 to 86400 s"),
        ({"name": "x", "phase": [{"do": "transmit", "seconds": "3"}]}, "without quotes"),
        ({"name": "x", "phase": [{"do": "standby", "seconds": 3}]}, "nothing would be measured"),
        ({"name": "x", "phase": []}, "nothing would be measured"),
        ({"name": "x", "phase": [{"do": "transmit", "seconds": 3}] * 2}, "both transmit; make"),
        ({"name": "x"}, 'has no "phase"'),
        ({"name": "x", "phase": [{"do": "transmit", "seconds": 3}], "nota": "y"}, 'mean "note"'),
    ],
)
def test_what_a_schedule_may_not_say(table, told) -> None:
    if told is None:
        assert schedule_from(table).is_continuous
        return
    with pytest.raises(BadInput, match=told):
        schedule_from(table)


@pytest.mark.parametrize(
    ("named", "told"),
    [
        ("5-5-9", "Did you mean 5-5-90"),
        ("nightly", f"Use {', '.join(SCHEDULES)}, or a TOML file"),
        ("nightly.toml", "there is no such file"),
    ],
)
def test_no_such_schedule(named, told) -> None:
    with pytest.raises(BadInput, match=told):
        load_schedule(named)
