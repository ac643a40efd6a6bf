"""Unit files: each slip of the pen gives its exact line; a good one comes back as it went in."""

import csv

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from harness.describe import CHEMISTRIES, example_path, load_unit, unit_from
from harness.errors import BadInput
from harness.readings import Limit, judge, judged, measured

GOOD = example_path("frost-watch-2.toml").read_text(encoding="utf-8")
AGAIN = "Correct it and run again."

CONTRACT = """
name = "Frost Watch 2"
receive_hz = 158.425e6
transmit_hz = 153.825e6
channel_spacing_hz = 12500
rated_deviation_hz = 2500
rated_power_w = 4.0
emphasis = true
[battery]
chemistry = "lead-acid AGM"
nominal_v = 12.0
capacity_ah = 9.0
end_v = 10.5
"""
"""The unit file of DESIGN section 5, word for word."""


def test_the_file_that_the_contract_shows_loads(tmp_path):
    path = tmp_path / "unit.toml"
    path.write_text(CONTRACT)
    unit = load_unit(path)
    assert (unit.name, unit.receive_hz, unit.transmit_hz) == ("Frost Watch 2", 158.425e6, 153.825e6)
    assert (unit.channel_spacing_hz, unit.rated_deviation_hz) == (12500.0, 2500.0)
    assert (unit.rated_power_w, unit.emphasis, unit.limits) == (4.0, True, ())
    assert unit.battery is not None
    assert (unit.battery.nominal_v, unit.battery.capacity_ah, unit.battery.end_v) == (12, 9, 10.5)
    assert unit.battery.details.cells(unit.battery.nominal_v) == 6


RECEIVE = "receive_hz = 158.425e6"
MHZ = f"receive_hz = 158.425 looks like MHz; write 158.425e6. {AGAIN}"
RANGE = "is outside 25e6 to 3e9 Hz"
SLIPS = [
    (RECEIVE, "receive_hz = 158.425", MHZ),
    (
        RECEIVE,
        "receive_hz = 158425",
        f"receive_hz = 158425 looks like kHz; write 158425e3. {AGAIN}",
    ),
    (RECEIVE, "receive_hz = -158.425e6", f"receive_hz = -158.425e6 {RANGE}. {AGAIN}"),
    (RECEIVE, "receive_hz = 158.425e9", f"receive_hz = 158.425e9 {RANGE}. {AGAIN}"),
    (RECEIVE, "receive_hz = 0", f"receive_hz = 0 {RANGE}. {AGAIN}"),
    (
        RECEIVE,
        'receive_hz = "158.425e6"',
        f'receive_hz = "158.425e6" is text; write it without quotes. {AGAIN}',
    ),
    (RECEIVE, 'receive_hz = "VHF"', f'receive_hz = "VHF" is not a number. {AGAIN}'),
    (RECEIVE, "receive_hz = nan", f"receive_hz = nan is not a finite number. {AGAIN}"),
    (RECEIVE, "receive_hz = -inf", f"receive_hz = -inf is not a finite number. {AGAIN}"),
    (RECEIVE, "receive_hz = true", f"receive_hz = true is not a number. {AGAIN}"),
    (RECEIVE, "receive_hz = [1]", f"receive_hz is a list, not a number. {AGAIN}"),
    (
        RECEIVE,
        f"receive_hz = {10**400}",
        f"receive_hz is a number of too many digits, not a number. {AGAIN}",
    ),
    (
        RECEIVE,
        "recieve_hz = 158.425e6",
        f'has the unknown key "recieve_hz"; did you mean "receive_hz"? {AGAIN}',
    ),
    (RECEIVE, "", f'has no "receive_hz". {AGAIN}'),
    (
        "channel_spacing_hz = 12500",
        "channel_spacing_hz = 12.5",
        f"channel_spacing_hz = 12.5 looks like kHz; write 12.5e3. {AGAIN}",
    ),
    (
        "rated_deviation_hz = 2500",
        "rated_deviation_hz = 2.5",
        f"rated_deviation_hz = 2.5 looks like kHz; write 2.5e3. {AGAIN}",
    ),
    (
        "rated_deviation_hz = 2500",
        "rated_deviation_hz = 7000",
        f"rated_deviation_hz = 7000 is more than half of channel_spacing_hz = 12500. {AGAIN}",
    ),
    (
        "rated_power_w = 4.0",
        "rated_power_w = 4000",
        f"rated_power_w = 4000 looks like mW; write 4000e-3. {AGAIN}",
    ),
    (
        "rated_power_w = 4.0",
        "rated_power_w = -4",
        f"rated_power_w = -4 is outside 0.01 to 200 W. {AGAIN}",
    ),
    (
        "transmit_hz = 153.825e6",
        "transmit_hz = 158.425e6",
        "receive_hz and transmit_hz lie closer than channel_spacing_hz;"
        f" a duplex repeater has two channels. {AGAIN}",
    ),
    ("emphasis = true", "emphasis = 1", f"emphasis = 1 is not true or false. {AGAIN}"),
    (
        'antenna_port = "shared"',
        'antenna_port = "sharde"',
        f'antenna_port = "sharde" is unknown; did you mean "shared"? {AGAIN}',
    ),
    (
        'antenna_port = "shared"',
        "antenna_port = 1",
        f'antenna_port = 1 is unknown; it is "shared" or "separate". {AGAIN}',
    ),
    ('name = "Frost Watch 2"', 'name = " "', f"name is empty. {AGAIN}"),
    (
        'name = "Frost Watch 2"',
        'name = "Frost\\nWatch"',
        'name = "Frost\\nWatch" holds a line break or another unprintable character. ' + AGAIN,
    ),
    (
        'name = "Frost Watch 2"',
        f'name = "{"x" * 81}"',
        f"name is longer than 80 characters. {AGAIN}",
    ),
    (
        '"12:00", "3:30"',
        '"12:00", "12:00"',
        f"knob_positions has one position twice. {AGAIN}",
    ),
    (
        'marked_knob = "12:00"',
        'marked_knob = "1:00"',
        f'marked_knob = "1:00" is not in knob_positions. {AGAIN}',
    ),
    ("end_v = 10.5", "", f'[battery] has no "end_v". {AGAIN}'),
    (
        "end_v = 10.5",
        "end_v = 12.5",
        f"[battery] end_v = 12.5 is not between half of nominal_v and nominal_v = 12 V. {AGAIN}",
    ),
    (
        "end_v = 10.5",
        "end_v = 1.05",
        f"[battery] end_v = 1.05 is not between half of nominal_v and nominal_v = 12 V. {AGAIN}",
    ),
    (
        "capacity_ah = 9.0",
        "capacity_ah = 9000",
        f"[battery] capacity_ah = 9000 looks like mAh; write 9000e-3. {AGAIN}",
    ),
    (
        "capacity_ah = 9.0",
        "capacity_mah = 9000",
        f'[battery] has the unknown key "capacity_mah"; did you mean "capacity_ah"? {AGAIN}',
    ),
    (
        '"lead-acid AGM"',
        '"lead acid agm"',
        '[battery] chemistry = "lead acid agm" is unknown; did you mean "lead-acid AGM"? ' + AGAIN,
    ),
    (
        '"lead-acid AGM"',
        '"plutonium"',
        '[battery] chemistry = "plutonium" is unknown; known: lead-acid AGM, lead-acid gel,'
        f" LiFePO4, NiMH, Li-ion. {AGAIN}",
    ),
    ("[battery]", "[[battery]]", f"battery is a list, not a table. {AGAIN}"),
    (
        'reading = "frequency_error"',
        'reading = "frequency_eror"',
        '[[limits]] number 1 reading = "frequency_eror" is not in the vocabulary;'
        f' did you mean "frequency_error"? {AGAIN}',
    ),
    (
        'unit = "Hz"',
        'unit = "ppm"',
        f'[[limits]] number 1 unit = "ppm", but frequency_error is in "Hz". {AGAIN}',
    ),
    (
        'unit = "Hz"',
        "",
        f'[[limits]] number 1 has no unit, but frequency_error is in "Hz". {AGAIN}',
    ),
    (
        "minimum = -384.56",
        "minimum = 500",
        f"[[limits]] number 1 minimum = 500 is above maximum = 384.56. {AGAIN}",
    ),
    (
        "maximum = -116",
        "",
        "[[limits]] number 4 limit of sensitivity_12db_sinad has neither minimum nor maximum. "
        + AGAIN,
    ),
    (
        "maximum = -116",
        'allowed = ["normal"]',
        "[[limits]] number 4 sensitivity_12db_sinad is a number;"
        f" give minimum or maximum instead of allowed. {AGAIN}",
    ),
    (
        'allowed = ["normal"]',
        "maximum = 3",
        '[[limits]] number 6 keying_state is a state; give allowed = ["normal"],'
        f" no minimum or maximum. {AGAIN}",
    ),
    (
        'allowed = ["normal"]',
        'allowed = ["nromal"]',
        '[[limits]] number 6 allowed holds "nromal"; known: normal, always keyed, never keyed,'
        f" chatters. {AGAIN}",
    ),
    (
        'source = "chosen"',
        'source = ""',
        '[[limits]] number 4 source = "" says nothing; name the rule, the sheet, or "chosen". '
        + AGAIN,
    ),
    ('source = "chosen"', "", f'[[limits]] number 4 has no "source". {AGAIN}'),
    (
        '{ knob = "12:00" }',
        '{ konb = "12:00" }',
        '[[limits]] number 6 where has the unknown condition "konb"; did you mean "knob"? ' + AGAIN,
    ),
    (
        '{ knob = "12:00" }',
        "{ knob = 330 }",
        f'[[limits]] number 6 where knob = 330 is not text in "quotes". {AGAIN}',
    ),
    (
        '{ knob = "12:00" }',
        '{ knob = "4:30" }',
        f'a limit of keying_state is for knob "4:30", not in knob_positions. {AGAIN}',
    ),
    (
        "[-82, -78]",
        "[-78, -82]",
        f"[[limits]] number 5 where input_level_port_dbm runs from -78 down to -82. {AGAIN}",
    ),
    (
        "[-82, -78]",
        '"strong"',
        '[[limits]] number 5 where input_level_port_dbm = "strong" is not a number or a range'
        f" [from, to]. {AGAIN}",
    ),
]


@pytest.mark.parametrize(("right", "wrong", "line"), SLIPS)
def test_each_slip_gives_its_line(tmp_path, monkeypatch, right, wrong, line):
    monkeypatch.chdir(tmp_path)
    assert right in GOOD
    (tmp_path / "unit.toml").write_text(GOOD.replace(right, wrong, 1))
    with pytest.raises(BadInput) as caught:
        load_unit("unit.toml")
    assert str(caught.value) == f"unit.toml: {line}"


def test_an_unknown_key_is_told_before_the_missing_one_that_it_explains():
    with pytest.raises(BadInput, match='unknown key "frequency"'):
        unit_from({"frequency": 1})


def test_a_unit_is_frozen_and_made_only_of_what_is_checked():
    unit = load_unit(example_path("frost-watch-2.toml"))
    with pytest.raises(ValidationError):
        unit.rated_power_w = 400.0
    assert unit_from(unit.plain()) == unit


MEGAHERTZ = st.integers(25_000_000, 2_900_000_000).map(float)
NAMES = st.text(st.characters(categories=("L", "N", "P", "S")), min_size=1, max_size=80).filter(
    lambda text: text.strip()
)


@st.composite
def unit_tables(draw):
    receive_hz = draw(MEGAHERTZ)
    spacing_hz = draw(st.sampled_from([6250.0, 12500.0, 25000.0]))
    nominal_v = draw(st.floats(2.0, 60.0))
    return {
        "name": draw(NAMES),
        "receive_hz": receive_hz,
        "transmit_hz": receive_hz + draw(st.floats(25e3, 10e6)),
        "channel_spacing_hz": spacing_hz,
        "rated_deviation_hz": draw(st.floats(100.0, spacing_hz / 2)),
        "rated_power_w": draw(st.floats(0.01, 200.0)),
        "emphasis": draw(st.booleans()),
        "antenna_port": draw(st.sampled_from(["shared", "separate"])),
        "knob_positions": draw(st.lists(NAMES, unique=True, max_size=4)),
        "battery": {
            "chemistry": draw(st.sampled_from(list(CHEMISTRIES))),
            "nominal_v": nominal_v,
            "capacity_ah": draw(st.floats(0.1, 1000.0)),
            "end_v": nominal_v * draw(st.floats(0.55, 0.95)),
        },
        "limits": [
            {
                "reading": "carrier_power",
                "unit": "dBm",
                "minimum": draw(st.floats(-100.0, 0.0)),
                "maximum": draw(st.floats(0.0, 100.0)),
                "allowed": [],
                "source": draw(NAMES),
                "where": {"input_level_port_dbm": [-90.0, draw(st.floats(-90.0, 0.0))]},
            }
        ],
    }


@given(unit_tables())
def test_a_good_unit_comes_back_as_it_went_in(table):
    unit = unit_from(table)
    assert unit.plain() == table
    assert unit_from(unit.plain()) == unit


def test_limits_judge_readings():
    """The 2.5 ppm at 153.825 MHz: 384.56 Hz (worked-examples section 5.1, 47 CFR 90.213)."""
    unit = load_unit(example_path("frost-watch-2.toml"))
    limit = next(limit for limit in unit.limits if limit.reading == "frequency_error")
    assert isinstance(limit, Limit)
    # Half a unit in the last printed digit of the source.
    assert limit.maximum == pytest.approx(2.5e-6 * unit.transmit_hz, abs=0.005)
    assert limit.minimum == -limit.maximum
    assert judge(measured("frequency_error", 384.0, (), count=1), limit) == "pass"
    assert judge(measured("frequency_error", -385.0, (), count=1), limit) == "fail"


@pytest.mark.parametrize(
    ("level_dbm", "verdict"),
    [(-80.03, "fail"), (-82.0, "fail"), (-78.0, "fail"), (-77.99, None), (-110.0, None)],
)
def test_a_limit_for_a_range_of_levels_finds_the_measured_one(level_dbm, verdict):
    unit = load_unit(example_path("frost-watch-2.toml"))
    poor = measured("sinad", 12.0, (), count=1, conditions={"input_level_port_dbm": level_dbm})
    assert judged([poor], unit.limits)[0].verdict == verdict


def test_a_limit_for_a_range_does_not_find_a_reading_without_that_condition():
    unit = load_unit(example_path("frost-watch-2.toml"))
    assert judged([measured("sinad", 12.0, (), count=1)], unit.limits)[0].verdict is None


@pytest.mark.parametrize(
    ("chemistry", "quantity", "ends_or_nominal"),
    [
        ("lead-acid VRLA", "end of discharge", "lead-acid AGM"),
        ("lead-acid VRLA", "end of discharge", "lead-acid gel"),
        ("NiMH", "end of discharge", "NiMH"),
        ("NiCd and NiMH", "nominal", "NiMH"),
        ("LiFePO4", "nominal", "LiFePO4"),
        ("LiFePO4", "discharge limit", "LiFePO4"),
    ],
)
def test_cell_voltages_are_those_of_the_published_table(
    reference, chemistry, quantity, ends_or_nominal
):
    """Exact, and as surely known: reference/battery_voltages.csv, its columns value, verified."""
    with (reference / "battery_voltages.csv").open(encoding="utf-8", newline="") as stream:
        rows = [
            (float(row["value"].split("-")[0]), row["verified"])
            for row in csv.DictReader(stream)
            if (row["chemistry"], row["quantity"]) == (chemistry, quantity)
        ]
    ours = CHEMISTRIES[ends_or_nominal]
    told = (ours.nominal,) if quantity == "nominal" else ours.end
    assert [(cell.volts, cell.verified) for cell in told] == rows


def test_both_frost_watches_are_marked_invented_and_each_limit_names_its_source():
    for number in (1, 2):
        unit = load_unit(example_path(f"frost-watch-{number}.toml"))
        assert unit.name == f"Frost Watch {number}"
        assert unit.note is not None
        assert "nvented" in unit.note
        assert all("CFR" in row.source or "chosen" in row.source for row in unit.limits)
