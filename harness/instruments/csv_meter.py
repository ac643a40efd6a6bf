"""A meter whose readings another program appends to a CSV file.

What it shows is the newest row, as long as that is young enough. How old a row is, its own time
tells, by the logger's clock, which the bench file says is UTC or that of the place; where no column
holds a time, it counts from when the row was first seen here, so it may be older than that. Voltage
and current may come in different rows: each has its own age. What is too old, cannot be read or
lies ahead of the clock is NaN. Nothing is carried on, nothing guessed; what was wrong is told once
(``news``), and once more when it is over.
"""

from __future__ import annotations

import csv
import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from harness.describe import MeterDescription
from harness.describe.document import nearest
from harness.devices import SupplyReading
from harness.errors import BadInput
from harness.instruments.csv_tail import CsvTail

DELIMITERS = "\t;|,"
AHEAD_S = 5.0
"""A row so far ahead of the clock has a wrong time. Chosen: clocks set by NTP differ by less."""
STALE_S = 60.0
"""Where the bench file says nothing. Chosen: several intervals of a usual logger."""
MOST = 1e4
"""Beyond it, either way, a cell is a mistake or stands for "none". Chosen."""
EPOCH_S = 1e8
"""Numbers above it are seconds since 1970. Chosen: 1973."""
QUANTITIES = ("voltage_v", "current_a", "temperature_degc")


@dataclass(frozen=True, slots=True)
class Shown:
    """A value and when it was so, by the clock that counts here."""

    value: float
    at_s: float


class CsvMeter:
    """The newest rows of a CSV file; satisfies ``harness.devices.LaggingMeter``.

    Parameters
    ----------
    described : of the bench file, its file found
    utc_s : gives the seconds since 1970
    counted_s : gives the seconds of a clock that nobody sets

    Raises
    ------
    BadInput : the file is not there, or has no such column.
    """

    def __init__(
        self,
        described: MeterDescription,
        *,
        utc_s: Callable[[], float] = time.time,
        counted_s: Callable[[], float] = time.monotonic,
    ) -> None:
        if described.file is None or described.columns is None:
            raise ValueError(f"{described=} names no file")
        self._described = described
        self._where = described.file
        self._stale_s = STALE_S if described.stale_s is None else described.stale_s
        self._utc_s, self._counted_s = utc_s, counted_s
        self._tail = CsvTail(described.file)
        self._asked = described.columns.asked
        self._places: dict[str, int] = {}
        self._delimiter = ","
        self._latest: dict[str, Shown] = {}
        self._news: list[str] = []
        self._wrong: dict[str, bool] = {}
        self._unread = 0
        self._take(first=True)

    @property
    def identity(self) -> str:
        """What it is, for the record."""
        columns = ", ".join(f"{name} = {theirs}" for name, theirs in self._asked.items())
        return f"CSV file {self._where.name}, columns {columns}"

    def read_supply(self) -> SupplyReading:
        """Give what the newest rows show, where they are no older than the bench file allows."""
        return self.read_supply_within(self._stale_s)

    def read_supply_within(self, seconds: float) -> SupplyReading:
        """Give what rows of the last ``seconds`` show; never what is stale by the bench file."""
        self._take()
        now_s = self._counted_s()
        ages_s = {name: now_s - shown.at_s for name, shown in self._latest.items()}
        wanted = [name for name in QUANTITIES if name in self._asked]
        youngest_s = min((ages_s.get(name, math.inf) for name in wanted), default=math.inf)
        self._tell(
            "stale",
            youngest_s > self._stale_s,
            f"no row within {self._stale_s:g} s; what it would show is left blank.",
            "rows come again.",
        )
        within_s = min(seconds, self._stale_s)
        values = {
            name: self._latest[name].value if ages_s.get(name, math.inf) <= within_s else math.nan
            for name in QUANTITIES
        }
        return SupplyReading(**values)

    def news(self) -> list[str]:
        """Give what has been wrong since the last time, a sentence each."""
        news, self._news = self._news, []
        return news

    def _take(self, *, first: bool = False) -> None:
        """Read what has come."""
        new = self._tail.read()
        if first and new.is_gone:
            raise BadInput(
                "there is no such file, or it cannot be read",
                str(self._where),
                "Start the logger first.",
            )
        self._tell("gone", new.is_gone, "is gone.", "is there again.")
        seen_s = self._counted_s()
        if first:
            # Its last row came no later than the file was changed last.
            seen_s -= max(self._utc_s() - self._where.stat().st_mtime, 0.0)
        if new.is_anew:
            self._choose(seen_s, refuses=first)
            if not first:
                self._news.append(f"{self._where.name}: was begun anew; read from its beginning.")
        unread = self._unread
        for line in new.lines:
            self._row(line, seen_s)
        if self._unread > unread:
            count = self._unread - unread
            rows = (
                "1 row cannot be read and is"
                if count == 1
                else f"{count} rows cannot be read and are"
            )
            self._news.append(f"{self._where.name}: {rows} left out.")

    def _choose(self, seen_s: float, *, refuses: bool) -> None:
        """Find the columns by the first line of the file."""
        header = self._tail.first_line.decode("utf-8-sig", errors="replace").strip()
        titles: list[str] = []
        # A comma may be the decimal sign of a file that is cut by something else.
        for delimiter in [each for each in DELIMITERS if each in header] or [","]:
            self._delimiter = delimiter
            titles = [cell.strip() for cell in next(csv.reader([header], delimiter=delimiter))]
            self._places = _places(self._asked, titles)
            if len(self._places) == len(self._asked):
                break
        missing = [str(theirs) for name, theirs in self._asked.items() if name not in self._places]
        if missing and refuses:
            guess = nearest(missing[0], titles)
            hint = f'did you mean "{guess}"?' if guess else f"there are {', '.join(titles)}"
            raise BadInput(
                f'has no column "{missing[0]}"; {hint}',
                str(self._where),
                "Correct [meter.columns] of the bench file.",
            )
        self._tell("columns", bool(missing), f"has no column {', '.join(missing)} any more.", "")
        if all(isinstance(theirs, int) for theirs in self._asked.values()):
            # By number, the first line may be a row.
            self._row(self._tail.first_line, seen_s, is_first=True)

    def _row(self, line: bytes, seen_s: float, *, is_first: bool = False) -> None:
        """Take a row; one that cannot be read is counted."""
        try:
            cells = next(csv.reader([line.decode("utf-8")], delimiter=self._delimiter))
            at_s = self._time(cells, seen_s)
            for name in QUANTITIES:
                if name in self._places and (cell := cells[self._places[name]].strip()):
                    self._show(name, self._number(cell), at_s)
        except (ValueError, IndexError, StopIteration, csv.Error):
            self._unread += not is_first

    def _show(self, name: str, value: float, at_s: float) -> None:
        """Keep a value, unless a newer one is known: rows may be out of order."""
        before = self._latest.get(name)
        if before is None or at_s >= before.at_s:
            self._latest[name] = Shown(value, at_s)

    def _time(self, cells: list[str], seen_s: float) -> float:
        """Give when a row was so, by the clock that counts here."""
        if "time" not in self._places:
            return seen_s
        moment_s = _seconds(cells[self._places["time"]].strip(), self._described.clock)
        age_s = self._utc_s() - (moment_s - (self._described.clock_error_s or 0.0))
        ahead = age_s < -AHEAD_S
        self._tell(
            "ahead",
            ahead,
            f"its clock is {-age_s:.0f} s ahead, so its rows are left out; correct it, or give"
            " clock_error_s or clock in [meter].",
            "its clock is right again.",
        )
        return self._counted_s() - (math.inf if ahead else max(age_s, 0.0))

    def _number(self, cell: str) -> float:
        """Read a number, with a decimal comma too."""
        value = float(cell.replace(",", "."))
        if not abs(value) <= MOST:
            raise ValueError(f"{cell} is no reading")
        return value

    def _tell(self, what: str, is_wrong: bool, begun: str, over: str) -> None:
        """Have something told when it begins to be wrong, and when that is over."""
        was = self._wrong.get(what, False)
        self._wrong[what] = is_wrong
        if is_wrong != was and (text := begun if is_wrong else over):
            self._news.append(f"{self._where.name}: {text}")


def _places(asked: Mapping[str, str | int], titles: list[str]) -> dict[str, int]:
    """Give where the columns that are asked for stand in a row, of those that are there."""
    places = {}
    for name, theirs in asked.items():
        if isinstance(theirs, int) and theirs <= len(titles):
            places[name] = theirs - 1
        elif theirs in titles:
            places[name] = titles.index(str(theirs))
    return places


def _seconds(cell: str, clock: str | None) -> float:
    """Give the seconds since 1970 of a cell with a time; one without a zone is of ``clock``.

    Raises
    ------
    ValueError : it is none.
    """
    try:
        seconds = float(cell)
    except ValueError:
        moment = datetime.fromisoformat(cell.replace("/", "-"))
        if moment.tzinfo is None and clock != "local":
            moment = moment.replace(tzinfo=UTC)
        # Python takes what has no zone for the time of this place.
        return moment.timestamp()
    if not EPOCH_S <= seconds < math.inf:
        raise ValueError(f"{cell} is no time of day")
    return seconds
