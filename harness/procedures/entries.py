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
from harness.recordings.files import read_small, sync_folder, write_fault
from harness.recordings.utc import utc_text

HEADER = ("time_utc", "question", "answer")
MOST_BYTES = 16 << 20
"""Chosen: a hundred thousand entries."""


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
        self._earlier: dict[str, str] = {}
        self._end = 0
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
        return (
            f"What was typed is kept in {self.path}; start the same command again and it goes on"
            " from there."
        )

    def keep(self, question: str, answer: str) -> None:
        """Append an entry; it is on the disk when this returns.

        Raises
        ------
        HardwareFault : it could not be written; the entries before it are whole
        """
        rows = [(utc_text(datetime.now(UTC)), question, answer)]
        if not self._end:
            rows.insert(0, HEADER)
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerows(rows)
        raw = text.getvalue().encode()
        try:
            with open(self.path, "r+b" if self._end else "wb", buffering=0) as file:
                file.truncate(self._end)
                file.seek(self._end)
                view = memoryview(raw)
                while view:
                    view = view[file.write(view) :]
                os.fsync(file.fileno())
            if not self._end:
                sync_folder(self.path.parent)
        except OSError as fault:
            raise write_fault(fault, self.path, "All entries before are kept.") from fault
        self._end += len(raw)
        self.kept += 1

    def recall(self, question: str) -> str | None:
        """Give the last answer of an earlier run, once: asked again, it is to be typed again."""
        return self._earlier.pop(question, None)

    def _read(self) -> None:
        raw = read_small(self.path, MOST_BYTES)
        # A power cut may tear the last line, or fill the end with zero bytes.
        whole = raw.rstrip(b"\0")
        whole = whole[: whole.rfind(b"\n") + 1]
        try:
            rows = list(csv.reader(io.StringIO(whole.decode()), strict=True))
        except (UnicodeDecodeError, csv.Error):
            rows = [[]]
        if rows and (tuple(rows[0]) != HEADER or any(len(row) != len(HEADER) for row in rows)):
            raise Damaged(
                "is no file of entries", str(self.path), "Name another file, or correct it."
            )
        if not rows and raw.strip(b"\0") and not b",".join(map(str.encode, HEADER)).startswith(raw):
            raise Damaged("is no file of entries", str(self.path), "Name another file.")
        self._end = len(whole)
        self._earlier = {question: answer for _, question, answer in rows[1:]}


class NoMemory:
    """Keeps nothing: for a bench that nobody types anything at."""

    resuming = "Start the same command again."

    def keep(self, question: str, answer: str) -> None:
        """Keep nothing."""

    def recall(self, question: str) -> str | None:
        """Know nothing."""
        return None
