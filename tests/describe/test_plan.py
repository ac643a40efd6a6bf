"""Test plans: what a file may say, what of it reaches a unit, and the limits of the shipped ones.

Truths: 47 CFR 90.205-90.214 as in the published tables beside the checkout (2015 annual edition),
worked out here by hand: 2.5 ppm of 153.825 MHz are 384.56 Hz, 4 W are 36.02 dBm, 20 % more power
is 0.79 dB. Tolerance: half a unit of the last place that limits are kept to (0.005).
"""

import csv
import json
import os
import re
import tomllib
from pathlib import Path

import pytest

from harness.describe import PLANS, example_path, load_plan, load_unit, plan_from, plan_path
from harness.describe.plan import KINDS, PlanStep
from harness.errors import BadInput
from harness.procedures.planned import extent_of
from harness.vocabulary import TERMS

UNIT = load_unit(example_path("frost-watch-2.toml"))
CARRIER = {"procedure": "carrier"}
POWER = {
    "reading": "carrier_power",
    "of": "rated_power_w",
    "unit": "dB",
    "minimum": -1.0,
    "source": "chosen",
}


def plan(*steps, limits=(), **more):
    return plan_from({"name": "p", "steps": list(steps), "limits": list(limits), **more})


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ({"name": "p", "step": [CARRIER]}, 'unknown key "step"; did you mean "steps"?'),
        ({"name": "p"}, 'has no "steps"'),
        ({"name": "p", "steps": []}, r"has no \[\[steps\]\]"),
        ({"steps": [CARRIER]}, 'has no "name"'),
        (
            {"name": "p", "steps": [{"procedure": "carier"}]},
            'procedure = "carier" is unknown; did you mean "carrier"?',
        ),
        (
            {"name": "p", "steps": [{**CARRIER, "keyngs": 3}]},
            'unknown key "keyngs"; did you mean "keyings"?',
        ),
        (
            {"name": "p", "steps": [{**CARRIER, "keyings": 3}]},
            "keyings is nothing of carrier; it has seconds",
        ),
        ({"name": "p", "steps": [CARRIER, CARRIER]}, 'two steps are called "carrier"'),
        (
            {"name": "p", "steps": [{**CARRIER, "name": "squelch"}]},
            "which is another procedure",
        ),
        ({"name": "p", "steps": [{**CARRIER, "name": "../up"}]}, "no name of a step"),
        ({"name": "p", "steps": [{**CARRIER, "seconds": 0.2}]}, "outside 1 to 600 s"),
        ({"name": "p", "steps": [{**CARRIER, "knob": "each"}]}, "is for squelch alone"),
        (
            {"name": "p", "steps": [{"procedure": "sensitivity", "levels_dbm": [-110, -120]}]},
            "runs from -110 down to -120",
        ),
        (
            {"name": "p", "steps": [CARRIER], "limits": [{**POWER, "unit": "dBm"}]},
            'unit = "dBm", but carrier_power is in "dB"',
        ),
        (
            {"name": "p", "steps": [CARRIER], "limits": [{**POWER, "of": "transmit_hz"}]},
            "ppm",
        ),
        (
            {"name": "p", "steps": [CARRIER], "limits": [{**POWER, "reading": "sinad"}]},
            "no part of rated_power_w",
        ),
        (
            {"name": "p", "steps": [CARRIER], "limits": [{**POWER, "maximun": 1.0}]},
            'unknown key "maximun"; did you mean "maximum"?',
        ),
        (
            {"name": "p", "steps": [CARRIER], "limits": [{**POWER, "source": " "}]},
            "says nothing",
        ),
    ],
)
def test_what_no_plan_can_be_is_one_line(table, told) -> None:
    with pytest.raises(BadInput, match=told) as refused:
        plan_from(table, "plan.toml")
    assert str(refused.value).startswith("plan.toml: ")


def test_a_plan_that_is_not_there_is_told_by_its_nearest_name(tmp_path, monkeypatch) -> None:
    with pytest.raises(BadInput, match=r"there is no such plan\. Did you mean 25-khz\?"):
        load_plan("25khz")
    with pytest.raises(BadInput, match="there is no such file"):
        load_plan(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("row", "limit"),
    [
        (POWER, (35.02, None)),
        (
            {
                "reading": "frequency_error",
                "of": "transmit_hz",
                "unit": "ppm",
                "minimum": -2.5,
                "maximum": 2.5,
            },
            (-384.56, 384.56),
        ),
        (
            {
                "reading": "deviation_peak",
                "of": "rated_deviation_hz",
                "unit": "%",
                "maximum": 60,
            },
            (None, 1500.0),
        ),
        (
            {
                "reading": "transient_frequency",
                "of": "channel_spacing_hz",
                "unit": "%",
                "maximum": 50,
            },
            (None, 6250.0),
        ),
        ({"reading": "sinad", "unit": "dB", "minimum": 20}, (20.0, None)),
    ],
    ids=lambda row: row["reading"] if isinstance(row, dict) else "",
)
def test_a_limit_in_parts_of_the_unit_file(row, limit) -> None:
    given = plan(CARRIER, limits=[{"source": "chosen", **row}], unit_limits=False).limits_for(UNIT)
    assert [(one.minimum, one.maximum) for one in given] == [limit]
    assert given[0].unit == TERMS[row["reading"]].unit


def test_a_limit_holds_in_its_band_and_at_its_power_and_else_it_is_told() -> None:
    rows = [
        {**POWER, "transmit_hz": [150e6, 174e6], "rated_power_w": [1.0, 6.0]},
        {**POWER, "transmit_hz": [421e6, 512e6]},
    ]
    uhf = UNIT.model_copy(update={"transmit_hz": 451e6, "receive_hz": 456e6, "rated_power_w": 40.0})
    marine = UNIT.model_copy(update={"transmit_hz": 145e6, "receive_hz": 145.6e6})
    made = plan(CARRIER, limits=rows, unit_limits=False)
    for unit, count in ((UNIT, 1), (uhf, 1), (marine, 0)):
        assert len(made.limits_for(unit)) == count
    assert made.silent_for(UNIT) == made.silent_for(uhf) == ()
    assert made.silent_for(marine) == ("carrier_power",)


def test_the_unit_files_limits_count_beside_the_plans_and_the_same_one_once() -> None:
    own = {one.reading for one in UNIT.limits}
    short = load_plan("short").limits_for(UNIT)
    assert {one.reading for one in short} == own
    rule = load_plan("12.5-khz").limits_for(UNIT)
    assert own <= {one.reading for one in rule}
    (frequency,) = [one for one in rule if one.reading == "frequency_error"]
    # The unit file asks the same 2.5 ppm: one limit, both sources.
    assert "unit file" in frequency.source
    assert frequency.source.count("90.213") == 2
    assert [one.maximum for one in rule if one.reading == "carrier_power"] == [36.81, 37.02]


@pytest.mark.parametrize(("word", "knob"), [("marked", "12:00"), ("loosest", "9:00")])
def test_a_word_for_a_knob_becomes_the_units_position(word, knob) -> None:
    row = {
        "reading": "keying_state",
        "allowed": ["normal"],
        "source": "chosen",
        "where": {"knob": word},
    }
    (limit,) = plan(CARRIER, limits=[row], unit_limits=False).limits_for(UNIT)
    assert limit.where["knob"] == knob


@pytest.mark.parametrize(
    ("step", "positions"),
    [
        (CARRIER, ("12:00",)),
        ({"procedure": "squelch"}, ("9:00", "12:00", "3:30")),
        ({"procedure": "sensitivity"}, ("9:00",)),
        ({"procedure": "squelch", "knob": "3:30"}, ("3:30",)),
        ({"procedure": "squelch", "knob": "marked"}, ("12:00",)),
    ],
)
def test_where_the_knob_stands(step, positions) -> None:
    assert plan(step).steps[0].positions(UNIT) == positions


def test_a_unit_that_a_plan_is_not_for_is_refused() -> None:
    with pytest.raises(BadInput, match=r"for channels of 25 kHz, and Frost Watch 2 has 12\.5 kHz"):
        load_plan("25-khz").require_fit(UNIT)
    with pytest.raises(BadInput, match="no position"):
        plan({**CARRIER, "knob": "6:00"}).require_fit(UNIT)
    with pytest.raises(BadInput, match="knob_positions is missing"):
        plan(CARRIER).require_fit(UNIT.model_copy(update={"knob_positions": ()}))


def test_optional_steps_are_done_when_asked_for() -> None:
    short = load_plan("short")
    assert [step.known_as for step in short.doing().steps] == [
        "carrier",
        "keying",
        "squelch",
        "sensitivity",
    ]
    assert short.doing(["battery"]).steps[-1].known_as == "battery"
    with pytest.raises(BadInput, match=r"no step \"batery\".*Did you mean battery\?"):
        short.doing(["batery"])
    with pytest.raises(BadInput, match="all its steps are optional"):
        plan({**CARRIER, "optional": True}).doing()


def test_what_is_done_tells_all_but_the_limits() -> None:
    first = plan(CARRIER, limits=[POWER])
    assert first.done() == plan(CARRIER, limits=[{**POWER, "minimum": -2.0}]).done()
    for other in (
        plan({**CARRIER, "seconds": 2.0}),
        plan(CARRIER, {"procedure": "keying"}),
        plan({**CARRIER, "knob": "3:30"}),
    ):
        assert first.done() != other.done()
    assert list(plan(CARRIER, {"procedure": "keying"}).done()["order"]) == ["carrier", "keying"]


def test_altered_settings_go_to_the_steps_that_have_them_and_the_name_says_so() -> None:
    made = load_plan("short").altered(sweeps=2, quiet_s=0.5)
    assert (made.step("squelch").sweeps, made.step("carrier").sweeps) == (2, None)
    assert made.name == "short acceptance, altered"
    with pytest.raises(ValueError, match="mask"):
        load_plan("short").altered(mask="90.210-D")


# The shipped plans -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PLANS)
def test_each_shipped_limit_has_its_source_and_says_check_your_local_rule(name) -> None:
    table = tomllib.loads(plan_path(name).read_text(encoding="utf-8"))
    for row in table.get("limits", ()):
        source = row["source"]
        assert "check your local rule" in source
        assert any(word in source for word in ("read", "memory", "chosen")), source
        # What was not read says so, wherever it is named.
        for standard in ("ETSI EN 300 086-1", "TIA-603"):
            if standard in source:
                assert "from memory, not read" in source or "not read" in source
    if name != "short":
        assert "check your local rule" in table["note"]


def published(name):
    folder = os.environ.get("HARNESS_REFERENCE")
    path = Path(folder or Path(__file__).parents[3] / "shared" / "reference") / name
    if not path.exists():
        pytest.skip(f"no published table {path}")
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def row_of(name, reading, **which):
    rows = tomllib.loads(plan_path(name).read_text(encoding="utf-8"))["limits"]
    (row,) = [
        row
        for row in rows
        if row["reading"] == reading and all(row.get(key) == held for key, held in which.items())
    ]
    return row


@pytest.mark.parametrize(("name", "channel"), [("12.5-khz", "12.5"), ("25-khz", "25")])
@pytest.mark.parametrize("band", ["150-174", "421-512"])
def test_frequency_and_bandwidth_are_those_of_the_published_tables(name, channel, band) -> None:
    low, high = (float(end) * 1e6 for end in band.split("-"))
    (stability,) = [
        row
        for row in published("cfr90_frequency_stability.csv")
        if (row["band_mhz"], row["station"], row["channel_bandwidth_khz"])
        == (band, "fixed and base", channel)
    ]
    row = row_of(name, "frequency_error", transmit_hz=[low, high])
    assert -row["minimum"] == row["maximum"] == float(stability["tolerance_ppm"])
    (width,) = [
        row
        for row in published("cfr90_channels.csv")
        if (row["band_mhz"], row["channel_bandwidth_khz"]) == (band, channel)
    ]
    assert row_of(name, "occupied_bandwidth")["maximum"] == 1e3 * float(
        width["authorized_bandwidth_khz"]
    )
    mask = load_plan(name).step("spectrum").mask
    assert mask == f"90.210-{width['mask_with_audio_lowpass']}"


@pytest.mark.parametrize(("name", "channel"), [("12.5-khz", "12.5"), ("25-khz", "25")])
@pytest.mark.parametrize("interval", ["t1", "t2", "t3"])
def test_transients_are_those_of_the_published_table(name, channel, interval) -> None:
    rows = [
        row
        for row in published("cfr90_transient.csv")
        if (row["channel_khz"], row["interval"]) == (channel, interval)
    ]
    row = row_of(name, "transient_frequency", where={"interval": interval})
    for each in rows:
        assert row["maximum"] / 100.0 * float(channel) == float(each["max_difference_khz"])
        assert ("rated_power_w" in row) == ("6 W or less" in each["note"])


@pytest.mark.parametrize(
    ("name", "which", "table", "key", "value"),
    [
        (
            "12.5-khz",
            {},
            "etsi_en300086_limits_memory.csv",
            "adjacent channel power, 12.5 kHz",
            "-60.0",
        ),
        (
            "25-khz",
            {"transmit_hz": [150e6, 174e6]},
            "etsi_en300086_limits_memory.csv",
            "adjacent channel power, 20 and 25 kHz",
            "-70.0",
        ),
    ],
)
def test_adjacent_channel_power_from_memory_is_the_tables(name, which, table, key, value) -> None:
    (row,) = [row for row in published(table) if row["quantity"] == key]
    assert row["value"] == value
    found = row_of(name, "adjacent_channel_power", **which)
    assert found["maximum"] == float(value)
    assert "from memory, not read" in found["source"]


@pytest.mark.parametrize(
    ("power", "condition"), [([1.01, 200.0], "above 1 W"), ([0.01, 1.0], "1 W and less")]
)
def test_adjacent_channel_power_of_uhf_is_that_of_90_221(power, condition) -> None:
    (row,) = [
        row
        for row in published("cfr90_adjacent_channel_power.csv")
        if (row["band_mhz"], row["offset_khz"], row["power_condition"])
        == ("450-470", "25", condition)
    ]
    found = row_of("25-khz", "adjacent_channel_power", rated_power_w=power)
    assert found["maximum"] == float(row["max_acp_dbc"])


@pytest.mark.parametrize("name", PLANS)
def test_each_shipped_plan_loads_and_fits_a_unit_of_its_channel(name) -> None:
    made = load_plan(name)
    spacing = made.channel_spacing_hz or UNIT.channel_spacing_hz
    unit = UNIT.model_copy(
        update={"channel_spacing_hz": spacing, "rated_deviation_hz": spacing / 5.0}
    )
    made.doing().require_fit(unit)
    assert made.silent_for(unit) == ()
    assert made.limits_for(unit)


# The document ------------------------------------------------------------------------------------

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "plan.md"


def test_the_documents_plan_is_one() -> None:
    (block,) = re.findall(r"```toml\n(.*?)```", DOCUMENT.read_text(encoding="utf-8"), re.DOTALL)
    made = plan_from(tomllib.loads(block))
    assert made.limits_for(UNIT)[0].maximum == pytest.approx(384.56, abs=0.005)
    made.require_fit(UNIT)


def test_the_documents_table_says_what_may_be_set_and_what_is_usual() -> None:
    rows = re.findall(r"^\| `(\w+)` \| [^|]* \| ([^|]*) \| (\w+) \|$", DOCUMENT.read_text(), re.M)
    assert [name for name, _, _ in rows] == list(KINDS)
    for name, settings, knob in rows:
        assert knob == KINDS[name].knob
        said = re.findall(r"`(\w+)` (\[[^]]*\]|[\d.]+|\(none\))", settings)
        assert tuple(key for key, _ in said) == KINDS[name].settings
        usual = extent_of(PlanStep(procedure=name))
        for key, value in said:
            if value != "(none)":
                of = {"seconds": f"{name}_s", "levels_dbm": "sensitivity_dbm"}.get(key, key)
                of = {"interval_s": "battery_interval_s"}.get(of, of)
                held = getattr(usual, of)
                assert json.loads(value) == (list(held) if isinstance(held, tuple) else held)
