"""What was typed, checked: frequencies, spans, columns, files that are no battery log."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, get_args

from harness.errors import BadInput
from harness.units import LEAST_CARRIER_HZ, mhz_in_words

if TYPE_CHECKING:
    from harness.procedures.battery_ends import PowerLimit
    from harness.results.wanted import Wanted

MOST_LEVELS = 1000
"""Chosen: more is a slip in the step."""
MOST_POWER = 1000.0
"""In dB or W. Chosen: no drop of a small repeater's power is as deep, and none has as much."""
_PREFIXES = {"k": "e3", "m": "e6", "g": "e9"}
_PREFIXED = re.compile(r"\s*([+-]?[\d.]+)\s*([kmg])(hz)?\s*", re.IGNORECASE)


def number_hz(text: str | None, option: str) -> float | None:
    """Read a number in Hz; None where nothing was said.

    Raises
    ------
    BadInput : it is no number; where it ends in k, M or G, how to write it instead.
    """
    if text is None:
        return None
    try:
        return float(text)
    except ValueError:
        pass
    prefixed = _PREFIXED.fullmatch(text)
    remedy = "Give it in Hz, such as 153.825e6."
    if prefixed:
        remedy = f"Write it in Hz: {prefixed[1]}{_PREFIXES[prefixed[2].lower()]}."
    raise BadInput(f"{text!r} is not a plain number", option, remedy)


def carrier_hz(text: str | None, option: str) -> float | None:
    """Read a radio frequency in Hz; 0 is a recording without one.

    Raises
    ------
    BadInput : it is no number, or so low that MHz or kHz was meant.
    """
    value = number_hz(text, option)
    if value is None or text is None or not 0.0 < abs(value) < LEAST_CARRIER_HZ:
        return value
    hint = f"; {value:.12g} MHz is {value:.12g}e6" if value >= 1.0 else ""
    raise BadInput(
        f"{text} Hz is no radio frequency of this bench (it begins at"
        f" {mhz_in_words(LEAST_CARRIER_HZ)})",
        option,
        f"Give it in Hz{hint}.",
    )


def span_s(text: str | None, option: str = "--span") -> tuple[float, float] | None:
    """Read FROM:TO in seconds; an end that is left out is that of the recording.

    Raises
    ------
    BadInput : it is none.
    """
    if text is None:
        return None
    begin, colon, end = text.partition(":")
    try:
        if colon:
            return float(begin or 0.0), float(end or "inf")
    except ValueError:
        pass
    raise BadInput(f"{text!r} is no span", option, "Write FROM:TO in seconds, such as 0.5:2.5.")


def levels_dbm(text: str, option: str) -> list[float]:
    """Read FROM:TO:STEP in dBm; both ends included, down as well as up.

    Raises
    ------
    BadInput : it is none, or names more than ``MOST_LEVELS``.
    """
    parts = text.split(":")
    try:
        first, last, step = (float(part) for part in parts)
    except ValueError:
        step = first = last = math.nan
    span = abs(last - first)
    if not (math.isfinite(span) and math.isfinite(step) and step != 0.0):
        raise BadInput(
            f"{text!r} is no row of levels", option, "Write FROM:TO:STEP, such as -120:-80:10."
        )
    count = int(span / abs(step) + 1e-9) + 1
    if count > MOST_LEVELS:
        raise BadInput(f"{count} levels are asked for", option, f"Give {MOST_LEVELS} at most.")
    sign = -1.0 if last < first else 1.0
    return [round(first + sign * number * abs(step), 6) for number in range(count)]


def frequencies_hz(text: str, option: str) -> list[float]:
    """Read frequencies in Hz with commas between.

    Raises
    ------
    BadInput : one is no number.
    """
    return [value for part in text.split(",") if (value := number_hz(part, option)) is not None]


def numbers(text: str, option: str) -> list[float]:
    """Read finite numbers with commas between.

    Raises
    ------
    BadInput : one is none.
    """
    try:
        found = [float(part) for part in text.split(",")]
    except ValueError:
        found = [math.nan]
    if not all(math.isfinite(one) for one in found):
        raise BadInput(
            f"{text!r} is no row of numbers", option, "Write them with commas between: -30,-40."
        )
    return found


def require_rate(per_h: float | None, option: str) -> None:
    """Refuse what is no rate that quiet time could prove; None is none.

    Raises
    ------
    BadInput : it is not above 0, or no finite number.
    """
    if per_h is not None and not 0.0 < per_h < math.inf:
        raise BadInput(
            f"{per_h:g} per hour cannot be proven by any quiet time",
            option,
            "Give a number above 0, such as 1.",
        )


_SECONDS = {"": 1.0, "s": 1.0, "m": 60.0, "h": 3600.0}
_DURATION = re.compile(r"\s*([\d.]+)\s*([smh]?)\s*", re.IGNORECASE)
LONGEST_S = 7 * 24 * 3600.0
"""Longest time that is asked for. Chosen: a week."""


def seconds_of(text: str, option: str) -> float:
    """Read a duration such as 90s, 10m or 8h.

    Raises
    ------
    BadInput : it is none, or longer than a week.
    """
    matched = _DURATION.fullmatch(text)
    try:
        seconds = float(matched[1]) * _SECONDS[matched[2].lower()] if matched else 0.0
    except ValueError:
        seconds = 0.0
    if not 0.0 < seconds <= LONGEST_S:
        raise BadInput(f"{text!r} is no time from 0 s to a week", option, "Write 90s, 10m or 8h.")
    return seconds


_POWER = re.compile(r"\s*-?([\d.]+)\s*(dB|W)\s*", re.IGNORECASE)


def power_limit(text: str, option: str) -> PowerLimit:
    """Read a power that ends a battery run, such as 3dB (below its start) or 2W.

    Raises
    ------
    BadInput : it is none, or not above 0.
    """
    from harness.procedures.battery_ends import PowerLimit

    matched = _POWER.fullmatch(text)
    try:
        value = float(matched[1]) if matched else 0.0
    except ValueError:
        value = 0.0
    if not matched or not 0.0 < value < MOST_POWER:
        raise BadInput(
            f"{text!r} is no power to end at", option, "Write 3dB, below the start, or 2W."
        )
    if matched[2].lower() == "w":
        return PowerLimit(watts=value)
    return PowerLimit(below_start_db=value)


def require_above(value: float, least: float, option: str) -> None:
    """Refuse a number that is not above another, or no finite one.

    Raises
    ------
    BadInput : it is not.
    """
    if not least < value < math.inf:
        raise BadInput(f"{value:g} is not above {least:g}", option, "Give a larger number.")


def column_names(text: str | None) -> dict[str, str] | None:
    """Read which columns of a battery log are which.

    Raises
    ------
    BadInput : it does not say so.
    """
    if text is None:
        return None
    remedy = "Write OURS=THEIRS with commas between, such as voltage_v=Battery-2,time_s=every:300."
    named: dict[str, str] = {}
    for part in text.split(","):
        ours, equals, theirs = part.partition("=")
        if not (ours.strip() and equals and theirs.strip()) or (";" in theirs and "=" in theirs):
            raise BadInput(f"{text!r} does not name columns", "--columns", remedy)
        named[ours.strip()] = theirs.strip()
    return named


def require_log(paths: Sequence[Path]) -> None:
    """Refuse what a battery run is not measured from.

    Raises
    ------
    BadInput : there is more than one file, or it is a SigMF recording.
    """
    if len(paths) > 1:
        raise BadInput(
            f"{len(paths)} files are given, and a battery run is measured from one log",
            "RECORDING",
            "Give the battery log, such as battery-log.csv, alone.",
        )
    for path in paths:
        if path.suffix in (".sigmf-meta", ".sigmf-data", ".sigmf-collection"):
            raise BadInput(
                "is a SigMF recording, not a battery log",
                str(path),
                "Give the log of the run (CSV); of this recording measure carrier.",
            )


def wanted_runs(
    unit: str | None, since: str | None, until: str | None, verdicts: Sequence[str] | None
) -> Wanted:
    """Read which runs are wanted.

    Raises
    ------
    BadInput : a day or a verdict is none.
    """
    from harness.readings import Verdict
    from harness.results.wanted import Wanted

    asked = verdicts or ()
    for verdict in asked:
        if verdict not in get_args(Verdict):
            choice = ", ".join(get_args(Verdict))
            raise BadInput(f"no verdict {verdict!r}", "--verdict", f"Choose one of {choice}.")
    return Wanted(
        unit=unit,
        since=None if since is None else day_of(since, "--since"),
        until=None if until is None else day_of(until, "--until", end=True),
        verdicts=tuple(one for one in get_args(Verdict) if one in asked),
    )


def day_of(text: str, option: str, *, end: bool = False) -> datetime:
    """Read a day or a moment in ISO 8601, UTC where no zone is said; ``end``: the day's end.

    Raises
    ------
    BadInput : it is none.
    """
    from harness.results.wanted import moment_of

    try:
        return moment_of(text, end=end)
    except (ValueError, OverflowError) as fault:
        raise BadInput(f"{text!r} is no day", option, "Write 2026-03-14.") from fault


def dated_folder(what: str) -> Path:
    """Name a new folder below captures/ for a run that begins now."""
    return Path("captures") / f"{what}-{datetime.now():%Y%m%d-%H%M%S}"
