"""Plant a fault in a copy of the checkout, run the tests that ought to see it, tell if they do.

The faults stand in ``mutations.toml``: a wrong sign, a factor of two, decibels for a ratio. Run
from the checkout: ``PYTHONPATH=. .venv/bin/python -m benchmarks.mutations [WORD ...]``. A test file
is run whole without a fault first: a red one would catch everything, and is left out.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TABLE = Path(__file__).with_suffix(".toml")
LEFT_OUT = shutil.ignore_patterns(".git", ".venv*", "captures", "__pycache__", ".*_cache")


def is_red(tests: list[str], fault: dict[str, str] | None) -> tuple[bool, str]:
    """Run tests in a copy that holds the fault: whether they fail, and the first that does."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "checkout"
        shutil.copytree(ROOT, copy, ignore=LEFT_OUT)
        if fault is not None:
            file = copy / fault["file"]
            text = file.read_text(encoding="utf-8")
            file.write_text(text.replace(fault["old"], fault["new"]), encoding="utf-8")
        command = [sys.executable, "-P", "-m", "pytest", "-q", "-x", "-n0", "--tb=no", "-rf"]
        done = subprocess.run(
            [*command, "-p", "no:cacheprovider", *tests],
            cwd=copy,
            env={**os.environ, "PYTHONPATH": str(copy), "OPENBLAS_NUM_THREADS": "1"},
            capture_output=True,
            text=True,
            check=False,
        )
        named = [line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
        first = named[0].split(" - ")[0].split("::", 1)[-1] if named else ""
        if done.returncode not in (0, 1):
            raise SystemExit(f"pytest ended with {done.returncode}: {done.stdout[-500:]}")
        return done.returncode == 1, first


def main() -> None:
    """Print a table of what was planted and what saw it; status 1 when something survived."""
    words = sys.argv[1:]
    faults = tomllib.loads(TABLE.read_text(encoding="utf-8"))["fault"]
    chosen = [f for f in faults if not words or any(word in str(f) for word in words)]
    for fault in chosen:
        if (ROOT / fault["file"]).read_text(encoding="utf-8").count(fault["old"]) != 1:
            raise SystemExit(f"{fault['file']}: {fault['old']!r} stands there not just once")
    files = sorted({test for fault in chosen for test in fault["tests"]})
    print("| where | planted | seen by |\n|---|---|---|", flush=True)
    unseen = 0
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        whole = zip(files, pool.map(lambda name: is_red([name], None), files), strict=True)
        # What hangs on time may be red on a busy machine: once more, with nothing beside it.
        red = {file: first for file, (is_so, first) in whole if is_so}
        red = {file: first for file in red for is_so, first in [is_red([file], None)] if is_so}
        sound = [fault for fault in chosen if not red.keys() & set(fault["tests"])]
        results = pool.map(lambda fault: is_red(fault["tests"], fault), sound)
        for fault, (seen, first) in zip(sound, results, strict=True):
            unseen += not seen
            by = first if seen else "**nothing**"
            print(f"| {fault['file']} | {fault['what']} | {by} |", flush=True)
    for file, first in red.items():
        print(f"\n{file} is red without a fault, so nothing was planted for it: {first}")
    print(f"\n{len(sound) - unseen} of {len(chosen)} seen, {len(chosen) - len(sound)} not planted.")
    sys.exit(1 if unseen or red else 0)


if __name__ == "__main__":
    main()
