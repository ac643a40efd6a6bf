"""What the transmitter does with its supply: efficiency, power and frequency against voltage.

From the rows under load in which all of it is given. Over one discharge voltage and time fall
together: what the transmitter would have drifted by at a steady voltage is in it too.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.measure.course import Course, fit_line
from harness.measure.load import LoadedRun, Rows
from harness.measure.setup import Options
from harness.readings import UNCALIBRATED, Axis, Reading, Series, measured, not_measured, sentence
from harness.uncertainty import Contribution, scaled
from harness.units import FloatArray, dbm_from_w, w_from_dbm

EFFICIENCY, PUSHING = "efficiency", "frequency_pushing"
CURVE_V = 0.05
"""Least width of a class of voltage. Chosen: what a panel meter tells apart."""
CURVE_CLASSES = 60
"""Most classes of voltage. Chosen."""
LEAST_SPAN_V = 0.2
"""A voltage that moved by less tells nothing of its effect. Chosen."""
SHARED = "what drifted with time and warmth while the voltage fell is in it"
BATTERY_SIDE = "from the battery to the antenna port: receiver and control are in it"


def efficiency(rows: Rows, run: LoadedRun, options: Options, more: Mapping[str, Any]) -> Reading:
    """Give the RF output to the power taken from the battery, in %, over the rows under load.

    Notes
    -----
    Sum of the power out to sum of the power in, each row for the time that it stands for, up to
    the log's interval. The declared uncertainty of the power is taken for one and the same in all
    rows, as is the meter's.
    """
    loaded = run.loaded
    columns = (rows.power_dbm, rows.voltage_v, rows.current_a)
    told = loaded & np.all([np.isfinite(column) for column in columns], axis=0)
    told &= rows.voltage_v * rows.current_a > 0.0
    # A time that stands there twice counts once.
    told &= np.append(np.diff(rows.time_s) > 0.0, True)
    if not told.any():
        return not_measured(
            EFFICIENCY, "The log has no power with voltage and current beside it.", **more
        )
    time_s, voltage_v, current_a = (
        column[told] for column in (rows.time_s, rows.voltage_v, rows.current_a)
    )
    out_w = w_from_dbm(rows.power_dbm[told])
    stands_s = _stands_s(time_s, run.interval_s)
    out_ws, in_ws = float(stands_s @ out_w), float(stands_s @ (voltage_v * current_a))
    percent = 100.0 * out_ws / in_ws
    each = 100.0 * out_w / (voltage_v * current_a)
    noise = Course(time_s, each).noise
    parts = [
        Contribution(
            name=f"{EFFICIENCY}.repeatability",
            standard_uncertainty=noise / float(np.sqrt(len(each))),
            kind="A",
            source="scatter from row to row",
        ),
        *scaled(options.voltage_contributions, -percent * float(stands_s @ current_a) / in_ws),
        *scaled(options.current_contributions, -percent * float(stands_s @ voltage_v) / in_ws),
    ]
    notes = [BATTERY_SIDE]
    if len(each) > 2:
        notes.append(f"{each[0]:.3g} % at the start, {each[-1]:.3g} % at the end")
    declared_db = rows.power_uncertainty_db[told]
    declared_db = declared_db[np.isfinite(declared_db)]
    unknown = []
    if declared_db.size:
        parts.append(
            Contribution(
                name="power.calibration",
                standard_uncertainty=float(declared_db.max()) / 2.0,
                sensitivity=percent * float(np.log(10.0)) / 10.0,
                source="declared in the log (k = 2), in dB",
            )
        )
    else:
        unknown.append("power")
    unknown += [] if options.voltage_contributions else ["voltage"]
    unknown += [] if options.current_contributions else ["current"]
    given: dict[str, Any] = {**more, "count": len(each)}
    if unknown:
        notes.append(f"of {' and '.join(unknown)} the calibration is not known and not included")
        given["flags"] = (*given.get("flags", ()), UNCALIBRATED)
    return measured(EFFICIENCY, percent, parts, note=sentence("; ".join(notes)), **given)


def _stands_s(time_s: FloatArray, interval_s: float) -> FloatArray:
    """Give the time that each row stands for: half of that to its neighbours, gaps left out."""
    if len(time_s) < 2:
        return np.ones(len(time_s))
    halves_s = np.minimum(np.diff(time_s), interval_s or np.inf) / 2.0
    stands_s = np.append(halves_s, 0.0) + np.append(0.0, halves_s)
    return stands_s if stands_s.sum() > 0.0 else np.ones(len(time_s))


def pushing(rows: Rows, run: LoadedRun, settled_s: float, more: Mapping[str, Any]) -> Reading:
    """Give how the carrier follows the supply voltage, in Hz/V: a line through the settled rows.

    Parameters
    ----------
    settled_s : from here on the carrier had settled
    """
    told = _settled(rows, run, settled_s) & np.isfinite(rows.frequency_error_hz)
    voltage_v, error_hz = rows.voltage_v[told], rows.frequency_error_hz[told]
    if not told.any():
        return not_measured(PUSHING, "The log has no frequency with a voltage beside it.", **more)
    span_v = float(np.ptp(voltage_v))
    if span_v < LEAST_SPAN_V:
        note = f"The voltage moved by {span_v:.2f} V only."
        return not_measured(PUSHING, note, **more)
    line = fit_line(
        voltage_v, error_hz, float(voltage_v.mean()), Course(rows.time_s[told], error_hz).noise
    )
    if line is None:
        return not_measured(PUSHING, "Fewer than three rows with frequency and voltage.", **more)
    part = Contribution(
        name=f"{PUSHING}.fit",
        standard_uncertainty=line.slope_uncertainty,
        kind="A",
        degrees_of_freedom=line.degrees_of_freedom,
        source="residuals of the line, as they hang together from row to row",
    )
    note = f"from {voltage_v.max():.2f} V to {voltage_v.min():.2f} V; {SHARED}"
    return measured(
        PUSHING, line.slope_per_s, [part], note=sentence(note), **{**more, "count": len(voltage_v)}
    )


def supply_series(rows: Rows, run: LoadedRun, settled_s: float) -> tuple[Series, ...]:
    """Give power and frequency error against supply voltage: means of classes of voltage.

    A class without a row is NaN. Powers are averaged in watts.
    """
    made = []
    for name, unit, column in (
        ("power", "dBm", rows.power_dbm),
        ("frequency_error", "Hz", rows.frequency_error_hz),
    ):
        told = _settled(rows, run, settled_s) & np.isfinite(column)
        voltage_v, values = rows.voltage_v[told], column[told]
        if not told.any() or np.ptp(voltage_v) < LEAST_SPAN_V:
            continue
        width_v = max(CURVE_V, float(np.ptp(voltage_v)) / CURVE_CLASSES)
        first = int(np.floor(voltage_v.min() / width_v))
        place = np.floor(voltage_v / width_v).astype(np.intp) - first
        count = np.bincount(place)
        means_v = _means(
            np.asarray((np.arange(len(count)) + first + 0.5) * width_v, dtype=np.float64),
            place,
            voltage_v,
            count,
        )
        if unit == "dBm":
            each_w = np.asarray(w_from_dbm(values), dtype=np.float64)
            watts = _means(np.full(len(count), np.nan), place, each_w, count)
            means = np.asarray(dbm_from_w(watts), dtype=np.float64)
        else:
            means = _means(np.full(len(count), np.nan), place, values, count)
        axis = Axis(name="voltage", unit="V", values=means_v)
        made.append(Series(name=f"{name}_against_voltage", unit=unit, axes=(axis,), values=means))
    return tuple(made)


def _settled(rows: Rows, run: LoadedRun, settled_s: float) -> NDArray[np.bool_]:
    """Rows under load with a voltage, after the warm-up."""
    return np.asarray(run.loaded & np.isfinite(rows.voltage_v) & (rows.time_s >= settled_s))


def _means(
    empty: FloatArray, place: NDArray[np.intp], values: FloatArray, count: NDArray[np.intp]
) -> FloatArray:
    """Give the mean of each class, and what is given for it where it is empty."""
    sums = np.bincount(place, values, len(count))
    return np.where(count > 0, sums / np.maximum(count, 1), empty)
