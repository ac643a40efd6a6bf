"""Streaming leaks nothing: a short run of ``benchmarks/endurance.py``, which does a day.

In a process of its own, since it counts what the process holds.
"""

import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parents[2] / "benchmarks" / "endurance.py"


@pytest.mark.slow(reason="a quarter of an hour of two streams, a hundred times faster")
def test_a_quarter_of_an_hour_of_streaming_leaves_nothing_behind(stand_in) -> None:
    words = ["--hours", "0.25", "--speed", "100"]
    done = subprocess.run(
        [sys.executable, str(SCRIPT), *words], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    rows = [line.split() for line in done.stdout.splitlines()[1:6]]
    assert [row[0] for row in rows][1:] == ["0.06", "0.12", "0.19", "0.25"]
    # Two dongles, 900 s: all samples came or are counted as lost, to a buffer of each.
    assert abs(float(rows[-1][4]) + int(rows[-1][5]) - 2 * 900 * 250e3) <= 1e6
    assert "closed:" in done.stdout
    assert "1 thread(s)" in done.stdout
