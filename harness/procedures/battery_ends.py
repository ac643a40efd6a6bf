"""What ends a battery run, by the rows as they come.

==================  =============================================================================
end                 comes
==================  =============================================================================
end voltage         the meter shows it twice running: one slip of a meter ends no run
carrier lost        the output is not keyed in a sample, nor in one a moment later
power limit         two samples running are at or below it
time                the run has lasted so long
unwatched           there is a meter, and it has told no voltage for too long
==================  =============================================================================
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.units import w_from_dbm

LONGEST_S = 7 * 24 * 3600.0
"""A run ends here whatever happens. Chosen: a week."""
UNWATCHED_S = 900.0
"""So long at most the voltage may stay unknown, or three intervals. Chosen: a lead-acid battery
near its end falls by some 0.1 V in it."""
FAR = 0.5
"""A battery that has come less than this far from its first voltage to its last is not what took
the carrier away. Chosen."""
WARM_S, WARM_DB = 900.0, 1.0
"""The start of the power is the lowest of so long, but no more than so far below the first: a drop
from it is then one from the settled start as well. Chosen: most small transmitters are warm by
then, and lose less on the way."""


def in_words(seconds: float) -> str:
    """Write a length of time in the unit that it is told in."""
    if seconds < 120.0:
        return f"{seconds:g} s"
    if seconds < 7200.0:
        return f"{seconds / 60.0:.4g} min"
    return f"{seconds / 3600.0:.4g} h"


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerLimit:
    """A power at which a run ends: dB below its start, or watts at the port; one of the two."""

    below_start_db: float | None = None
    watts: float | None = None

    def __str__(self) -> str:
        """Say it as people do."""
        if self.watts is not None:
            return f"{self.watts:g} W"
        return f"{self.below_start_db:g} dB below the start"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ends:
    """What ends a run beside the loss of the carrier.

    Parameters
    ----------
    end_v : end voltage of the battery; None where no meter watches it
    power : limit of the power
    for_s : longest time
    """

    end_v: float | None
    power: PowerLimit | None = None
    for_s: float = LONGEST_S


@dataclass(slots=True)
class EndWatch:
    """Watches for the ends of one run; ``reason`` says which came, empty before.

    Parameters
    ----------
    ends : that are watched for
    every_s : from one sample to the next
    """

    ends: Ends
    every_s: float
    reason: str = ""
    drift_db: float | None = None
    """The last power from the first; None before there is one."""
    _first_dbm: float | None = None
    _start_dbm: float = math.inf
    _low_rows: int = 0
    _seen_s: float = 0.0
    _first_v: float = math.nan
    _loaded_v: float = math.nan

    def see_time(self, at_s: float) -> None:
        """See how long the run has lasted."""
        if at_s >= self.ends.for_s:
            self._end(f"Stopped after {in_words(self.ends.for_s)}, as asked.")

    def see_power(self, at_s: float, power_dbm: float | None) -> None:
        """See the power of a keyed sample."""
        if power_dbm is None:
            return
        if self._first_dbm is None:
            self._first_dbm = power_dbm
        self.drift_db = power_dbm - self._first_dbm
        if at_s <= WARM_S or math.isinf(self._start_dbm):
            lowest_dbm = min(self._start_dbm, power_dbm)
            self._start_dbm = max(lowest_dbm, self._first_dbm - WARM_DB)
        limit = self.ends.power
        if limit is None:
            return
        if limit.watts is not None:
            low = float(w_from_dbm(power_dbm)) <= limit.watts
        else:
            assert limit.below_start_db is not None
            low = power_dbm <= self._start_dbm - limit.below_start_db
        self._low_rows = self._low_rows + 1 if low else 0
        if self._low_rows > 1:
            self._end(f"Stopped at {power_dbm:.2f} dBm: the power limit, {limit}.")

    def see_voltage(self, at_s: float, voltage_v: float, *, keyed: bool) -> bool:
        """See the voltage; give whether it is so low that it has to be looked at once more."""
        end_v = self.ends.end_v
        if end_v is None:
            return False
        if keyed and not math.isnan(voltage_v):
            self._loaded_v = voltage_v
            self._first_v = voltage_v if math.isnan(self._first_v) else self._first_v
        if not math.isnan(voltage_v):
            self._seen_s = at_s
            return voltage_v <= end_v
        longest_s = max(UNWATCHED_S, 3.0 * self.every_s)
        if at_s - self._seen_s > longest_s:
            self._end(
                f"Stopped to protect the battery: no voltage for {in_words(longest_s)}, and nobody"
                " knows how low it is."
            )
        return False

    def see_voltage_again(self, voltage_v: float) -> None:
        """See a voltage once more that was at its end; not to know it is no reason to go on."""
        end_v = self.ends.end_v
        if end_v is None or voltage_v > end_v:
            return
        shown = "" if math.isnan(voltage_v) else f" at {voltage_v:.2f} V"
        self._end(f"Stopped{shown} to protect the battery (end voltage {end_v:g} V).")

    def see_loss(self) -> None:
        """See that the carrier has gone."""
        hint, last_v = "", self._loaded_v
        if self.ends.end_v is not None and not math.isnan(last_v):
            hint = f" Keyed, the battery was last at {last_v:.2f} V"
            fallen = (self._first_v - last_v) / (self._first_v - self.ends.end_v)
            far = ", far from its end: look for a time-out timer or a fault" if fallen < FAR else ""
            hint = f"{hint}{far}."
        self._end(f"Stopped: the carrier has gone.{hint}")

    def _end(self, reason: str) -> None:
        self.reason = self.reason or reason
