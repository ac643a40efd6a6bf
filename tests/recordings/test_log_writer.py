"""The battery log that the bench writes: whole rows only, resumable, never overwritten."""

import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.errors import BadInput, Damaged, HardwareFault
from harness.recordings import BatteryLogWriter, read_log

ROWS = [
    {"time_s": 0.0, "power_dbm": 36.1, "voltage_v": 12.7, "keyed": 1.0},
    {"time_s": 60.5, "power_dbm": np.nan, "voltage_v": 12.1, "keyed": 0.0, "current_a": None},
]
SIX = datetime(2025, 3, 1, 6, tzinfo=UTC)
ROOT = Path(__file__).resolve().parents[2]


def _write(path, rows=ROWS, **more):
    with BatteryLogWriter(path, **more) as writer:
        for row in rows:
            writer.append(row)
    return writer


def test_round_trip(tmp_path):
    _write(tmp_path / "log.csv", start_utc=SIX)
    table = read_log(tmp_path / "log.csv")
    assert table.start_utc == SIX
    assert np.array_equal(table.time_s, [0, 60.5])
    assert np.array_equal(table.power_dbm, [36.1, np.nan], equal_nan=True)
    assert np.array_equal(table.voltage_v, [12.7, 12.1])
    assert np.array_equal(table.keyed, [1, 0])
    assert np.isnan(table.current_a).all()
    assert table.cautions == ()


def test_without_a_start_there_is_no_time_of_day(tmp_path):
    _write(tmp_path / "log.csv")
    assert read_log(tmp_path / "log.csv").start_utc is None


def test_never_overwrites(tmp_path):
    path = tmp_path / "log.csv"
    _write(path)
    before = path.read_bytes()
    with pytest.raises(BadInput, match=r"log\.csv: is there already and is not overwritten"):
        BatteryLogWriter(path)
    assert path.read_bytes() == before


def test_resumes(tmp_path):
    path = tmp_path / "log.csv"
    _write(path)
    writer = _write(path, [{"time_s": 120.0, "voltage_v": 11.9}], resume=True)
    assert writer.cautions == ()
    assert np.array_equal(read_log(path).time_s, [0, 60.5, 120])


def test_resume_begins_a_new_log_where_there_is_none(tmp_path):
    writer = BatteryLogWriter(tmp_path / "log.csv", resume=True)
    assert writer.last_time_s is None
    writer.close()
    _write(tmp_path / "log.csv", resume=True)
    assert len(read_log(tmp_path / "log.csv").time_s) == 2


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cut=st.integers(0, 250), zeros=st.integers(0, 3))
def test_cut_anywhere_it_reads_and_resumes_with_the_whole_rows(tmp_path_factory, cut, zeros):
    path = tmp_path_factory.mktemp("cut") / "log.csv"
    _write(path, start_utc=SIX)
    raw = path.read_bytes()
    cut = min(cut, len(raw))
    whole_rows = max(0, raw[:cut].count(b"\n") - 1)
    path.write_bytes(raw[:cut])
    if whole_rows:
        table = read_log(path)
        assert np.array_equal(table.time_s, [0, 60.5][:whole_rows])
        torn = not raw[:cut].endswith(b"\n")
        assert bool(table.cautions) == torn
    # Some file systems leave zero bytes at the end after a power cut.
    path.write_bytes(raw[:cut] + bytes(zeros if b"\n" in raw[:cut] else 0))
    with BatteryLogWriter(path, resume=True) as writer:
        assert writer.last_time_s == ([0.0, 60.5][whole_rows - 1] if whole_rows else None)
        writer.append({"time_s": 999.0, "voltage_v": 10.5})
    table = read_log(path)
    assert np.array_equal(table.voltage_v, [*[12.7, 12.1][:whole_rows], 10.5])
    assert table.cautions == ()


def test_a_torn_row_is_said(tmp_path):
    path = tmp_path / "log.csv"
    _write(path)
    path.write_bytes(path.read_bytes()[:-4])
    writer = BatteryLogWriter(path, resume=True)
    writer.close()
    assert len(writer.cautions) == 1
    assert "log.csv: a torn last row (" in writer.cautions[0]
    assert read_log(path).time_s.tolist() == [0.0]


def test_another_file_is_not_resumed(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time,voltage\n1,2\n")
    with pytest.raises(Damaged, match=r"is not a log of this bench\. Start a new one"):
        BatteryLogWriter(path, resume=True)
    assert path.read_text() == "time,voltage\n1,2\n"


def test_each_row_is_there_when_the_process_is_killed(tmp_path):
    script = (
        f"import sys, os, signal; sys.path.insert(0, {str(ROOT)!r})\n"
        "from harness.recordings import BatteryLogWriter\n"
        "writer = BatteryLogWriter(sys.argv[1])\n"
        "for number in range(50): writer.append({'time_s': float(number), 'voltage_v': 12.0})\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", script, tmp_path / "log.csv"], check=False)
    assert done.returncode < 0
    assert len(read_log(tmp_path / "log.csv").time_s) == 50


def test_each_row_is_synced(tmp_path, monkeypatch):
    synced = []
    real = os.fsync

    def fsync(handle):
        synced.append(os.fstat(handle).st_size)
        real(handle)

    with BatteryLogWriter(tmp_path / "log.csv") as writer:
        monkeypatch.setattr(os, "fsync", fsync)
        for row in ROWS:
            writer.append(row)
            assert synced[-1] == (tmp_path / "log.csv").stat().st_size
    assert len(synced) == 2


def test_a_full_disk_keeps_the_rows_before(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    writer = BatteryLogWriter(tmp_path / "log.csv")
    writer.append(ROWS[0])
    before = (tmp_path / "log.csv").read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(
            HardwareFault, match=r"the disk is full\. All rows before are kept\. Make"
        ):
            writer.append(ROWS[1])
    assert (tmp_path / "log.csv").read_bytes() == before
    writer.append(ROWS[1])
    writer.close()
    assert len(read_log(tmp_path / "log.csv").time_s) == 2


def test_a_file_that_may_not_grow_keeps_the_rows_before(tmp_path):
    resource = pytest.importorskip("resource", reason="no limits of a process on this system")
    path = tmp_path / "log.csv"
    with BatteryLogWriter(path) as writer:
        writer.append(ROWS[0])
        before = path.read_bytes()
        limits = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (len(before) + 10, limits[1]))
        try:
            with pytest.raises(HardwareFault, match=r"the disk is full\. All rows before are kept"):
                writer.append(ROWS[1])
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        assert path.read_bytes() == before
        writer.append(ROWS[1])
    assert len(read_log(path).time_s) == 2


@pytest.mark.parametrize(
    ("end", "is_whole"),
    [
        (b"", True),
        (b"\0" * 40, False),
        (b"2026-01-01T00:02:00.000000Z,120.0,\0\0\0\0\n", False),
        (b"\0\0\0\0,,,,,\n\0\0\n", False),
        (b"2026-01-01T00:02", False),
    ],
)
def test_what_a_power_cut_left_at_the_end_is_cut_off(tmp_path, end, is_whole):
    path = tmp_path / "log.csv"
    _write(path, start_utc=SIX)
    path.write_bytes(path.read_bytes() + end)
    table = read_log(path)
    assert table.time_s.tolist() == [0, 60.5]
    assert bool(table.cautions) != is_whole
    _write(path, [{"time_s": 120.0, "voltage_v": 11.9}], resume=True)
    assert read_log(path).time_s.tolist() == [0, 60.5, 120]
    assert read_log(path).cautions == ()


def test_a_damaged_row_in_the_middle_is_left_out_and_told(tmp_path):
    path = tmp_path / "log.csv"
    _write(path, [{"time_s": 60.0 * n, "voltage_v": 12.0} for n in range(5)], start_utc=SIX)
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join([*lines[:2], b"\0" * (len(lines[2]) - 1) + b"\n", *lines[3:]]))
    table = read_log(path)
    assert table.time_s.tolist() == [0.0, 120.0, 180.0, 240.0]
    assert table.cautions == ("log.csv: 1 row is damaged and left out",)
    with BatteryLogWriter(path, resume=True) as writer:
        assert not writer.holds(60.0)
        assert writer.holds(120.0)


def test_a_row_has_the_time_of_day_that_it_was_given(tmp_path):
    path = tmp_path / "log.csv"
    with BatteryLogWriter(path, start_utc=SIX) as writer:
        writer.append(ROWS[0])
        # An hour was put on the clock between the two.
        writer.append(ROWS[1], SIX + timedelta(hours=1, seconds=60.5))
    table = read_log(path)
    assert table.time_s.tolist() == [0, 60.5]
    assert table.cautions == (
        "log.csv: the clock of day was set by +3600 s before 60.5 s; times are those of time_s",
    )
    with BatteryLogWriter(path, resume=True) as writer:
        with pytest.raises(ValueError, match="no time zone"):
            writer.append({"time_s": 99.0, "voltage_v": 1.0}, datetime(2025, 3, 1))


@pytest.mark.parametrize(
    "row",
    [
        {"voltage_v": 12.0},
        {"time_s": np.nan},
        {"time_s": 0.0, "volts": 1.0},
        {"time_s": 0.0, "voltage_v": np.inf},
    ],
)
def test_a_callers_mistake(tmp_path, row):
    with BatteryLogWriter(tmp_path / "log.csv") as writer:
        with pytest.raises(ValueError, match="battery log"):
            writer.append(row)
        before = (tmp_path / "log.csv").read_bytes()
    assert before.count(b"\n") == 1
