"""The clocks of a run: one that nobody sets and that counts while the computer sleeps, and UTC.

A run's own time comes from the first alone: a clock set by NTP, by hand or for daylight saving does
not move it, and an hour with the lid closed is an hour in it. It begins anew with each start of the
computer, which the name of that start tells; then UTC says how long it was, and may be wrong.

==============================  ==============================================================
system                          counts while it sleeps
==============================  ==============================================================
Linux                           CLOCK_BOOTTIME (clock_gettime(2), man-pages 6.03)
others with clock_gettime       CLOCK_MONOTONIC; of macOS from memory, of others not known
Windows                         time.monotonic; from memory
==============================  ==============================================================
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from harness.recordings.utc import stepped_s

NAP_S = 1.0
"""Longest sleep at a time. Chosen: so late at most a computer that was asleep goes on."""
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def counted_s() -> float:
    """Seconds of a clock that nobody sets, sleep of the computer included where it can."""
    for name in ("CLOCK_BOOTTIME", "CLOCK_MONOTONIC"):
        clock = getattr(time, name, None)
        if clock is not None:
            return time.clock_gettime(clock)
    return time.monotonic()


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One moment by both clocks; ``boot`` names the start of the computer, empty if not known."""

    counted_s: float
    utc: datetime
    boot: str = ""


def moment_now() -> Moment:
    """Read both clocks, as near to each other as can be."""
    return Moment(counted_s=counted_s(), utc=datetime.now(UTC), boot=_boot())


def _boot() -> str:
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """How long it was from one moment to another, and what is to be doubted of it, if anything."""

    seconds: float
    doubt: str = ""


def passed(then: Moment, now: Moment) -> Passed:
    """Give how long it was between two moments, perhaps of two processes or starts."""
    by_utc_s = (now.utc - then.utc).total_seconds()
    counted = now.counted_s - then.counted_s
    if then.boot and then.boot == now.boot and counted >= 0.0:
        return Passed(seconds=counted)
    doubt = "by the computer's clock of day, which may have been set meanwhile"
    if by_utc_s < 0.0:
        return Passed(seconds=0.0, doubt="the computer's clock of day was put back meanwhile")
    return Passed(seconds=by_utc_s, doubt=doubt)


def clock_set_s(then: Moment, now: Moment) -> float:
    """Give by how much UTC was set between two moments of one process; 0 where it was not."""
    by_utc_s = (now.utc - then.utc).total_seconds()
    return stepped_s(by_utc_s, now.counted_s - then.counted_s)


def set_in_words(by_s: float) -> str:
    """Say that the clock of day was set."""
    return (
        f"The computer's clock of day was set by {by_s:+.0f} s: times of the run count on as if it"
        " had not been."
    )


class Clock:
    """Real time; satisfies ``harness.devices.Waiter``.

    Parameters
    ----------
    counted : gives the seconds of a clock that nobody sets
    sleep : lets some pass; a sleep of the computer is not in it
    """

    def __init__(
        self,
        counted: Callable[[], float] = counted_s,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._counted, self._sleep = counted, sleep
        self._opened_s = counted()

    def wait(self, seconds: float) -> None:
        """Let time pass, that of a sleep of the computer included."""
        until_s = self._counted() + seconds
        while (left_s := until_s - self._counted()) > 0.0:
            self._sleep(min(left_s, NAP_S))

    @property
    def now_s(self) -> float:
        """Seconds since the bench was opened."""
        return self._counted() - self._opened_s
