"""Battery logs out: one row at a time, on the disk before anything else happens.

What ``append`` has returned for is there after a power cut. A row that the cut tore in half has
no line feed at its end; resuming cuts it off.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path

from harness.closing import Closing
from harness.errors import Damaged
from harness.recordings.files import file_size, reading, require_new, sync_folder, write_fault
from harness.recordings.log_columns import TIME_S, VALUES
from harness.recordings.logs import LOG_FIELDS
from harness.recordings.utc import utc_text

_HEADER = ",".join(LOG_FIELDS) + "\n"
_TAIL_BYTES = 65_536
"""Read from the end on resuming; a row has at most some 300 bytes."""


class BatteryLogWriter(Closing):
    """Write a battery log; a context manager.

    Parameters
    ----------
    path : the CSV file
    resume : go on with the log where there is one already; without, such a name is refused
    start_utc : time of ``time_s`` = 0, with a time zone, for the column of times; None leaves
        it blank

    Raises
    ------
    BadInput : the name is taken, or cannot be written
    Damaged : the log to resume is not one of ours
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        resume: bool = False,
        start_utc: datetime | None = None,
    ) -> None:
        if start_utc is not None and start_utc.tzinfo is None:
            raise ValueError(f"{start_utc=} has no time zone")
        self.path = Path(path)
        self.cautions: tuple[str, ...] = ()
        self.last_time_s: float | None = None
        self._start_utc = start_utc
        there = os.path.lexists(self.path)
        if there and resume:
            self._end = self._whole_rows()
        else:
            require_new(self.path)
            self._end = 0
        try:
            self._file = open(self.path, "r+b" if there else "xb", buffering=0)
            self._file.truncate(self._end)
            self._file.seek(self._end)
            if not self._end:
                self._put(_HEADER.encode())
            os.fsync(self._file.fileno())
            sync_folder(self.path.parent)
        except OSError as fault:
            raise write_fault(fault, self.path, "Nothing was logged.") from fault

    def append(self, row: Mapping[str, float | None]) -> None:
        """Write a row; it is on the disk when this returns.

        Parameters
        ----------
        row : ``time_s`` and any of the names of ``LogTable``; NaN, None or absent is blank

        Raises
        ------
        HardwareFault : it could not be written; the rows before it are whole
        """
        if self._file.closed:
            raise ValueError(f"{self.path.name} is closed")
        if unknown := set(row) - {TIME_S, *VALUES}:
            raise ValueError(f"{sorted(unknown)} are no columns of a battery log")
        time_s = row.get(TIME_S)
        if time_s is None or not math.isfinite(time_s):
            raise ValueError(f"{time_s=} in a row of a battery log")
        cells = [self._time(time_s), repr(float(time_s)), *(_cell(row.get(n)) for n in VALUES)]
        try:
            self._put((",".join(cells) + "\n").encode())
            os.fsync(self._file.fileno())
        except OSError as fault:
            self._file.truncate(self._end)
            self._file.seek(self._end)
            raise write_fault(fault, self.path, "All rows before are kept.") from fault
        self._end = self._file.tell()
        self.last_time_s = float(time_s)

    def close(self) -> None:
        """Close the file; may be called again."""
        self._file.close()

    def _time(self, time_s: float) -> str:
        if self._start_utc is None:
            return ""
        return utc_text(self._start_utc + timedelta(seconds=time_s))

    def _put(self, raw: bytes) -> None:
        view = memoryview(raw)
        while view:
            view = view[self._file.write(view) :]

    def _whole_rows(self) -> int:
        """Give the length of the log without a torn last row; note the last time."""
        size = file_size(self.path)
        with reading(self.path), self.path.open("rb") as file:
            head = file.read(len(_HEADER))
            file.seek(max(0, size - _TAIL_BYTES))
            tail = file.read()
        header = _HEADER.encode()
        if head != header:
            if header.startswith(head):
                # Cut before the first row: nothing was logged yet.
                return 0
            raise Damaged(
                "is not a log of this bench", str(self.path), "Start a new one under another name."
            )
        # After a power cut some file systems fill the end with zero bytes.
        whole = tail.rstrip(b"\0")
        whole = whole[: whole.rfind(b"\n") + 1]
        torn = len(tail) - len(whole)
        if torn:
            self.cautions = (f"{self.path.name}: a torn last row ({torn} bytes) was cut off",)
        if not whole:
            raise Damaged("has no row end near its end", str(self.path), "Look at it in an editor.")
        last = whole.splitlines()[-1] if size - torn > len(header) else b""
        if last:
            try:
                self.last_time_s = float(last.split(b",")[LOG_FIELDS.index(TIME_S)])
            except (ValueError, IndexError):
                raise Damaged(
                    "its last row has no time", str(self.path), "Correct it in an editor."
                ) from None
        return size - torn


def _cell(value: float | None) -> str:
    if value is None or math.isnan(value):
        return ""
    if math.isinf(value):
        raise ValueError(f"{value=} in a row of a battery log")
    return repr(float(value))
