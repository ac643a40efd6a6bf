"""Outcomes kept from run to run: an interrupted run goes on where it was.

A signal's outcomes are kept beside the digests of what they hang on: every file of the checkout
that the workers had loaded (which names all that those files can load), the tables, the Python
and the libraries. A change of any of it, down to a comment, discards them.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path

from benchmarks.accuracy.trial import Outcome, Truth

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / ".cache" / "accuracy"
CODE = ("harness", "tests", "benchmarks")
TABLES = "harness/data"
LIBRARIES = ("numpy", "scipy", "numba")


def libraries() -> str:
    """Say what runs the trials."""
    return " ".join([platform.python_version(), platform.machine(), *map(version, LIBRARIES)])


def digests(root: Path = ROOT, folders: Sequence[str] = CODE) -> dict[str, str]:
    """Give the digest of every file that outcomes may hang on, by its name in the checkout."""
    return {
        path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for folder in folders
        for path in sorted((root / folder).rglob("*"))
        if path.is_file() and "__pycache__" not in path.parts
    }


class Kept:
    """Outcomes of signals on disk, given back while all that they hang on is as it was.

    Parameters
    ----------
    now : ``digests()``, taken before any of the code was loaded
    folder : where they are kept, if not in the checkout's cache
    """

    def __init__(self, now: Mapping[str, str], folder: Path | None = None) -> None:
        self._folder = folder or FOLDER
        self._folder.mkdir(parents=True, exist_ok=True)
        self._now = now

    def read(self, signal: str, draws: int) -> list[list[Outcome]] | None:
        """Give a signal's outcomes, a list for each reading; None where there are none."""
        try:
            kept = json.loads(self._path(signal, draws).read_text(encoding="utf-8"))
        except FileNotFoundError:
            return None
        if kept["libraries"] != libraries() or kept["hangs_on"] != self._hangs_on(kept["files"]):
            return None
        return [[_outcome(fields) for fields in column] for column in kept["columns"]]

    def write(
        self,
        signal: str,
        draws: int,
        columns: Sequence[Sequence[Outcome]],
        files: Iterable[str],
    ) -> None:
        """Keep a signal's outcomes and what they hang on: all, or after an interruption none."""
        path = self._path(signal, draws)
        new = path.with_suffix(".new")
        kept = {
            "libraries": libraries(),
            "files": sorted(files),
            "hangs_on": self._hangs_on(files),
            "columns": [[asdict(one) for one in column] for column in columns],
        }
        new.write_text(json.dumps(kept), encoding="utf-8")
        os.replace(new, path)

    def _hangs_on(self, files: Iterable[str]) -> dict[str, str | None]:
        tables = {name for name in self._now if name.startswith(f"{TABLES}/")}
        return {name: self._now.get(name) for name in sorted(tables | set(files))}

    def _path(self, signal: str, draws: int) -> Path:
        name = hashlib.sha256(signal.encode()).hexdigest()[:16]
        return self._folder / f"{name}-{draws}.json"


def _outcome(fields: dict[str, object]) -> Outcome:
    truth = Truth(**fields.pop("truth"))  # type: ignore[arg-type]
    return Outcome(truth=truth, **fields)  # type: ignore[arg-type]
