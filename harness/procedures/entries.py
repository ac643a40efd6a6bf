"""What the operator typed, one line an entry, on the disk before anything is made of it.

A line is a time, the question and the answer. Nothing is taken back: an answer that was typed
again stands below the first, and the last one counts.
"""

from __future__ import annotations

import csv
import io
import os
from datetime import UTC, datetime
from pathlib import Path

from harness.errors import BadInput, Damaged
from harness.procedures.appended import AppendedLines
from harness.recordings.utc import utc_text

HEADER = ("time_utc", "question", "answer")


class Entries:
    """A file of entries; satisfies ``harness.devices.Memory``.

    Parameters
    ----------
    path : the CSV file, made with the first entry
    resume : go on with the file where there is one; without, such a name is refused

    Raises
    ------
    BadInput : the name is taken. Damaged : it is no file of entries.
    """

    def __init__(self, path: Path, *, resume: bool = False) -> None:
        self.path = path
        self.kept = 0
        self._resumes = resume
        self._earlier: dict[str, str] = {}
        self._lines = AppendedLines(path)
        if resume and os.path.lexists(path):
            self._read()
        elif os.path.lexists(path):
            raise BadInput(
                "is there already and is not overwritten", str(path), "Give another name."
            )

    @property
    def resuming(self) -> str:
        """What to do to go on after an end."""
        if not self.kept and not self._earlier:
            return "Nothing had been typed yet."
        kept = f"What was typed is kept in {self.path}"
        if not self._resumes:
            return f"{kept}."
        return f"{kept}; start the same command again and it goes on from there."

    def keep(self, question: str, answer: str) -> None:
        """Append an entry; it is on the disk when this returns.

        Raises
        ------
        HardwareFault : it could not be written; the entries before it are whole
        """
        rows = [(utc_text(datetime.now(UTC)), question, answer)]
        if self._lines.is_empty:
            rows.insert(0, HEADER)
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerows(rows)
        self._lines.append(text.getvalue().encode())
        self.kept += 1

    def recall(self, question: str) -> str | None:
        """Give the last answer of an earlier run, once: asked again, it is to be typed again."""
        return self._earlier.pop(question, None)

    def _read(self) -> None:
        try:
            rows = list(csv.reader(io.StringIO(self._lines.read().decode()), strict=True))
        except (UnicodeDecodeError, csv.Error):
            rows = [[]]
        if rows and (tuple(rows[0]) != HEADER or any(len(row) != len(HEADER) for row in rows)):
            raise Damaged(
                "is no file of entries", str(self.path), "Name another file, or correct it."
            )
        torn = self.path.read_bytes().strip(b"\0") if not rows else b""
        if not ",".join(HEADER).encode().startswith(torn):
            raise Damaged("is no file of entries", str(self.path), "Name another file.")
        self._earlier = {question: answer for _, question, answer in rows[1:]}


class NoMemory:
    """Keeps nothing: for a bench that nobody types anything at."""

    resuming = "Start the same command again."

    def keep(self, question: str, answer: str) -> None:
        """Keep nothing."""

    def recall(self, question: str) -> str | None:
        """Know nothing."""
        return None
