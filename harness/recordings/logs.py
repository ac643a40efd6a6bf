"""Battery logs in: CSV of ours or of others, put in order and checked."""

from __future__ import annotations

import csv
import hashlib
import io
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from harness.errors import BadInput, Damaged
from harness.recordings.files import read_small
from harness.recordings.log_columns import (
    LARGEST,
    POWER_W,
    STATES,
    TIME,
    TIME_S,
    VALUES,
    Columns,
    choose,
)
from harness.recordings.utc import stepped_s
from harness.recordings.whole_lines import whole_length
from harness.units import FloatArray, dbm_from_w

MOST_BYTES = 256 << 20
"""A log above this is something else; chosen: a week at one row a second takes 60 MB."""
MOST_SECONDS = 6e10
"""Beyond the year 3800 a time is a mistake; chosen."""
LOG_FIELDS = (TIME, TIME_S, *VALUES)
"""The header that ``BatteryLogWriter`` writes."""
_BLANKS = {"", "nan", "null", "none", "na", "n/a", "-", "--"}
_STATES = {"1": 1.0, "0": 0.0, "true": 1.0, "false": 0.0, "on": 1.0, "off": 0.0}
_DELIMITERS = ",;\t|"


@dataclass(frozen=True, slots=True, kw_only=True)
class LogTable:
    """A battery log, sorted by time; float64 arrays of equal length, NaN where blank.

    Parameters
    ----------
    name : file name. sha512 : of the file as it was read
    start_utc : time of the first row, or None where the file has no times of day
    time_s : from the first row
    power_dbm, frequency_error_hz, voltage_v, current_a, temperature_degc, power_uncertainty_db :
        NaN throughout where the file has no such column
    keyed : 1, 0 or NaN
    deviation_hz : of the modulation while keyed
    scheduled : 1 where the run's schedule had the transmitter keyed, 0 where it had not; NaN
        throughout where it was to be keyed all the time
    cautions : what was put right on reading, one plain sentence each
    """

    name: str
    sha512: str
    start_utc: datetime | None
    time_s: FloatArray
    power_dbm: FloatArray
    frequency_error_hz: FloatArray
    keyed: FloatArray
    voltage_v: FloatArray
    current_a: FloatArray
    temperature_degc: FloatArray
    power_uncertainty_db: FloatArray
    deviation_hz: FloatArray
    scheduled: FloatArray
    cautions: tuple[str, ...] = ()


def read_log(
    path: str | os.PathLike[str],
    columns: Mapping[str, str] | None = None,
    *,
    interval_s: float | None = None,
) -> LogTable:
    """Read a battery log from CSV.

    Parameters
    ----------
    columns : our name to the file's, such as ``{"voltage_v": "Battery-2"}``; ours and the plain
        words time, voltage, current, temperature, power (dBm) are known without. Time is a UTC
        date and time (``time``), seconds (``time_s``), or ``time_s: "every:300"``
    interval_s : seconds between rows of a file without times

    Raises
    ------
    BadInput : no such file, a column that is not there, a cell that is no number, no rows
    Damaged : not text

    Notes
    -----
    Rows out of order are put in place, repeated rows dropped, short ones filled with blanks;
    all are counted in ``cautions``. Delimiters: comma, semicolon, tab, bar; with another than
    the comma, a comma may be the decimal sign. Times without a zone are taken as UTC.
    """
    path = Path(path)
    where = str(path)
    raw = read_small(path, MOST_BYTES)
    cautions: list[str] = []
    text = _text(_without_torn_row(raw, cautions), where)
    delimiter, header, rows = _rows(text, where, cautions)
    chosen = choose(header, columns, interval_s, where)
    cautions = [*chosen.cautions, *cautions]
    if not rows:
        raise BadInput("holds no rows", where, "Is it the right file?")
    table = _numbers(rows, chosen, "," if delimiter != "," else "", where)
    epoch_s, seconds = _times(rows, chosen, where)
    if epoch_s is not None and TIME_S in chosen.places:
        cautions += _clock_set(rows, chosen.places[TIME], seconds)
    order, notes = _order(seconds, table)
    seconds = seconds[order]
    start_utc = None
    if epoch_s is not None:
        start_utc = datetime.fromtimestamp(round(epoch_s + float(seconds[0]), 6), UTC)
    by_name = {name: values[order] for name, values in table.items()}
    if POWER_W in by_name:
        by_name["power_dbm"] = _dbm(by_name.pop(POWER_W), where)
    missing = np.full(len(seconds), np.nan)
    return LogTable(
        name=path.name,
        sha512=hashlib.sha512(raw).hexdigest(),
        start_utc=start_utc,
        time_s=seconds - seconds[0],
        cautions=tuple(f"{path.name}: {note}" for note in (*cautions, *notes)),
        **{name: by_name.get(name, missing.copy()) for name in VALUES},
    )


def _without_torn_row(raw: bytes, cautions: list[str]) -> bytes:
    """Leave out of a log of ours what a power cut left of its last row."""
    if raw.split(b"\n", 1)[0] != ",".join(LOG_FIELDS).encode():
        return raw
    whole = raw[: whole_length(raw)]
    if len(whole) < len(raw):
        cautions.append("the last row was torn and is left out")
    lines = whole.splitlines(keepends=True)
    kept = [line for line in lines if _is_text(line)]
    if damaged := len(lines) - len(kept):
        cautions.append(f"{damaged} {_rows_are(damaged)} damaged and left out")
    return b"".join(kept)


def _is_text(line: bytes) -> bool:
    return line.isascii() and b"\0" not in line


def _text(raw: bytes, where: str) -> str:
    if b"\0" in raw:
        raise Damaged("is not UTF-8 text (there are zero bytes)", where, "Save it as UTF-8 CSV.")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = raw[: fault.start].count(b"\n") + 1
        raise Damaged(f"line {line} is not UTF-8 text", where, "Save it as UTF-8 CSV.") from None


def _rows(
    text: str, where: str, cautions: list[str]
) -> tuple[str, list[str], list[tuple[int, list[str]]]]:
    """Give delimiter, header and the rows with their line numbers."""
    if not text.strip():
        raise BadInput("is empty", where, "Is it the right file?")
    first = text.lstrip().split("\n", 1)[0]
    delimiter = max(_DELIMITERS, key=first.count)
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    header: list[str] = []
    rows: list[tuple[int, list[str]]] = []
    short = 0
    try:
        for cells in lines:
            if not any(cell.strip() for cell in cells):
                continue
            if not header:
                header = [cell.strip() for cell in cells]
                continue
            if len(cells) > len(header):
                if any(cell.strip() for cell in cells[len(header) :]):
                    raise BadInput(
                        f"line {lines.line_num} has {len(cells)} cells under {len(header)} names",
                        where,
                        "Correct that line.",
                    )
            elif len(cells) < len(header):
                short += 1
                cells = [*cells, *[""] * (len(header) - len(cells))]
            rows.append((lines.line_num, cells))
    except csv.Error as fault:
        raise BadInput(f"line {lines.line_num}: {fault}", where, "Correct that line.") from fault
    if short:
        cautions.append(f"{short} {_rows_are(short)} shorter than the header; filled with blanks")
    return delimiter, header, rows


def _numbers(
    rows: list[tuple[int, list[str]]], chosen: Columns, decimal: str, where: str
) -> dict[str, FloatArray]:
    table: dict[str, FloatArray] = {}
    for name, place in chosen.places.items():
        if name in (TIME, TIME_S):
            continue
        values = np.full(len(rows), np.nan)
        for position, (line, cells) in enumerate(rows):
            cell = cells[place].strip()
            if cell.lower() not in _BLANKS:
                values[position] = _number(name, cell, decimal, line, where)
        table[name] = values
    return table


def _number(name: str, cell: str, decimal: str, line: int, where: str) -> float:
    if name in STATES:
        number = _STATES.get(cell.lower().removesuffix(".0"), math.nan)
    else:
        try:
            number = float(cell.replace(decimal, ".") if decimal else cell)
        except ValueError:
            number = math.nan
    if not math.isfinite(number):
        wanted = "1 or 0" if name in STATES else "a number"
        raise BadInput(
            f"line {line}: {name} is {cell[:30]!r}, not {wanted}",
            where,
            "Correct it, or leave the cell blank.",
        )
    largest = LARGEST.get(name, math.inf)
    if abs(number) > largest or (name == "power_uncertainty_db" and number < 0.0):
        raise BadInput(
            f"line {line}: {name} is {cell[:30]!r}, which cannot be",
            where,
            "Correct it, or leave the cell blank.",
        )
    return number


def _times(
    rows: list[tuple[int, list[str]]], chosen: Columns, where: str
) -> tuple[float | None, FloatArray]:
    """Give the epoch (UTC, seconds) that the times count from, or None, and the times."""
    if chosen.interval_s is not None:
        return None, np.arange(len(rows), dtype=np.float64) * chosen.interval_s
    seconds = np.empty(len(rows))
    by_clock = TIME_S not in chosen.places
    place = chosen.places[TIME if by_clock else TIME_S]
    plain = by_clock and _is_number(rows[0][1][place])
    for position, (line, cells) in enumerate(rows):
        cell = cells[place].strip()
        try:
            seconds[position] = _clock(cell) if by_clock and not plain else float(cell)
            if not abs(seconds[position]) < MOST_SECONDS:
                raise ValueError
        except (ValueError, OverflowError):
            wanted = "seconds" if plain or not by_clock else "a date and time"
            raise BadInput(
                f"line {line}: the time is {cell[:30]!r}, not {wanted}",
                where,
                "Correct or remove that line.",
            ) from None
    if by_clock and not plain:
        # Small numbers keep microseconds; days since 1970 would not.
        first = seconds[0]
        return float(first), seconds - first
    if TIME in chosen.places:
        try:
            return _clock(rows[0][1][chosen.places[TIME]]) - float(seconds[0]), seconds
        except ValueError:
            pass
    return None, seconds


def _clock_set(rows: list[tuple[int, list[str]]], place: int, seconds: FloatArray) -> list[str]:
    """Say where the clock of day was set while the seconds of a clock that nobody sets went on."""
    found = []
    before: tuple[float, float] | None = None
    for (_, cells), counted_s in zip(rows, seconds.tolist(), strict=True):
        try:
            utc_s = _clock(cells[place])
        except ValueError:
            continue
        if before is not None:
            by_s = stepped_s(utc_s - before[0], counted_s - before[1])
            if by_s:
                found.append(f"by {by_s:+.0f} s before {counted_s:.6g} s")
        before = utc_s, counted_s
    if not found:
        return []
    more = f", {len(found)} times in all" if len(found) > 1 else ""
    return [f"the clock of day was set {found[0]}{more}; times are those of time_s"]


def _clock(cell: str) -> float:
    moment = datetime.fromisoformat(cell.strip().replace("/", "-"))
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return moment.timestamp()


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _order(
    seconds: FloatArray, table: Mapping[str, FloatArray]
) -> tuple[np.ndarray[tuple[int], np.dtype[np.intp]], list[str]]:
    """Give the order of rows by time without repeated ones, and what that changed."""
    late = int(np.count_nonzero(seconds < np.maximum.accumulate(seconds)))
    order = np.argsort(seconds, kind="stable")
    seen: set[tuple[float | None, ...]] = set()
    kept = []
    before = math.nan
    for row in order:
        if seconds[row] != before:
            seen.clear()
            before = seconds[row]
        # A blank equals a blank here, which NaN does not.
        values = tuple(None if math.isnan(v[row]) else float(v[row]) for v in table.values())
        if values not in seen:
            seen.add(values)
            kept.append(row)
    notes = []
    if late:
        notes.append(f"{late} {_rows_are(late)} out of time order; put in place")
    if repeated := len(order) - len(kept):
        notes.append(f"{repeated} {_rows_are(repeated)} repeated; left out")
    return np.array(kept, dtype=np.intp), notes


def _dbm(power_w: FloatArray, where: str) -> FloatArray:
    if (power_w < 0).any():
        raise BadInput("power_w falls below 0 W", where, "Is that column in watts?")
    # 0 W has no level in dBm: the transmitter is off.
    power_w = np.where(power_w == 0, np.nan, power_w)
    return np.asarray(dbm_from_w(power_w), dtype=np.float64)


def _rows_are(count: int) -> str:
    return "row is" if count == 1 else "rows are"
