"""The columns of a battery log: our names, the words known for them, and what a map may say."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.errors import BadInput

TIME, TIME_S = "time", "time_s"
POWER_W = "power_w"
POWERS = {"power_dbm", POWER_W}
VALUES = (
    "power_dbm",
    "frequency_error_hz",
    "keyed",
    "voltage_v",
    "current_a",
    "temperature_degc",
    "power_uncertainty_db",
    "deviation_hz",
    "scheduled",
)
"""Columns of ``LogTable`` beside the time; ``power_w`` becomes ``power_dbm``."""
STATES = ("keyed", "scheduled")
"""Columns that hold 1 or 0."""
LARGEST = {
    "power_dbm": 300.0,
    POWER_W: 1e9,
    "frequency_error_hz": 1e9,
    "voltage_v": 1e5,
    "current_a": 1e5,
    "temperature_degc": 1e4,
    "power_uncertainty_db": 100.0,
    "deviation_hz": 1e9,
}
"""Beyond it, either way, a cell is a mistake or stands for "none"; chosen."""
WORDS = {
    "power": "power_dbm",
    "voltage": "voltage_v",
    "current": "current_a",
    "temperature": "temperature_degc",
    "frequency_error": "frequency_error_hz",
}
"""Plain words, in a header or a map, and what they mean."""
EVERY = "every:"
"""A map may give the time as a fixed interval: ``time_s=every:300``."""


@dataclass(frozen=True, slots=True)
class Columns:
    """Where each of ours stands in a row, and the interval where no column has the time."""

    places: Mapping[str, int]
    interval_s: float | None
    cautions: tuple[str, ...]


def choose(
    header: Sequence[str], wanted: Mapping[str, str] | None, interval_s: float | None, where: str
) -> Columns:
    """Match a header with our names.

    Parameters
    ----------
    header : names in the file, stripped
    wanted : our name (or plain word) to the file's; what it does not name is taken by default
    interval_s : between rows, in a file without a time; or by ``every:`` in ``wanted``

    Raises
    ------
    BadInput : a name that is not there, twice there, or not ours; no time; nothing measured
    """
    asked: dict[str, str] = {}
    for ours, theirs in (wanted or {}).items():
        name = _ours(ours)
        if name in (TIME, TIME_S) and theirs.startswith(EVERY):
            if interval_s is not None:
                raise BadInput("the interval is given twice", where, "Give it once.")
            interval_s = _interval(theirs.removeprefix(EVERY))
        elif name in asked:
            raise BadInput(f"{name} is given twice", where, "Name one column for it.")
        else:
            asked[name] = theirs
    if interval_s is not None and not (math.isfinite(interval_s) and interval_s > 0):
        raise BadInput(f"{interval_s:g} s is no interval", where, "Give it in seconds, above 0.")
    places = {name: _place(header, theirs, where) for name, theirs in asked.items()}
    taken = set(places.values())
    cautions = []
    for place, title in enumerate(header):
        word = title.lower()
        name = WORDS.get(word, word)
        known = name in (TIME, TIME_S, POWER_W, *VALUES)
        if not known or name in places or place in taken:
            continue
        if name in POWERS and places.keys() & POWERS:
            continue
        if header.count(title) > 1:
            raise _twice(title, where)
        places[name] = place
        if word == "power":
            cautions.append(f"the column {title!r} names no unit and is taken as dBm")
    timed = [name for name in (TIME, TIME_S) if name in places]
    if timed and interval_s is not None:
        raise BadInput(
            f"has a time column {header[places[timed[0]]]!r} and an interval is given",
            where,
            "Leave the interval out.",
        )
    if not timed and interval_s is None:
        raise BadInput(
            f"no column holds the time; there are {_listed(header)}",
            where,
            f"Name it (time=THEIRS), or the seconds between rows (time_s={EVERY}300).",
        )
    if not set(places) - {TIME, TIME_S}:
        raise BadInput(
            f"no column holds voltage, current or power; there are {_listed(header)}",
            where,
            "Name one, such as voltage_v=THEIRS.",
        )
    return Columns(places, interval_s, tuple(cautions))


def _ours(name: str) -> str:
    known = (TIME, TIME_S, POWER_W, *VALUES)
    ours = WORDS.get(name, name)
    if ours not in known:
        near = difflib.get_close_matches(name, [*known, *WORDS], 1)
        hint = f"Did you mean {near[0]}?" if near else f"Use one of {', '.join(known)}."
        raise BadInput(f"no column of ours is called {name!r}", "--columns", hint)
    return ours


def _place(header: Sequence[str], theirs: str, where: str) -> int:
    same = [place for place, title in enumerate(header) if title == theirs]
    same = same or [place for place, title in enumerate(header) if title.lower() == theirs.lower()]
    if not same:
        raise BadInput(
            f"has no column {theirs!r}; there are {_listed(header)}", where, "Name one of these."
        )
    if len(same) > 1:
        raise _twice(theirs, where)
    return same[0]


def _twice(title: str, where: str) -> BadInput:
    return BadInput(f"has the column {title!r} twice", where, "Rename one of them.")


def _interval(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise BadInput(
            f"{EVERY}{text} is no interval", "--columns", f"Write seconds, such as {EVERY}300."
        ) from None


def _listed(header: Sequence[str]) -> str:
    names = ", ".join(title[:30] for title in header[:12])
    return names + (", ..." if len(header) > 12 else "")
