"""The end of a text file that another program appends to, whatever that program does to it.

==========================  =================================================================
what happens                what is given
==========================  =================================================================
a line half written         nothing of it, until its line feed is there
cut short, or written anew  all its lines, from the first one on; told as begun anew
moved away, a new one there  the same
gone, or not to be read     nothing; told as gone, until it is there again
==========================  =================================================================
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

LATEST_BYTES = 65_536
"""Read from the end at first. Chosen: some hundred rows."""
MOST_BYTES = 4 << 20
"""Read at a time. Chosen: what a quick logger writes in hours; of more the end is enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Whole lines that are new; ``is_anew`` where the first of them is the first of the file."""

    lines: tuple[bytes, ...] = ()
    is_anew: bool = False
    is_gone: bool = False


class CsvTail:
    """Follows a file.

    Parameters
    ----------
    path : the file; need not be there yet
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.first_line = b""
        """Of the file as it is now; a header, if it has one."""
        self._at = 0
        self._file: tuple[int, int] | None = None
        self._rest = b""
        self._in_line = False

    def read(self) -> Lines:
        """Give what has come since the last time."""
        try:
            with self.path.open("rb") as file:
                state = os.fstat(file.fileno())
                here = (state.st_dev, state.st_ino)
                is_anew = here != self._file or state.st_size < self._at
                if is_anew:
                    self._begin(file.readline(LATEST_BYTES), state.st_size)
                    if not self.first_line:
                        return Lines()
                    self._file = here
                file.seek(self._at)
                raw = file.read(MOST_BYTES)
                self._at = file.tell()
        except OSError:
            self._file = None
            return Lines(is_gone=True)
        whole, feed, self._rest = (self._rest + raw).rpartition(b"\n")
        if len(self._rest) > LATEST_BYTES:
            # No row is so long: something else is being written here.
            self._rest = b""
        lines = whole.split(b"\n") if feed else []
        if lines and self._in_line:
            # The beginning of the first is not known.
            del lines[0]
            self._in_line = False
        given = tuple(line for line in lines if line.strip(b"\0 \r"))
        return Lines(lines=given, is_anew=is_anew)

    def _begin(self, first: bytes, size: int) -> None:
        """Begin with a file: after its first line, or near its end where that is far."""
        self._rest, self._in_line = b"", False
        self.first_line = first if first.endswith(b"\n") else b""
        self._at = len(self.first_line)
        if size - self._at > LATEST_BYTES:
            self._at = size - LATEST_BYTES
            self._in_line = True
