"""What a battery run in a results file tells: how long, at what currents, and how it ended.

The currents come from the run's own series. A row counts as keyed where the power of the
transmitter stands beside its current; what flows in the other rows, between the first keyed one and
the last, is the current with the transmitter off: of receiver and standby together, in the shares
of the run's schedule.

The meter's error is one for all currents of the run. So the run time at another duty hangs on it
only as far as the currents come from elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from harness.readings import Findings, Reading, Series
from harness.results import Run
from harness.uncertainty import Contribution, combine
from harness.units import FloatArray

CLASSES = 64
"""Currents are put into so many classes of equal width, each by its mean. Chosen: within a class
the price of the rate differs by less than a thousandth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """A mean current in A and its standard uncertainty, without what the meter's scale adds."""

    current_a: float
    standard_uncertainty_a: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryRun:
    """A battery run that gave charge and time.

    Parameters
    ----------
    name : of the results file
    started_utc : with time zone
    bench : its name, or nothing
    charge, lasted : readings charge_delivered (Ah) and run_time (s), numbers both
    shares, currents_a : float64, shape (n,): how the charge went, by share of the time
    keyed, unkeyed : currents with the transmitter on and off; None where no row tells
    end_v : the voltage at which the run was ended; None where the transmitter gave out before
    is_bound : the battery gave more than was logged
    """

    name: str
    started_utc: datetime
    bench: str
    charge: Reading
    lasted: Reading
    shares: FloatArray
    currents_a: FloatArray
    keyed: Flow | None
    unkeyed: Flow | None
    end_v: float | None
    is_bound: bool

    @property
    def lasted_h(self) -> float:
        """How long it ran."""
        assert isinstance(self.lasted.value, int | float)
        return self.lasted.value / 3600.0

    @property
    def charge_ah(self) -> float:
        """How much it gave."""
        assert isinstance(self.charge.value, int | float)
        return float(self.charge.value)

    @property
    def time_parts(self) -> tuple[Contribution, ...]:
        """What the uncertainty of the time is made of, in s."""
        return self.lasted.contributions

    @property
    def scale_parts(self) -> tuple[Contribution, ...]:
        """What the uncertainty of the charge is made of beside the time's, in Ah."""
        of_time = {part.name for part in self.lasted.contributions}
        return tuple(part for part in self.charge.contributions if part.name not in of_time)

    @property
    def scale_uncertainty(self) -> float:
        """Standard uncertainty of all currents together, as a ratio."""
        return combine(self.scale_parts).standard_uncertainty / self.charge_ah


def battery_run_of(run: Run, name: str) -> BatteryRun | None:
    """Give the battery run that a results file holds; the last one that gave charge and time.

    Parameters
    ----------
    run : any run
    name : of its file, by which it is called

    Returns
    -------
    BatteryRun : None where the run holds no charge, or no time that is a number above 0
    """
    found = None
    for findings in run.findings:
        if findings.kind == "discharge":
            found = _of(findings, run, name) or found
    return found


def _of(findings: Findings, run: Run, name: str) -> BatteryRun | None:
    charge, lasted = (_number(findings, each) for each in ("charge_delivered", "run_time"))
    if charge is None or lasted is None or lasted.bound == "upper":
        return None
    charge_ah, lasted_s = float(charge.value or 0.0), float(lasted.value or 0.0)
    if charge_ah <= 0.0 or lasted_s <= 0.0:
        return None
    series = {each.name: each for each in findings.series}
    shares, currents_a = _profile(series.get("current"), lasted_s)
    is_bound = charge.bound == "lower" or lasted.bound == "lower"
    mean_a = charge_ah / (lasted_s / 3600.0)
    if not shares.size or float(shares @ currents_a) <= 0.0:
        shares, currents_a = np.ones(1), np.array([mean_a])
    elif not is_bound:
        # The readings count what the rows leave open at both ends.
        currents_a = currents_a * (mean_a / float(shares @ currents_a))
    keyed, unkeyed = _flows(series, lasted_s)
    end_v = charge.conditions.get("end_v")
    return BatteryRun(
        name=name,
        started_utc=run.started_utc,
        bench=str(run.bench.get("name", "")),
        charge=charge,
        lasted=lasted,
        shares=shares,
        currents_a=currents_a,
        keyed=keyed,
        unkeyed=unkeyed,
        end_v=float(end_v) if isinstance(end_v, int | float) else None,
        is_bound=is_bound,
    )


def _number(findings: Findings, name: str) -> Reading | None:
    held = [
        reading
        for reading in findings.readings
        if reading.name == name and isinstance(reading.value, int | float)
    ]
    return held[-1] if held else None


def _within(series: Series, lasted_s: float) -> tuple[FloatArray, FloatArray]:
    """Give times and values under load, gaps left in as NaN."""
    time_s = series.axes[0].values
    inside = (time_s >= 0.0) & (time_s <= lasted_s)
    return time_s[inside], series.values[inside]


def _profile(current: Series | None, lasted_s: float) -> tuple[FloatArray, FloatArray]:
    """Give the currents of the run and the share of the time that each flowed.

    Each row stands for half of the time to its neighbours: the charge is that of the trapezoid
    rule, and a current that jumps is not smeared into one that never flowed.
    """
    nothing = np.empty(0), np.empty(0)
    if current is None:
        return nothing
    time_s, values_a = _within(current, lasted_s)
    is_told = np.isfinite(values_a) & (values_a >= 0.0)
    # A step beside a gap tells nothing of what flowed in it.
    halves_s = np.diff(time_s) / 2.0 * (is_told[1:] & is_told[:-1])
    stood_s = np.append(halves_s, 0.0) + np.append(0.0, halves_s)
    values_a = np.where(is_told, values_a, 0.0)
    if stood_s.sum() <= 0.0 or values_a.max() <= 0.0:
        return nothing
    width_a = float(values_a.max()) / CLASSES
    number = np.minimum((values_a / width_a).astype(np.intp), CLASSES - 1)
    weight_s = np.bincount(number, stood_s, CLASSES)
    charge = np.bincount(number, stood_s * values_a, CLASSES)
    there = weight_s > 0.0
    return weight_s[there] / weight_s.sum(), charge[there] / weight_s[there]


def _flows(series: dict[str, Series], lasted_s: float) -> tuple[Flow | None, Flow | None]:
    current, power = series.get("current"), series.get("power")
    if current is None or power is None:
        return None, None
    time_s, values_a = _within(current, lasted_s)
    keyed_s, powers_dbm = _within(power, lasted_s)
    keyed_s = keyed_s[np.isfinite(powers_dbm)]
    told = np.isfinite(values_a)
    time_s, values_a = time_s[told], values_a[told]
    is_keyed = np.isin(time_s, keyed_s)
    if not is_keyed.any():
        return None, None
    first, last = np.flatnonzero(is_keyed)[[0, -1]]
    between = values_a[first : last + 1][~is_keyed[first : last + 1]]
    return _mean(values_a[is_keyed]), _mean(between)


def _mean(values_a: FloatArray) -> Flow | None:
    """Give the mean, and the scatter of the rows about it over the root of their number.

    How the current follows the battery's voltage counts as scatter, though the mean over a whole
    discharge at another duty is much the same: too wide rather than too narrow.
    """
    if not values_a.size:
        return None
    scatter_a = float(values_a.std()) / float(np.sqrt(values_a.size))
    return Flow(current_a=float(values_a.mean()), standard_uncertainty_a=scatter_a)
