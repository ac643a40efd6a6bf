"""The page for the lid: what stands on it, what was not measured, one sheet, nothing from outside.

All values are invented. Numbers expected are rounded by hand from what the runs hold.
"""

import re

import pytest

from harness.describe.field import FieldFile
from harness.errors import BadInput
from harness.report.field_page import write_field_page
from harness.report.fielded import distance_down, distance_up, fielded, hours_down, look
from harness.service.known import Named
from tests.advice.knob_runs import seen
from tests.report.printed import printed, words_in
from tests.report.test_report import Page
from tests.service.battery_runs import UNIT, discharge, run_of
from tests.service.test_field import POWER, audio, sensitivity

FINGERPRINT = "0123456789abcdef" * 8
FIELD = FieldFile.model_validate({"supply": {"standby_a": 0.06, "receive_a": 0.12}})
WHOLE = run_of(
    POWER,
    audio(sensitivity(-117.0)),
    seen("9:00", 5, 1.0, -121.0),
    seen("12:00", 0, 3.2, -119.0),
    discharge(20000.0, 1.3),
    unit={**UNIT, "serial": "FW-0117"},
)


def looked_at(*runs, field=FIELD):
    named = [Named(name=f"run-{n}.h5", run=run) for n, run in enumerate(runs)]
    return look(named, field)


def page_of(tmp_path, *runs, **more):
    path = tmp_path / "page.html"
    looked = looked_at(*runs, **more)
    write_field_page(path, looked, {each.name: FINGERPRINT for each in looked.runs})
    return path.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "words",
    [
        "Frost Watch 2",
        "serial FW-0117",
        "measured 2026-03-14",
        "Simulated: no radio was measured.",
        "Squelch knob 12:00",
        "Keep people 1.0",
        "Nobody touches it.",
        "5 h 33 min",
        "95 % interval",
        "Heard by a handheld (talk-out)",
        "Hears a handheld (talk-in)",
        "47 CFR 1.1310",
        "2.7 L of hydrogen",
        "Fuse at the battery's terminal first",
        "nobody beneath",
        "Licence:",
        "Local rules and licensed practice come first.",
        "Handheld's power 5 W, assumed: common practice, no source.",
        "run-0.h5 0123456789abcdef.",
    ],
)
def test_what_stands_on_it(tmp_path, words):
    page = Page(page_of(tmp_path, WHOLE))
    assert words in page.words
    assert page.loose == []


def test_the_opening_of_the_chosen_position_counts():
    """9:00 keys too often: 12:00 is chosen, and its opening is what talk-in is held against."""
    found = looked_at(WHOLE).found
    (opening,) = [each for each in found.inputs if each.name == "opening_dbm"]
    assert (opening.title, opening.value) == ("squelch opening at 12:00", -119.0)


def test_the_knob_is_held_against_the_sensitivity_of_another_run():
    squelch = run_of(seen("12:00", 0, 3.2, -119.0), days=1.0)
    other = run_of(audio(sensitivity(-117.0)))
    alone, together = (fielded(looked_at(*runs)) for runs in ((squelch,), (squelch, other)))
    assert "is not known" in alone.knob_sentence
    assert "below the level for 12 dB SINAD" in together.knob_sentence


def test_results_that_name_no_unit_lend_no_sensitivity_to_the_knob():
    squelch = run_of(seen("12:00", 0, 3.2, -119.0), days=1.0)
    looked = looked_at(squelch, run_of(audio(sensitivity(-117.0)), unit={}))
    assert "is not known" in fielded(looked).knob_sentence
    assert looked.found.talk_in.budget_db is not None


def test_what_was_not_measured_has_no_number(tmp_path):
    page = Page(page_of(tmp_path, run_of()))
    assert "Squelch knob not measured" in page.words
    assert "Exposure distance: not measured." in page.words
    assert "let nobody near the antenna" in page.words
    times = [row for row in page.rows if "transmit" in row or "standby" in row]
    assert times
    assert all("not measured" in row and not re.search(r"\d h", row) for row in times)
    ways = [row for row in page.rows if "talk-" in row]
    assert len(ways) == 2
    assert all(row.count("not measured") >= 2 and "km" not in row for row in ways)


def test_another_battery_takes_another_charger(tmp_path):
    lithium = {**UNIT, "battery": {**UNIT["battery"], "chemistry": "LiFePO4", "end_v": 10.0}}
    words = Page(page_of(tmp_path, run_of(unit=lithium))).words
    assert "hydrogen" not in words
    assert "a charger made for this chemistry" in words


def test_runs_over_years_are_told_by_date():
    runs = [
        run_of(discharge(lasted_s, 0.45), days=365.25 * years)
        for years, lasted_s in enumerate((72000.0, 68400.0, 64800.0))
    ]
    battery = " ".join(fielded(looked_at(*runs)).battery)
    assert "2026-03-14" in battery
    assert "2028-03-13" in battery
    assert re.search(r"Ageing: −[45]\.\d+ ± \d\.\d+ % per year", battery)
    few = " ".join(fielded(looked_at(*runs[:2])).battery)
    assert "No ageing is claimed: 2 runs are too few" in few


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (5.9999, "5 h 59 min"),
        (6.0, "6 h"),
        (0.999, "59 min"),
        (71.99, "71 h 59 min"),
        (72.0, "3 days"),
        (100.7, "4.1 days"),
        (float("inf"), "no end"),
    ],
)
def test_times_are_rounded_down(hours, words):
    assert hours_down(hours) == words


@pytest.mark.parametrize(
    ("metres", "down", "up"),
    [
        (1234.0, "1.2 km", "1234.0 m"),
        (15999.0, "15 km", "15999.0 m"),
        (999.0, "990 m", "999.0 m"),
        (1.0211, "1 m", "1.03 m"),
        (0.5, "0.5 m", "0.50 m"),
        (12.31, "12 m", "12.4 m"),
        (0.0, "0 m", "0.00 m"),
    ],
)
def test_ranges_are_rounded_down_and_distances_to_keep_up(metres, down, up):
    assert (distance_down(metres), distance_up(metres)) == (down, up)


def test_hostile_names_stay_text(tmp_path):
    bad = '<script>alert("x")</script>&amp;'
    run = run_of(POWER, unit={**UNIT, "name": bad, "serial": bad})
    page = Page(page_of(tmp_path, run))
    assert "script" not in {tag for tag, _ in page.tags}
    assert bad in page.words
    assert page.loose == []


def test_nothing_comes_from_outside(tmp_path):
    html = page_of(tmp_path, WHOLE)
    assert not re.findall(r"https?://", html)
    page = Page(html)
    assert not {tag for tag, _ in page.tags} & {"script", "link", "iframe", "img", "form"}
    heads = [attributes for tag, attributes in page.tags if tag == "th"]
    assert all(head.get("scope") in ("row", "col") for head in heads)


def test_another_page_is_not_lost(tmp_path):
    (tmp_path / "page.html").write_text("<p>my notes</p>")
    with pytest.raises(BadInput, match="no page of this program"):
        page_of(tmp_path, WHOLE)


@pytest.mark.parametrize("runs", [(WHOLE,), (run_of(),)], ids=["whole", "nothing measured"])
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_browser_prints_it_on_one_page(tmp_path, paper, runs):
    text = words_in(printed(page_of(tmp_path, *runs), paper, tmp_path))
    assert text.count("\f") == 1
    assert "0123456789abcdef" in text
    assert "Local rules" in text
