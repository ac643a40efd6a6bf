"""UTC times as text: ISO 8601 with microseconds and Z."""

from __future__ import annotations

import re
from datetime import UTC, datetime

STEP_S = 2.0
"""UTC that moves by more against a clock that nobody sets was set itself. Chosen: a logger may
write whole seconds."""
SLEWED = 1e-3
"""Share of the time by which UTC may also be moved slowly. Chosen: twice what adjtimex(2) allows
(500 ppm, memory)."""
_FORM = re.compile(
    r"(\d{4}-\d{2}-\d{2})[Tt ](\d{2}:\d{2}:\d{2})(?:[.,](\d+))?([Zz]|[+-]00:?00)?", re.ASCII
)


def utc_text(moment: datetime) -> str:
    """Write a moment as ``2025-03-01T06:00:00.000000Z``; ValueError when it has no time zone."""
    if moment.tzinfo is None:
        raise ValueError(f"{moment=} has no time zone")
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%f").rjust(26, "0") + "Z"


def utc_from_text(text: str) -> datetime:
    """Read a moment in UTC; what is finer than a microsecond is cut off.

    Raises
    ------
    ValueError : not a date and time in UTC; a zone other than Z, +00:00 or none
    """
    found = _FORM.fullmatch(text.strip())
    if found is None:
        raise ValueError(f"{text!r} is no UTC date and time")
    day, clock, fraction, _ = found.groups()
    moment = datetime.fromisoformat(f"{day}T{clock}.{(fraction or '0')[:6]:0<6}")
    return moment.replace(tzinfo=UTC)


def stepped_s(by_utc_s: float, counted_s: float) -> float:
    """Give by how much UTC was set, 0 where it was not.

    Parameters
    ----------
    by_utc_s, counted_s : time that passed, by UTC and by a clock that nobody sets
    """
    by_s = by_utc_s - counted_s
    return by_s if abs(by_s) > STEP_S + SLEWED * abs(counted_s) else 0.0
