"""Outcomes kept from run to run: an interrupted run goes on where it was.

A signal's outcomes are kept under what they hang on: every file of the measuring code, of what
makes the signals and of the trials, the Python and the libraries. A change of any of it, down to
a comment, discards all: which module a trial runs through is not told soundly by anything less.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import shutil
from collections.abc import Sequence
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path

from benchmarks.accuracy.trial import Outcome, Truth

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / ".cache" / "accuracy"
HANG_ON = ("harness", "tests/truth", "tests/measure", "benchmarks/accuracy")
LIBRARIES = ("numpy", "scipy", "numba")


def code_digest(root: Path = ROOT, folders: Sequence[str] = HANG_ON) -> str:
    """Digest of every file that outcomes hang on, and of what runs them."""
    digest = hashlib.sha256()
    for said in (platform.python_version(), platform.machine(), *map(version, LIBRARIES)):
        digest.update(f"{said}\n".encode())
    for folder in folders:
        for path in sorted((root / folder).rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts:
                octets = path.read_bytes()
                name = path.relative_to(root).as_posix()
                digest.update(f"{name} {len(octets)}\n".encode())
                digest.update(octets)
    return digest.hexdigest()


class Kept:
    """Outcomes of signals on disk; those of other code are removed.

    Parameters
    ----------
    digest : str, ``code_digest()``
    folder : where they are kept, if not in the checkout's cache
    """

    def __init__(self, digest: str, folder: Path | None = None) -> None:
        folder = folder or FOLDER
        self._folder = folder / digest[:32]
        if folder.is_dir():
            for other in folder.iterdir():
                if other.is_dir() and other != self._folder:
                    shutil.rmtree(other)
        self._folder.mkdir(parents=True, exist_ok=True)

    def read(self, signal: str, draws: int) -> list[list[Outcome]] | None:
        """Give a signal's outcomes, a list for each reading; None where there are none."""
        try:
            columns = json.loads(self._path(signal, draws).read_text(encoding="utf-8"))
        except FileNotFoundError:
            return None
        return [[_outcome(fields) for fields in column] for column in columns]

    def write(self, signal: str, draws: int, columns: Sequence[Sequence[Outcome]]) -> None:
        """Keep a signal's outcomes: all of them, or after an interruption none."""
        path = self._path(signal, draws)
        new = path.with_suffix(".new")
        text = json.dumps([[asdict(one) for one in column] for column in columns])
        new.write_text(text, encoding="utf-8")
        os.replace(new, path)

    def _path(self, signal: str, draws: int) -> Path:
        name = hashlib.sha256(signal.encode()).hexdigest()[:16]
        return self._folder / f"{name}-{draws}.json"


def _outcome(fields: dict[str, object]) -> Outcome:
    truth = Truth(**fields.pop("truth"))  # type: ignore[arg-type]
    return Outcome(truth=truth, **fields)  # type: ignore[arg-type]
