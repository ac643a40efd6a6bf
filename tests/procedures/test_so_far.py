"""A battery run by another process's eyes: while it goes on, and where its results are lost."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from harness.errors import BadInput
from harness.procedures.accept import RESULTS_NAME
from harness.procedures.held import held, is_held
from harness.procedures.journal import JOURNAL_NAME
from harness.procedures.runner import LOG_NAME
from harness.procedures.so_far import rebuild, run_so_far
from harness.results import read_run
from tests.commands.conftest import typed
from tests.procedures.disk.running import ROWS, run

__all__ = ["typed"]

ROOT = Path(__file__).resolve().parents[2]
HOLDS = (
    "import sys; from pathlib import Path; from harness.procedures.held import held\n"
    "with held(Path(sys.argv[1])):\n"
    "    print('held', flush=True); sys.stdin.read()\n"
)


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """A whole run."""
    folder = tmp_path_factory.mktemp("done") / "run"
    run(folder, results=True)
    return folder


@pytest.fixture
def copied(done, tmp_path):
    """The files of a whole run that its results can be worked out from, and no more."""
    folder = tmp_path / "run"
    folder.mkdir()
    for name in (LOG_NAME, JOURNAL_NAME):
        (folder / name).write_bytes((done / name).read_bytes())
    return folder


def discharge_of(found):
    (part,) = (each for each in found.findings if each.kind == "discharge")
    return part


def test_results_that_are_lost_are_worked_out_again(done, copied) -> None:
    path, earlier = rebuild(copied)
    assert earlier is None
    before, after = (discharge_of(read_run(each / RESULTS_NAME)) for each in (done, copied))
    # Ended at 11 V by its procedure, and at the battery's end voltage here: neither was reached.
    for one, other in zip(before.readings, after.readings, strict=True):
        assert (one.name, one.value, one.expanded_uncertainty) == (
            other.name,
            other.value,
            other.expanded_uncertainty,
        )
    for one, other in zip(before.series, after.series, strict=True):
        assert np.array_equal(one.values, other.values, equal_nan=True)
    found = read_run(path)
    assert "Worked out from the log and the journal of the run." in found.notes
    assert found.started_utc == read_run(done / RESULTS_NAME).started_utc
    assert found.unit == read_run(done / RESULTS_NAME).unit


@pytest.mark.parametrize("size", [0, 100, 5000])
def test_damaged_results_are_kept_beside_the_new_ones(size, done, copied) -> None:
    damaged = (done / RESULTS_NAME).read_bytes()[:size]
    (copied / RESULTS_NAME).write_bytes(damaged)
    path, earlier = rebuild(copied)
    assert earlier.read_bytes() == damaged
    assert discharge_of(read_run(path)).value("run_time") is not None
    _, earlier = rebuild(copied)
    assert earlier.name == "results-earlier-2.h5"


def test_a_run_that_ended_early_says_so(copied) -> None:
    journal = copied / JOURNAL_NAME
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(b"".join(lines[:-4]) + lines[-4][:30])
    log = copied / LOG_NAME
    log.write_bytes(log.read_bytes()[:-9])
    found = run_so_far(copied)
    assert not found.goes_on
    assert "which ended early" in found.run.notes
    assert len(discharge_of(found.run).series[0].values) == ROWS - 1
    # It was only looked at.
    assert journal.read_bytes().endswith(lines[-4][:30])


def test_a_run_that_goes_on_in_another_process(copied) -> None:
    assert not is_held(copied)
    with subprocess.Popen(
        [sys.executable, "-c", HOLDS, copied],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout.readline() == "held\n"
        found = run_so_far(copied)
        assert found.goes_on
        assert found.run.notes.startswith("The run goes on: this is what was logged until ")
        with pytest.raises(BadInput, match="the run goes on"):
            rebuild(copied)
        with (
            pytest.raises(BadInput, match="another process is performing the run in it"),
            held(copied),
        ):
            pass
        process.kill()
    assert not is_held(copied)
    assert not run_so_far(copied).goes_on


def test_no_battery_run_cannot_be_worked_out(copied, tmp_path) -> None:
    (copied / LOG_NAME).unlink()
    with pytest.raises(BadInput, match=r"holds no battery-log\.csv\. Only a battery run"):
        run_so_far(copied)
    with pytest.raises(BadInput, match="holds no run"):
        run_so_far(tmp_path)


def test_the_command_draws_a_run_that_has_no_results(copied, typed) -> None:
    assert typed("report", copied).status == 0
    page = (copied / "report.html").read_text()
    assert "Worked out from the log and the journal" in page
    assert not (copied / RESULTS_NAME).exists()
    assert f"Results: {copied / RESULTS_NAME}" in typed("report", copied, "--rebuild").out
    typed("report", copied / RESULTS_NAME, "--rebuild").is_one_plain_line()
