"""What a battery log holds, against time from load on, as series."""

from __future__ import annotations

import math

import numpy as np

from harness.measure.course import GAP_INTERVALS, typical_interval_s
from harness.measure.load import LoadedRun, Rows
from harness.readings import Axis, Series


def discharge_series(rows: Rows, run: LoadedRun | None) -> tuple[Series, ...]:
    """Give each quantity against time from load on (without a run, from the first row)."""
    zero_s = run.on.time_s if run is not None else float(rows.time_s[0])
    first_s, last_s = (
        (run.on.loaded_s, run.off.loaded_s) if run is not None else (math.inf, -math.inf)
    )
    given = []
    for name, unit, column in (
        ("power", "dBm", rows.power_dbm),
        ("voltage", "V", rows.voltage_v),
        ("current", "A", rows.current_a),
        ("frequency_error", "Hz", rows.frequency_error_hz),
    ):
        there = np.isfinite(column)
        if not there.any():
            continue
        time_s, values = rows.time_s[there], column[there]
        steps_s = np.diff(time_s)
        # Rest is often logged more rarely than load: each has its own typical interval.
        inside = (time_s[:-1] >= first_s) & (time_s[1:] <= last_s)
        gap = np.zeros(len(steps_s), dtype=np.bool_)
        for part in (inside, ~inside):
            typical_s = typical_interval_s(np.cumsum(np.append(0.0, steps_s[part])))
            gap |= part & (steps_s > max(GAP_INTERVALS * typical_s, rows.planned_s))
        at = np.flatnonzero(gap) + 1
        middles_s = (time_s[at - 1] + time_s[at]) / 2.0
        axis = Axis(name="time", unit="s", values=np.insert(time_s, at, middles_s) - zero_s)
        values = np.insert(values, at, np.nan)
        given.append(Series(name=name, unit=unit, axes=(axis,), values=values))
    return tuple(given)
