"""``harness field``: table, JSON, page, and what is refused."""

import json

import pytest

from harness.results import fingerprint_of, write_run
from tests.service.battery_runs import UNIT, discharge, run_of
from tests.service.test_field import POWER, audio, sensitivity


@pytest.fixture
def results(tmp_path):
    path = tmp_path / "unit" / "results.h5"
    path.parent.mkdir()
    write_run(path, run_of(POWER, audio(sensitivity(-117.0)), discharge(20000.0, 1.3)))
    return path


@pytest.fixture
def setup(tmp_path):
    path = tmp_path / "field.toml"
    path.write_text("[supply]\nstandby_a = 0.06\nreceive_a = 0.12\n", encoding="utf-8")
    return path


def test_the_table_shows_numbers_and_where_they_are_from(typed, results, setup):
    shown = typed("field", results, "--setup", setup)
    assert (shown.status, shown.err) == (0, "")
    for words in (
        "5 h 33 min",
        "Heard by a handheld (talk-out)",
        "Keep people",
        "Squelch knob: not measured",
        "unit/results.h5, 2026-03-14",
        "given",
        "assumed",
        "Local rules and licensed practice come first.",
    ):
        assert words in shown.out
    assert all(len(line) <= 80 for line in shown.out.splitlines())


def test_one_json_object_and_nothing_else(typed, results, setup):
    shown = typed("field", results, "--setup", setup, "--json")
    told = json.loads(shown.out)
    assert (told["schema"], told["kind"], told["unit"]) == (1, "field", "Frost Watch 2")
    assert told["results"] == [{"path": "unit/results.h5", "sha512": fingerprint_of(results)}]
    whole = told["run_times"][0]
    assert whole["hours"] == pytest.approx(20000 / 3600, rel=1e-6)
    assert whole["interval_h"][0] <= whole["hours"] <= whole["interval_h"][1]
    assert told["talk_out"]["usual_m"] == sorted(told["talk_out"]["usual_m"])
    assert set(told["exposure"][0]["distances_m"]) == {"1.0", "2.56", "4.0"}
    assert told["knob"] == {"outcome": None, "position": None}
    origins = {each["name"]: each["origin"] for each in told["inputs"]}
    assert (origins["power_dbm"], origins["standby_a"]) == ("measured", "given")
    assert origins["antenna_gain_dbi"] == "assumed"


def test_what_was_not_measured_is_null(typed, tmp_path):
    path = tmp_path / "empty.h5"
    write_run(path, run_of())
    told = json.loads(typed("field", path, "--json").out)
    assert told["capacity"] is told["balance"] is told["ageing"] is None
    assert told["exposure"] == []
    assert all(each["hours"] is None and each["missing"] for each in told["run_times"])
    assert told["talk_in"]["usual_m"] is None


def test_a_bound_has_no_far_end(typed, tmp_path):
    path = tmp_path / "cut.h5"
    write_run(path, run_of(discharge(20000.0, 1.3, bound="lower")))
    whole = json.loads(typed("field", path, "--json").out)["run_times"][0]
    assert (whole["bound"], whole["interval_h"][1]) == ("lower", None)


def test_options_go_before_the_file(typed, results, setup):
    shown = typed("field", results, "--setup", setup, "--antenna-gain", "6", "--json")
    (gain,) = [e for e in json.loads(shown.out)["inputs"] if e["name"] == "antenna_gain_dbi"]
    assert (gain["value"], gain["origin"]) == (6.0, "given")


def test_the_page(typed, results, setup, tmp_path):
    page = tmp_path / "lid.html"
    shown = typed("field", results, "--setup", setup, "--page", page)
    assert shown.status == 0
    assert str(page) in shown.out
    assert fingerprint_of(results)[:16] in page.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("nowhere.h5",), "nowhere.h5: no such file"),
        (("{results}", "--antenna-gain", "99"), "antenna_gain_dbi = 99 is outside"),
        (("{results}", "--antenna-height", "0"), "antenna_height_m = 0 is outside"),
        (("{results}", "--page", "lid.pdf"), "lid.pdf: the page is HTML"),
        (("{results}", "--setup", "nowhere.toml"), "nowhere.toml: there is no such file"),
        (("{results}", "{other}"), "is of another unit"),
    ],
)
def test_what_is_refused(typed, results, tmp_path, words, line):
    other = tmp_path / "other.h5"
    write_run(other, run_of(POWER, unit={**UNIT, "name": "Frost Watch 1"}))
    shown = typed("field", *(word.format(results=results, other=other) for word in words))
    shown.is_one_plain_line()
    assert line in shown.err


def test_two_files_of_one_folder_and_name_are_told_apart(typed, tmp_path):
    paths = [tmp_path / name / "unit" / "results.h5" for name in ("one", "two")]
    for days, path in enumerate(paths):
        path.parent.mkdir(parents=True)
        write_run(path, run_of(POWER, days=float(days)))
    told = json.loads(typed("field", *paths, "--json").out)
    assert [each["path"] for each in told["results"]] == [str(path) for path in paths]
