"""A file of lines that grows: a line is on the disk when ``append`` returns, or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from harness.recordings.files import read_small, sync_folder, write_fault
from harness.recordings.whole_lines import whole_length

MOST_BYTES = 256 << 20
"""Chosen: a million lines, a day and more at a sample a second."""


class AppendedLines:
    """Whole lines at the end of a file.

    Parameters
    ----------
    path : made with the first line
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._end = 0

    @property
    def is_empty(self) -> bool:
        """Whether there is no line yet."""
        return not self._end

    def read(self) -> bytes:
        """Give the whole lines that are there, to go on behind them.

        A power cut may tear the last line, or fill the end with zero bytes: it is cut off with the
        next one. BadInput or Damaged where the file cannot be read.
        """
        raw = read_small(self.path, MOST_BYTES)
        self._end = whole_length(raw)
        return raw[: self._end]

    def append(self, raw: bytes) -> None:
        """Write lines; they are on the disk when this returns.

        Raises
        ------
        HardwareFault : they could not be written; those before are whole
        """
        try:
            with open(self.path, "r+b" if self.path.exists() else "xb", buffering=0) as file:
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
