"""Stream for a day from two dongles that are not there, and see whether anything grows.

    python benchmarks/endurance.py [--hours 24] [--speed 100]

The stand-in of ``tests/instruments/librtlsdr`` streams as a dongle does, SPEED times faster; the
samples go through pyrtlsdr and the driver into counted takes of an hour. Printed at the start, at
each quarter and at the end: resident memory, open files, threads, and what was lost. Exit status 1
where memory grew by more than MOST_MB or a file stayed open.
"""

from __future__ import annotations

import argparse
import gc
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
SOURCE = ROOT / "tests" / "instruments" / "librtlsdr" / "stand_in.c"
RATE_HZ = 250e3
TAKE_S = 3600.0
READ_S = 10.0
MOST_MB = 16.0
"""Growth that is none: the two queues hold up to 8 MB at a time, and as much again for the
allocator's habits. Chosen; the least bookkeeping kept of each of a day's five million buffers would
be hundreds."""


def resident_mb() -> float:
    """Memory of this process that is in use."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def open_files() -> int:
    """Count this process's file handles."""
    return len(os.listdir("/proc/self/fd"))


def make_dongles(folder: Path, speed: float) -> None:
    """Compile the stand-in and plug two dongles in."""
    compiler = shutil.which("cc") or sys.exit("endurance: there is no C compiler.")
    words = ["-std=c11", "-D_GNU_SOURCE", "-O2", "-shared", "-fPIC"]
    library = folder / "librtlsdr.so"
    subprocess.run([compiler, *words, "-o", str(library), str(SOURCE)], check=True)
    number = np.arange(1 << 20)
    codes = np.stack([number & 255, (number >> 8) & 255], axis=1).astype(np.uint8)
    codes.tofile(folder / "stream.cu8")
    for index in (0, 1):
        (folder / str(index)).mkdir()
        lines = f"serial 0000010{index + 1}", f"stream {folder / 'stream.cu8'}", "repeat 1"
        text = "\n".join([*lines, f"fast {(speed - 1.0) * 1e6:.0f}", ""])
        (folder / str(index) / "dongle").write_text(text, encoding="utf-8")
    os.environ["STAND_IN_DONGLES"] = str(folder)
    os.environ["LD_LIBRARY_PATH"] = str(folder)


def stream(hours: float) -> bool:
    """Stream for so many hours of samples; print how it goes, give whether nothing grew."""
    sys.path.insert(0, str(ROOT))
    from harness.instruments.dongle import Settings
    from harness.instruments.dongles import DongleSource

    settings = [
        Settings(role=role, serial=serial, sample_rate_hz=RATE_HZ, centre_hz=153.785e6, gain_db=0.0)
        for role, serial in (("input", "00000101"), ("output", "00000102"))
    ]
    total_s, done_s, counted = hours * 3600.0, 0.0, 0
    quarters = iter([0.0, 0.25, 0.5, 0.75, 1.0])
    due_s = next(quarters) * total_s
    found: list[tuple[float, int]] = []
    begun_s = time.monotonic()
    print("  hours  RSS MB  files  threads    samples     lost  seconds")
    with DongleSource(settings, warm_up_s=0.1) as source:
        while done_s < total_s:
            take_s = min(TAKE_S, total_s - done_s)
            source.start()
            at_s = 0.0
            while at_s < take_s:
                at_s = min(at_s + READ_S, take_s)
                for blocks in source.read(at_s).values():
                    counted += sum(len(block.samples) for block in blocks)
                # The first line when all that is used has been used once.
                if done_s + at_s >= max(due_s, READ_S):
                    gc.collect()
                    found.append((resident_mb(), open_files()))
                    lost = sum(source.lost_samples.values())
                    print(
                        f"{(done_s + at_s) / 3600.0:7.2f} {found[-1][0]:7.1f} {found[-1][1]:6d}"
                        f" {threading.active_count():8d} {counted:10.3e} {lost:8d}"
                        f" {time.monotonic() - begun_s:8.0f}",
                        flush=True,
                    )
                    due_s = next(quarters, 2.0) * total_s
            source.stop()
            done_s += take_s
    threads = threading.active_count()
    print(f"closed: {open_files()} files, {threads} thread(s)")
    grew_mb = found[-1][0] - found[0][0]
    print(f"grew by {grew_mb:+.1f} MB from first to last")
    return grew_mb <= MOST_MB and found[-1][1] <= found[0][1] and threads == 1


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--speed", type=float, default=100.0)
    words = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        make_dongles(Path(folder), words.speed)
        if not stream(words.hours):
            sys.exit(1)


if __name__ == "__main__":
    main()
