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
