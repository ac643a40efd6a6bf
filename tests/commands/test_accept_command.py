"""``harness accept``, as typed, on the simulated bench; on dongles: tests/instruments."""

import h5py
import pytest

from harness.describe import example_path

UNIT = example_path("frost-watch-2.toml")
BENCH = example_path("packing-shed.toml")


def test_it_leaves_recordings_results_and_a_report(typed, left, tmp_path) -> None:
    """Everything passes but the run time, which nothing measured: status 4, and it says so."""
    out = tmp_path / "run"
    shown = typed("accept", UNIT, BENCH, "--out", out)
    assert shown.status == 4
    assert "Run time: no step measured it" in shown.out
    assert "FAIL" not in shown.out
    for word in ("Report:", "Results:", "Recordings:"):
        assert word in shown.out
    assert (out / "report.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    with h5py.File(out / "results.h5") as file:
        assert "short acceptance" in str(dict(file.attrs))
    before = left(out)
    typed("accept", UNIT, BENCH, "--out", out).is_one_plain_line()
    assert left(out) == before


@pytest.mark.parametrize(
    "words", [("no.toml", BENCH), (UNIT, "no.toml"), (BENCH, UNIT)], ids=["unit", "bench", "turned"]
)
def test_bad_input_is_one_plain_line_and_leaves_nothing(words, typed, tmp_path) -> None:
    out = tmp_path / "run"
    typed("accept", *words, "--out", out).is_one_plain_line()
    assert not out.exists()


PLAN = """
name = "one carrier"
unit = "unit.toml"
bench = "bench.toml"
unit_limits = false

[[steps]]
procedure = "carrier"
seconds = 1.0

[[limits]]
reading = "carrier_power"
unit = "dBm"
minimum = 30.0
source = "chosen"
"""


@pytest.fixture
def plan(tmp_path):
    """A plan that names its unit and its bench, which lie beside it."""
    folder = tmp_path / "plans"
    folder.mkdir()
    (folder / "unit.toml").write_bytes(UNIT.read_bytes())
    (folder / "bench.toml").write_bytes(BENCH.read_bytes())
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    return folder / "plan.toml"


def test_a_plan_alone_is_run_and_repeats_a_step_when_asked(plan, typed, tmp_path) -> None:
    out = tmp_path / "run"
    shown = typed("accept", plan, "--out", out, "--operator", "A. Hand", "--humidity", "40")
    assert shown.status == 0, shown.err
    assert "PASS" in shown.out
    shown = typed("accept", plan, "--resume", out, "--repeat", "carrier")
    assert shown.status == 0, shown.err
    assert "Earlier: Carrier power" in shown.out
    page = (out / "report.html").read_text(encoding="utf-8")
    for words in ("Carrier and audio (1 earlier kept)", "A. Hand", "40 % relative humidity"):
        assert words in page


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("short",), "the plan names no unit file"),
        (("shrot",), "there is no such plan. Did you mean short?"),
        ((UNIT,), "is a unit file and stands alone. Give a bench file after it."),
        ((BENCH,), "is a bench file and stands alone. Give the unit file before it."),
        (("a", "b", "c"), "3 files are given"),
        ((UNIT, BENCH, "--plan", "25-khz"), "is for channels of 25 kHz"),
        ((UNIT, BENCH, "--unit", UNIT), "--unit: is given twice"),
        (("short", "--plan", "short"), "goes with a unit file and a bench file"),
        ((UNIT, BENCH, "--repeat", "carrier"), "--repeat: goes with --resume FOLDER"),
        ((UNIT, BENCH, "--photo", UNIT), "is no photo that can be kept"),
        ((UNIT, BENCH, "--plan", UNIT), 'unknown key "receive_hz"'),
    ],
)
def test_what_does_not_go_together_is_one_plain_line(words, told, typed, tmp_path) -> None:
    out = tmp_path / "run"
    shown = typed("accept", *words, "--out", out)
    shown.is_one_plain_line()
    assert told in shown.err
    assert not out.exists()
