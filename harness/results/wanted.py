"""Which of many runs are wanted: by unit, day and verdict."""

from __future__ import annotations

import fnmatch
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from harness.readings import Verdict
from harness.results.head import RunHead


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a run must be to be wanted; what is not said, any run meets.

    Parameters
    ----------
    unit : its name or serial number, whole, in upper or lower case; ``*`` and ``?`` stand for
        anything and for one character
    since, until : the run began at or after the one, and before the other
    verdicts : one of them
    """

    unit: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    verdicts: tuple[Verdict, ...] = ()

    def meets(self, head: RunHead) -> bool:
        """Whether a run is wanted."""
        return (
            (self.unit is None or is_unit(self.unit, head))
            and (self.since is None or head.started_utc >= self.since)
            and (self.until is None or head.started_utc < self.until)
            and (not self.verdicts or head.verdict in self.verdicts)
        )


def is_unit(asked: str, head: RunHead) -> bool:
    """Whether a run is of the unit asked for."""
    pattern = asked.casefold()
    names = (head.unit_name.casefold(), head.unit_serial.casefold())
    return any(name and (name == pattern or fnmatch.fnmatchcase(name, pattern)) for name in names)


def moment_of(text: str, *, end: bool = False) -> datetime:
    """Read a day or a moment in ISO 8601; in UTC where no zone is said.

    Parameters
    ----------
    end : a day by itself stands for its end, not for its beginning

    Raises
    ------
    ValueError : it is none.
    """
    moment = datetime.fromisoformat(text)
    is_day = len(text.strip()) <= len("2026-03-14") and "T" not in text
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return moment + timedelta(days=1) if end and is_day else moment
