"""How long ``harness runs`` looks through ten thousand files: at first, again, after a change.

``.venv/bin/python benchmarks/runs_index.py [COUNT]`` makes COUNT results files of a few readings
each (one is written, the others are copies with another time and verdict) in a folder of its own
that it takes away again, and prints the times, by the clock and of this process alone. It uses an
index of its own, not yours.
"""

import os
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

from harness.results import index
from harness.results.index import find_runs
from harness.results.wanted import Wanted
from tests.results.many_runs import START, copy_small, write_small

VERDICTS = ("pass", "fail", "undecided", "not measured")


def main(count: int) -> None:
    """Make the files, look for runs in them, and print how long each took."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "runs"
        small = write_small(folder / "0000" / "00000.h5")
        began_s = time.perf_counter()
        for number in range(1, count):
            held = folder / f"{number // 100:04d}"
            held.mkdir(exist_ok=True)
            when = START + timedelta(hours=number)
            copy_small(small, held / f"{number:05d}.h5", when, VERDICTS[number % 4])
        print(f"{count} files made in {time.perf_counter() - began_s:.1f} s")
        index.index_path = lambda: Path(place) / "cache" / "runs.sqlite"
        look(folder, "first time, all opened")
        look(folder, "again")
        look(folder, "by verdict and day", Wanted(verdicts=("fail",), since=START))
        for number in range(10):
            os.utime(folder / "0000" / f"{number:05d}.h5")
        look(folder, "ten changed")
        size = (Path(place) / "cache" / "runs.sqlite").stat().st_size
        print(f"the index takes {size / 1e6:.1f} MB")


def look(folder: Path, what: str, wanted: Wanted | None = None) -> None:
    """Search once and print how long it took."""
    began_s, busy_s = time.perf_counter(), time.process_time()
    search = find_runs(folder)
    found = sum((wanted or Wanted()).meets(run.head) for run in search.runs)
    took_s, busy_s = time.perf_counter() - began_s, time.process_time() - busy_s
    print(f"{what}: {found} found, {search.opened} opened, {took_s:.2f} s, of CPU {busy_s:.2f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
