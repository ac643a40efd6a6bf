"""Battery logs out: one row at a time, on the disk before anything else happens.

What ``append`` has returned for is there after a power cut. A row that the cut tore in half has
no line feed at its end, or holds zero bytes; resuming cuts it off.

``time_s`` is of a clock that nobody sets; the column of times beside it shows the clock of day as
it was, so that a step of that can be seen.
"""

from __future__ import annotations

import contextlib
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
from harness.recordings.whole_lines import whole_length

_HEADER = ",".join(LOG_FIELDS) + "\n"


class BatteryLogWriter(Closing):
    """Write a battery log; a context manager.

    Parameters
    ----------
    path : the CSV file
    resume : go on with the log where there is one already; without, such a name is refused
    start_utc : time of ``time_s`` = 0, with a time zone, for the column of times where a row
        gives none of its own; None leaves it blank

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
        self._times_s: set[float] = set()
        self._start_utc = start_utc
        self._is_torn = False
        there = os.path.lexists(self.path)
        if there and resume:
            self._end = self._whole_rows()
        else:
            require_new(self.path)
            self._end = 0
        kept = "All rows before are kept." if self._end else "Nothing was logged."
        try:
            self._file = open(self.path, "r+b" if there else "xb", buffering=0)
        except OSError as fault:
            raise write_fault(fault, self.path, kept) from fault
        try:
            self._cut_off()
            if not self._end:
                self._put(_HEADER.encode())
                self._end = self._file.tell()
            os.fsync(self._file.fileno())
            sync_folder(self.path.parent)
        except OSError as fault:
            self._file.close()
            raise write_fault(fault, self.path, kept) from fault

    def append(self, row: Mapping[str, float | None], utc: datetime | None = None) -> None:
        """Write a row; it is on the disk when this returns.

        Parameters
        ----------
        row : ``time_s`` and any of the names of ``LogTable``; NaN, None or absent is blank
        utc : its time by the clock of day, with a time zone

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
        if utc is not None and utc.tzinfo is None:
            raise ValueError(f"{utc=} has no time zone")
        time = self._time(time_s) if utc is None else utc_text(utc)
        cells = [time, repr(float(time_s)), *(_cell(row.get(n)) for n in VALUES)]
        try:
            if self._is_torn:
                self._cut_off()
            self._is_torn = True
            self._put((",".join(cells) + "\n").encode())
            os.fsync(self._file.fileno())
        except OSError as fault:
            # What cannot be cut off now, the next row does, or resuming.
            with contextlib.suppress(OSError):
                self._cut_off()
            raise write_fault(fault, self.path, "All rows before are kept.") from fault
        self._is_torn = False
        self._end = self._file.tell()
        self._times_s.add(float(time_s))
        self.last_time_s = max(float(time_s), self.last_time_s or float(time_s))

    def holds(self, time_s: float) -> bool:
        """Whether there is a row of that time."""
        return float(time_s) in self._times_s

    def _cut_off(self) -> None:
        """Cut off what is no whole row that got to the disk."""
        self._file.truncate(self._end)
        self._file.seek(self._end)
        self._is_torn = False

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
        """Give the length of the log without a torn last row; note the times there are."""
        header = _HEADER.encode()
        length, end, last = 0, 0, b""
        with reading(self.path), self.path.open("rb") as file:
            file_size(self.path)
            head = file.read(len(header))
            if head != header:
                if header.startswith(head.rstrip(b"\0")):
                    # Cut before the first row: nothing was logged yet.
                    return 0
                raise Damaged(
                    "is not a log of this bench",
                    str(self.path),
                    "Start a new one under another name.",
                )
            length = end = len(header)
            for line in file:
                length += len(line)
                if whole_length(line) < len(line):
                    continue
                end, last = length, line
                time_s = _time_of(line)
                if time_s is not None:
                    self._times_s.add(time_s)
        if length > end:
            torn = length - end
            self.cautions = (f"{self.path.name}: a torn last row ({torn} bytes) was cut off",)
        if last and _time_of(last) is None:
            raise Damaged("its last row has no time", str(self.path), "Correct it in an editor.")
        self.last_time_s = max(self._times_s, default=None)
        return end


def _time_of(line: bytes) -> float | None:
    try:
        time_s = float(line.split(b",")[LOG_FIELDS.index(TIME_S)])
    except (ValueError, IndexError):
        return None
    return time_s if math.isfinite(time_s) else None


def _cell(value: float | None) -> str:
    if value is None or math.isnan(value):
        return ""
    if math.isinf(value):
        raise ValueError(f"{value=} in a row of a battery log")
    return repr(float(value))
