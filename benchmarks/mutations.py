"""Plant a fault in a copy of the checkout, run the tests that ought to see it, tell if they do.

The faults stand in ``mutations.toml``: a wrong sign, a factor of two, decibels for a ratio. Run
from the checkout: ``PYTHONPATH=. .venv/bin/python -m benchmarks.mutations [WORD ...]``. A test file
is run whole without a fault first: a red one would catch everything.
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
            if text.count(fault["old"]) != 1:
                raise SystemExit(f"{fault['file']}: {fault['old']!r} stands there not just once")
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
    files = sorted({test for fault in chosen for test in fault["tests"]})
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for file, (red, first) in zip(
            files, pool.map(lambda name: is_red([name], None), files), strict=True
        ):
            if red:
                raise SystemExit(f"{file} is red without a fault: {first}")
        results = list(pool.map(lambda fault: is_red(fault["tests"], fault), chosen))
    print("| where | planted | seen by |\n|---|---|---|")
    survived = 0
    for fault, (red, first) in zip(chosen, results, strict=True):
        survived += not red
        print(f"| {fault['file']} | {fault['what']} | {first if red else '**nothing**'} |")
    print(f"\n{len(chosen) - survived} of {len(chosen)} seen.")
    sys.exit(1 if survived else 0)


if __name__ == "__main__":
    main()
