"""``./scripts/capture``: each script makes a short take on the simulated bench; it is measured.

What is measured is held to the unit's own limits and to what the bench declares; how right the
readings are is tested where they are measured.
"""

import importlib.util
import json
import re
import shlex
from pathlib import Path

import pytest

from harness.describe import example_path, load_bench, load_calibration

ROOT = Path(__file__).resolve().parents[2]
UNIT = example_path("frost-watch-2.toml")
SHED = example_path("packing-shed.toml")
SHORT = {
    "keyings": ("--count", 2),
    "squelch": ("--knob", "12:00", "--sweeps", 1, "--quiet", 0.5, "--low=-122", "--high=-114"),
    "audio": ("--low=-119", "--high=-114"),
    "battery": ("--interval", 3600),
    "desense": ("--low=-128", "--high=-113", "--seconds", 1, "--step", 1),
    "calibration": ("--seconds", 0.5, "--levels=-60:-40:10"),
}
KEYING = ("keyings", "squelch", "audio", "battery", "desense")


def script_files() -> set[str]:
    return {path.stem for path in (ROOT / "scripts" / "captures").glob("*.py")}


def next_lines(out: str) -> list[list[str]]:
    found = re.findall(r"Go on with: \./scripts/harness (.*)", out)
    return [shlex.split(line) for line in found]


@pytest.mark.parametrize("words", [(), ("--help",)])
def test_help_names_every_script(words, captured):
    shown = captured(*words)
    assert (shown.status, shown.err) == (0, "")
    assert script_files() - {"__main__", "taking"} == set(SHORT)
    assert all(re.search(rf"^  {name} ", shown.out, re.MULTILINE) for name in SHORT)


@pytest.mark.parametrize("name", SHORT)
def test_help_of_a_script_says_what_to_wire_and_the_caution(name, captured):
    shown = captured(name, "--help")
    assert (shown.status, shown.err) == (0, "")
    words = " ".join(shown.out.split())
    assert "Wire: " in words
    assert "Caution: " in words
    assert "docs/bench.md" in words
    if name in KEYING:
        assert "load on the port before power" in words
        assert "local rules come first" in words


# Readings that the kind gives of a take of this length; a bound or none would be a fault.
@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("keyings", {"attack_time", "hang_time"}),
        ("squelch", {"squelch_opening", "keying_state"}),
        ("audio", {"sinad", "sensitivity_12db_sinad"}),
        ("battery", {"run_time", "charge_delivered"}),
        ("desense", {"sensitivity_12db_sinad"}),
    ],
)
def test_a_script_makes_a_take_that_is_measured_again(name, wanted, captured, typed, tmp_path):
    folder = tmp_path / "here"
    made = captured(name, *SHORT[name], "--out", folder)
    assert made.status == 0, made.err
    assert (folder / "results.h5").is_file()
    lines = next_lines(made.out)
    assert lines
    measured = set()
    for words in lines:
        again = typed(*words, "--json")
        assert again.status in (0, 4), again.err
        readings = json.loads(again.out)["readings"]
        measured |= {one["name"] for one in readings if one["value"] is not None}
    assert wanted <= measured


def test_a_calibration_finds_the_scale_that_the_bench_declares(captured, typed, tmp_path):
    made = captured("calibration", *SHORT["calibration"], "--out", tmp_path / "here")
    assert made.status == 0, made.err
    (words,) = next_lines(made.out)
    done = typed(*words)
    assert done.status == 0, done.err
    receiver = load_bench(SHED).input
    (found,) = load_calibration(tmp_path / "here" / "calibration.toml").of(receiver.serial).level
    assert found.gain_db == receiver.gain_db
    assert (found.lowest_dbm, found.highest_dbm) == (-60.0, -40.0)
    # Two declared scales of one bench: 5 sigma of what both are said to be known to.
    both_db = (found.full_scale_uncertainty_db**2 + receiver.full_scale_uncertainty_db**2) ** 0.5
    assert found.full_scale_dbm == pytest.approx(receiver.full_scale_dbm, abs=5.0 * both_db)


def bench_with(folder: Path, right: str, wrong: str) -> Path:
    text = SHED.read_text(encoding="utf-8")
    assert right in text
    path = folder / "bench.toml"
    path.write_text(text.replace(right, wrong, 1), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("squelch", "--knob", "13:00"), "has no position '13:00'. Choose from 9:00, 12:00, 3:30."),
        (("squelch", "--sweeps", 0), "Invalid value for '--sweeps'"),
        (("squelch", "--low=-90", "--high=-120"), "-90 to -120 dBm is no sweep."),
        (("audio", "--low=nan"), "nan to -110 dBm is no sweep."),
        (("keyings", "--unit", "none.toml"), "none.toml: there is no such file."),
        (("keyings", "--bench", UNIT), "unknown key"),
        (("battery", "--interval", 0), "Invalid value for '--interval'"),
        (("calibration", "--levels=x"), "'x' is no row of levels."),
        (("nothing",), "No such command 'nothing'. Try capture --help."),
    ],
)
def test_bad_input_is_one_plain_line_and_makes_nothing(
    words, line, captured, left, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    shown = captured(*words)
    shown.is_one_plain_line()
    assert line in shown.err
    assert left(tmp_path) == {}


def test_what_is_not_safe_is_refused_before_anything_is_made(captured, tmp_path):
    bench = bench_with(tmp_path, "loss_db = 30.1", "loss_db = 10.1")
    shown = captured("keyings", "--bench", bench, "--out", tmp_path / "here")
    assert shown.status == 2
    assert "output receiver gets 12.9 dBm and stands 10 dBm" in shown.err.splitlines()[-1]
    assert not (tmp_path / "here").exists()


def test_a_limit_that_was_not_asked_for_does_not_count(captured, tmp_path):
    made = captured("keyings", *SHORT["keyings"], "--out", tmp_path / "here")
    assert "Keyings of Frost Watch 2: PASS" in made.out
    assert "Not measured" not in made.out


def test_each_launcher_names_a_program_that_can_be_started(monkeypatch):
    path = ROOT / "scripts" / "environment.py"
    spec = importlib.util.spec_from_file_location("environment_of_scripts", path)
    environment = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(environment)
    launched = {
        found[1]
        for script in (ROOT / "scripts").iterdir()
        if script.is_file()
        and (found := re.search(r'/start\.sh" (\w+) "\$@"', script.read_text(encoding="utf-8")))
    }
    assert launched == set(environment.LEVEL_OF_PROGRAM) == set(environment.MODULE_OF_PROGRAM)
    assert {"harness", "capture"} <= launched
    for module in environment.MODULE_OF_PROGRAM.values():
        assert importlib.util.find_spec(module) is not None
