"""What a worker does: one draw of one trial, and which files it took to do so.

The trials stand in rooms, a module each. A worker of its own room loads nothing of the others, so
the files that its outcomes hang on can be told: the modules it has loaded, and the tables.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from importlib import import_module
from pathlib import Path
from typing import cast

from benchmarks.accuracy.trial import Outcome, Trial, outcome

ROOMS = ("carrier", "audio", "receiver", "spectrum", "timing", "discharge")
ROOT = Path(__file__).resolve().parents[2]


def trials_of(room: str) -> tuple[Trial, ...]:
    """Give the trials of a room."""
    return cast(tuple[Trial, ...], import_module(f"benchmarks.accuracy.{room}").TRIALS)


def run(job: tuple[str, int, int]) -> tuple[list[Outcome], frozenset[str]]:
    """Measure one draw of one trial; an outcome for each truth, and the modules loaded by then."""
    room, number, draw = job
    trial = trials_of(room)[number]
    with tempfile.TemporaryDirectory() as folder:
        findings = trial.measure(draw, Path(folder))
    outcomes = [outcome(truth, findings) for truth in trial.truths_of(draw)]
    return outcomes, loaded_files()


def loaded_files() -> frozenset[str]:
    """Name the files of this checkout that this process has loaded."""
    files = (getattr(module, "__file__", None) for module in list(sys.modules.values()))
    paths = (Path(name) for name in files if name)
    return frozenset(
        path.relative_to(ROOT).as_posix()
        for path in paths
        if path.is_relative_to(ROOT) and ".venv" not in path.parts
    )


def draws_of(
    pool: ProcessPoolExecutor, room: str, number: int, draws: int
) -> tuple[list[list[Outcome]], frozenset[str]]:
    """Measure all draws of a trial; a list for each reading, and the files that it took."""
    jobs = [(room, number, draw) for draw in range(1, draws + 1)]
    done: Sequence[tuple[list[Outcome], frozenset[str]]]
    done = list(pool.map(run, jobs, chunksize=max(draws // 16, 1)))
    columns: Iterator[tuple[Outcome, ...]] = zip(*(outcomes for outcomes, _ in done), strict=True)
    files = frozenset[str]().union(*(each for _, each in done))
    return [list(column) for column in columns], files
