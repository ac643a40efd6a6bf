"""Battery runs by construction: an invented battery emptied at known currents. All invented."""

from datetime import UTC, datetime, timedelta

import numpy as np

from harness.readings import Axis, Findings, Series, measured
from harness.results import Run
from harness.uncertainty import Contribution

START = datetime(2026, 3, 14, 7, 41, 5, tzinfo=UTC)
METER = "packing-shed bench.meter.current_a"
BENCH = "packing-shed bench"
UNIT = {
    "name": "Frost Watch 2",
    "receive_hz": 158.425e6,
    "transmit_hz": 153.825e6,
    "channel_spacing_hz": 12500.0,
    "rated_deviation_hz": 2500.0,
    "rated_power_w": 4.0,
    "emphasis": True,
    "knob_positions": ["9:00", "12:00", "3:30"],
    "battery": {
        "chemistry": "lead-acid AGM",
        "nominal_v": 12.0,
        "capacity_ah": 9.0,
        "end_v": 10.5,
    },
}


def lasting_h(capacity_ah, currents_a, shares, exponent, rated_hours=20.0):
    """Hours until the marked ampere-hours are gone, written anew and not as the harness does."""
    rated_a = capacity_ah / rated_hours
    gone_per_h = 0.0
    for current, share in zip(currents_a, shares, strict=True):
        price = (current / rated_a) ** (exponent - 1.0) if current > rated_a else 1.0
        gone_per_h += share * current * price
    return capacity_ah / gone_per_h


def discharge(
    lasted_s,
    current_a,
    *,
    keyed=None,
    meter=0.005,
    end_v=10.5,
    edge_s=0.0,
    bound=None,
    step_s=60.0,
    name=METER,
):
    """Give the findings of a run; ``current_a`` a number or a function of the row's number.

    ``keyed`` tells for each row whether the transmitter is on; ``meter`` is the relative standard
    uncertainty that the bench declares.
    """
    count = int(lasted_s // step_s) + 1
    time_s = np.arange(count) * step_s
    on = np.ones(count, bool) if keyed is None else np.array([keyed(n) for n in range(count)])
    values = np.array([current_a(n) if callable(current_a) else current_a for n in range(count)])
    mean_a = float(np.trapezoid(values, time_s) / time_s[-1])
    charge_ah = mean_a * lasted_s / 3600.0
    edge = Contribution(
        name="load off.logging interval", standard_uncertainty=edge_s, source="the log's interval"
    )
    scale = Contribution(
        name=name,
        standard_uncertainty=meter * mean_a,
        sensitivity=lasted_s / 3600.0,
        source="bench file",
    )
    conditions = {} if end_v is None else {"end_v": end_v}
    axis = Axis(name="time", unit="s", values=time_s)
    power = np.where(on, 36.0, np.nan)
    return Findings(
        kind="discharge",
        readings=(
            measured(
                "run_time", lasted_s, (edge,), count=count, conditions=conditions, bound=bound
            ),
            measured(
                "charge_delivered",
                charge_ah,
                (scale, edge.__class__(**{**_fields(edge), "sensitivity": mean_a / 3600.0})),
                count=count,
                conditions=conditions,
                bound=bound,
            ),
        ),
        series=(
            Series(name="power", unit="dBm", axes=(axis,), values=power),
            Series(name="current", unit="A", axes=(axis,), values=values),
        ),
    )


def _fields(contribution):
    return {name: getattr(contribution, name) for name in contribution.__slots__}


def run_of(*findings, days=0.0, unit=UNIT, bench=BENCH, **more):
    moment = START + timedelta(days=days)
    return Run(
        title="Battery of Frost Watch 2",
        procedure="discharge",
        started_utc=moment,
        ended_utc=moment + timedelta(hours=6),
        unit=unit,
        bench={"name": bench},
        findings=findings,
        source="simulated",
        **more,
    )
