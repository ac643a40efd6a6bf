"""When a battery will be at its end voltage, from what its run has shown so far.

Two things speak, each for a range:

**Charge.** Between an aged battery that gives half of what is marked, the rate's highest price
(``service.peukert``) taken off, and a fresh one that gives a quarter more at any rate (``AGED``,
``FRESH``, chosen; the real lead-acid battery of the tests gave 1.16 of its mark, more at the high
rate than at the low one), what is left goes on at the mean current so far. Where more than the
least has gone already, the least is what has gone.

**Voltage.** A loaded battery's voltage falls faster and faster once the first drop is over, so the
straight line through the latest of it reaches the end too late: that is the latest end. For
lead-acid the earliest lies at ``EARLIEST`` of the way there (chosen: in real discharges of the
tests it was a quarter at worst, in simulated ones a fifth). Other chemistries stay flat and then
drop: their voltage gives a latest end only.

Together: from the later of the two earliest to the earlier of the two latest; where they do not
meet, from the very first to the very last. Nothing is said before one of them can speak.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from harness.describe import Battery
from harness.service.peukert import run_time_h

AGED, FRESH = 0.5, 1.25
EARLIEST, LIKELY = 0.2, 0.5
"""Of the time to where the straight line of the voltage ends. Chosen."""
FIRST_DROP = 0.25
"""So much of the fall from the first voltage to the last has to be over. Chosen: the first drop of
a lead-acid battery is no more."""
LEAST_POINTS, LEAST_COUNT = 12, 6
MOST_POINTS = 600
"""Then every second one is let go. Chosen."""
WINDOW = 1.0 / 8.0
"""The line goes through so much of what there is, and six points at least. Chosen."""
SIGMAS = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EndEstimate:
    """When the run will end, in its own time: most likely, at the earliest, at the latest.

    ``latest_s`` is infinite where nothing says how late it may be.
    """

    likely_s: float
    earliest_s: float
    latest_s: float


@dataclass(slots=True)
class EndOfBattery:
    """Follows a battery through its run.

    Parameters
    ----------
    battery : description
    end_v : voltage that ends the run
    cycle_s : of the run's schedule, 0 on continuous; before one is over no mean current is known
    """

    battery: Battery
    end_v: float
    cycle_s: float = 0.0
    charge_as: float = 0.0
    _at_s: float | None = None
    _begun_s: float = 0.0
    _current_a: float = math.nan
    _keyed_a: float = math.nan
    _mean_a: float = math.nan
    _was_keyed: bool = True
    _times_s: list[float] = field(default_factory=list)
    _volts: list[float] = field(default_factory=list)
    _every: int = 1
    _left_out: int = 0

    def see(self, at_s: float, voltage_v: float, current_a: float, *, keyed: bool) -> None:
        """Take a row, in order of time; NaN is not known.

        Where the current is not known, what it was goes on: this is an outlook, not a reading.
        """
        if not keyed and self._at_s is None:
            # Times count from the first row under load.
            return
        if math.isnan(current_a):
            current_a = self._current_a
        if self._at_s is None:
            self._begun_s = at_s
        elif not math.isnan(self._current_a):
            self.charge_as += (at_s - self._at_s) * (self._current_a + current_a) / 2.0
        else:
            self._begun_s = at_s
        self._at_s, self._current_a = at_s, current_a
        past_s = at_s - self._begun_s
        if past_s > 0.0 and (not self.cycle_s or (keyed and not self._was_keyed)):
            # Of whole cycles only: within one it depends on where in it one stands.
            self._mean_a = self.charge_as / past_s
        self._was_keyed = keyed
        if not keyed:
            return
        self._keyed_a = current_a
        if not math.isnan(voltage_v):
            self._keep(at_s, voltage_v)

    def estimate(self) -> EndEstimate | None:
        """Give when it will end, or None before that can be said."""
        if self._at_s is None:
            return None
        if self._volts and self._volts[-1] <= self.end_v:
            return EndEstimate(likely_s=self._at_s, earliest_s=self._at_s, latest_s=self._at_s)
        spans = [span for span in (self._by_charge(), self._by_voltage()) if span is not None]
        if not spans:
            return None
        earliest_s = max(span.earliest_s for span in spans)
        latest_s = min(span.latest_s for span in spans)
        if earliest_s > latest_s:
            earliest_s = min(span.earliest_s for span in spans)
            latest_s = max(span.latest_s for span in spans)
        likely_s = min(max(spans[-1].likely_s, earliest_s), latest_s)
        return EndEstimate(likely_s=likely_s, earliest_s=earliest_s, latest_s=latest_s)

    def _by_charge(self) -> EndEstimate | None:
        """Tell by what has gone of what the battery is marked with."""
        assert self._at_s is not None
        # At the first row of a continuous run the current is all there is.
        mean_a = self._keyed_a if math.isnan(self._mean_a) and not self.cycle_s else self._mean_a
        if not (self._keyed_a > 0.0 and mean_a > 0.0):
            return None
        given_ah = self.charge_as / 3600.0
        least_ah = max(AGED * self._dearest_ah(mean_a), given_ah)
        most_ah = FRESH * self.battery.capacity_ah
        if most_ah <= given_ah:
            return None

        def at_s(capacity_ah: float) -> float:
            assert self._at_s is not None
            return self._at_s + (capacity_ah - given_ah) / mean_a * 3600.0

        return EndEstimate(
            likely_s=at_s((least_ah + most_ah) / 2.0),
            earliest_s=at_s(least_ah),
            latest_s=at_s(most_ah),
        )

    def _dearest_ah(self, mean_a: float) -> float:
        """Give what the marked capacity is worth at the rate's highest price."""
        details = self.battery.details
        marked_ah, rated_h = self.battery.capacity_ah, details.rated_time.hours
        current_a = max(self._keyed_a, mean_a)
        if current_a * rated_h <= marked_ah:
            return marked_ah
        return run_time_h(current_a, marked_ah, rated_h, details.rate_exponent.high) * current_a

    def _by_voltage(self) -> EndEstimate | None:
        """Tell by how the voltage under load falls."""
        if len(self._volts) < LEAST_POINTS:
            return None
        volts = np.array(self._volts)
        first_v, now_v = float(volts[0]), float(volts[-1])
        if first_v - now_v < FIRST_DROP * (first_v - self.end_v):
            return None
        count = max(round(len(volts) * WINDOW), LEAST_COUNT)
        time_s, volts = np.array(self._times_s[-count:]), volts[-count:]
        time_s = time_s - time_s.mean()
        spread = float(time_s @ time_s)
        slope = float(time_s @ volts) / spread
        residuals = volts - volts.mean() - slope * time_s
        error = math.sqrt(float(residuals @ residuals) / (count - 2) / spread)
        fastest, slowest = -slope + SIGMAS * error, -slope - SIGMAS * error
        if fastest <= 0.0:
            return None
        assert self._at_s is not None
        left_v = now_v - self.end_v
        lead_acid = self.battery.details.lead_acid
        earliest_s = EARLIEST * left_v / fastest if lead_acid else 0.0
        latest_s = left_v / slowest if slowest > 0.0 else math.inf
        likely_s = LIKELY * left_v / -slope if slope < 0.0 else latest_s
        return EndEstimate(
            likely_s=self._at_s + likely_s,
            earliest_s=self._at_s + earliest_s,
            latest_s=self._at_s + latest_s,
        )

    def _keep(self, at_s: float, voltage_v: float) -> None:
        """Keep a voltage under load, of many only every so many'th."""
        self._left_out += 1
        if self._left_out < self._every:
            return
        self._left_out = 0
        self._times_s.append(at_s)
        self._volts.append(voltage_v)
        if len(self._volts) > MOST_POINTS:
            self._times_s, self._volts = self._times_s[::2], self._volts[::2]
            self._every *= 2
