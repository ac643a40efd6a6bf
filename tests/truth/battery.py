"""Battery logs whose power curve, charge and energy are known by formula.

Power falls linearly at ``slope_db_per_h`` to the knee, then by ``knee_db_per_h``; the current is
constant under load, the voltage falls linearly. So charge is I t and energy I (V0 t - s t^2 / 2).
"""

import csv
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from tests.truth.files import START_UTC

COLUMNS = ("time", "power_dbm", "frequency_error_hz", "voltage_v", "current_a", "temperature_degc")


@dataclass(frozen=True, kw_only=True)
class BatteryRun:
    """A run from load on at ``rest_s`` to transmitter off at ``rest_s + run_s``."""

    run_s: float = 6.0 * 3600.0
    rest_s: float = 600.0
    interval_s: float = 10.0
    start_dbm: float = 36.0
    slope_db_per_h: float = -0.2
    knee_s: float = 5.0 * 3600.0
    knee_db_per_h: float = -6.0
    start_v: float = 12.6
    slope_v_per_h: float = -0.3
    current_a: float = 1.4
    drift_hz_per_h: float = -5.0

    def power_dbm(self, since_on_s: float) -> float:
        """Power at a time after load on."""
        past_s = max(since_on_s - self.knee_s, 0.0)
        level = self.start_dbm + self.slope_db_per_h * (since_on_s - past_s) / 3600.0
        return level + self.knee_db_per_h * past_s / 3600.0

    def voltage_v(self, since_on_s: float) -> float:
        """Voltage under load at a time after load on."""
        return self.start_v + self.slope_v_per_h * since_on_s / 3600.0

    def time_to_s(self, drop_db: float) -> float:
        """Time from load on until the power has dropped by so much."""
        at_knee = -self.slope_db_per_h * self.knee_s / 3600.0
        if drop_db <= at_knee:
            return -drop_db / self.slope_db_per_h * 3600.0
        return self.knee_s - (drop_db - at_knee) / self.knee_db_per_h * 3600.0

    @property
    def charge_ah(self) -> float:
        return self.current_a * self.run_s / 3600.0

    @property
    def energy_wh(self) -> float:
        hours = self.run_s / 3600.0
        return self.current_a * (self.start_v * hours + self.slope_v_per_h * hours**2 / 2.0)

    def write(self, path: Path, gaps_s: tuple[tuple[float, float], ...] = ()) -> Path:
        """Write the log, leaving out the rows that lie in a gap."""
        with path.open("x", newline="", encoding="utf-8") as file:
            rows = csv.writer(file)
            rows.writerow(COLUMNS)
            for number in range(int((self.run_s + 2.0 * self.rest_s) / self.interval_s) + 1):
                time_s = number * self.interval_s
                if any(a <= time_s < b for a, b in gaps_s):
                    continue
                since_s = time_s - self.rest_s
                loaded = 0.0 <= since_s < self.run_s
                when = START_UTC + timedelta(seconds=time_s)
                rows.writerow(
                    [
                        when.strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
                        f"{self.power_dbm(since_s):.4f}" if loaded else "",
                        f"{self.drift_hz_per_h * since_s / 3600.0:.3f}" if loaded else "",
                        f"{self.voltage_v(since_s) if loaded else self.start_v + 0.3:.5f}",
                        f"{self.current_a if loaded else 0.0:.5f}",
                        "18.0",
                    ]
                )
        return path
