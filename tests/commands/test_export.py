"""``harness export``: where it writes, and what it refuses. What it writes: tests/results."""

import json
import shutil
from pathlib import Path

import pytest

KEPT = Path(__file__).resolve().parents[1] / "data" / "results" / "schema-2.h5"


@pytest.fixture
def here(tmp_path, monkeypatch):
    shutil.copy(KEPT, tmp_path / "run.h5")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("words", "place"),
    [
        (("--to", "csv"), "run-csv/readings.csv"),
        (("--to", "parquet"), "run-parquet/readings.parquet"),
        (("--to", "csv", "--out", "new"), "new/01_squelch_opening_curve.csv"),
        (("--to", "json"), "run.json"),
    ],
)
def test_it_writes_beside_the_run_or_where_it_is_told(here, typed, words, place):
    shown = typed("export", "run.h5", *words)
    assert (shown.status, shown.err) == (0, "")
    assert (here / place).stat().st_size > 0
    top = here / place.partition("/")[0]
    assert shown.out.splitlines()[-1].endswith(f": {top}")


def test_json_of_a_run_is_one_object(here, typed):
    typed("export", "run.h5", "--to", "json")
    told = json.loads((here / "run.json").read_text(encoding="utf-8"))
    assert told["findings"][0]["readings"][0]["value"] == 36.02


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("run.h5", "--to", "xls"), "--to: no form 'xls'. Choose one of csv, parquet, json.\n"),
        (("run.h5", "--to", "json", "--out", "run.h5"), "run.h5: exists, and is not overwritten"),
        (("none.h5", "--to", "csv"), "none.h5: no such file"),
        (("run.h5",), "Missing option '--to'"),
    ],
)
def test_what_is_refused(here, typed, words, line):
    shown = typed("export", *words)
    shown.is_one_plain_line()
    assert shown.err.startswith(line)
    assert [path.name for path in here.iterdir()] == ["run.h5"]
