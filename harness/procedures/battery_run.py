"""A battery run: keyed until the battery or the transmitter gives out, a sample now and then.

Each sample is a short recording of the output, its carrier measured, and a look at the supply;
the row is on disk before the next wait. It ends at the battery's end voltage, to protect the
battery, or when the carrier has gone.

What a row says of its sample (of the first, after the key-up that is in it):

====================================  =====  ==================================================
carrier                               keyed  power and frequency
====================================  =====  ==================================================
on to the end                         1      over the sample
off for a part of it                  0      over the keyed time, blank below ``STEADY_S`` of it
none                                  0      blank
====================================  =====  ==================================================

A frequency that scatters by more than ``FREQUENCY_SCATTER_HZ`` is blank in any row.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from typing import Any

from harness.describe import Battery
from harness.devices import SupplyReading
from harness.measure.setup import Options
from harness.procedures.steps import (
    Log,
    Measure,
    MeasureLog,
    Procedure,
    ReadSupply,
    Record,
    Say,
    Step,
    Stimulus,
    Wait,
)
from harness.readings import Findings, Reading

INTERVAL_S = 300.0
SAMPLE_S = 0.25
START_S = 0.6
"""Length of the first sample: the unit keys up in it. Chosen."""
STEADY_S = 0.05
"""A carrier that was on for less is not settled: rise and fall are too much of it. Chosen."""
FREQUENCY_SCATTER_HZ = 5.0
"""Standard uncertainty from which on a frequency is not logged. Chosen: ten times the accuracy
promised for its drift."""
LONGEST_S = 48 * 3600.0
"""A run ends here whatever happens. Chosen."""


def battery_run(
    battery: Battery,
    *,
    level_port_dbm: float,
    deviation_hz: float,
    interval_s: float = INTERVAL_S,
) -> Procedure:
    """Yield the steps of a battery run, keyed all the time by a strong signal."""
    on = Stimulus(duration_s=START_S, level_port_dbm=level_port_dbm, deviation_hz=deviation_hz)
    yield Say(
        text=f"Battery run: keyed until {battery.end_v:g} V or loss of carrier, a sample every"
        f" {interval_s / 60:g} minutes."
    )
    started_s: float = yield Wait(seconds=0.0)
    number = 0
    expected_s: float | None = None
    while True:
        now_s: float = yield Wait(seconds=interval_s if number else 0.0)
        still_on = yield from _sample(number, on, now_s - started_s, expected_s)
        number += 1
        if not still_on or now_s - started_s > LONGEST_S:
            break
        supply: SupplyReading = yield ReadSupply()
        if expected_s is None and supply.current_a > 0.0:
            expected_s = battery.capacity_ah / supply.current_a * 3600.0
        if supply.voltage_v <= battery.end_v:
            yield Say(text=f"Stopped at {supply.voltage_v:.2f} V to protect the battery.")
            break
    yield MeasureLog(options=Options(end_v=battery.end_v))


def _sample(
    number: int, on: Stimulus, elapsed_s: float, expected_s: float | None
) -> Generator[Step, Any, bool]:
    """Record, measure and log one sample; give whether the carrier was on at its end.

    ``expected_s`` is the rated capacity at the current of the first sample, for the progress only.
    """
    title = f"Battery run, {elapsed_s / 3600:.2f} h"
    duration_s = SAMPLE_S if number else START_S
    stimulus = Stimulus(
        duration_s=duration_s,
        level_port_dbm=on.level_port_dbm,
        tone_hz=on.tone_hz,
        deviation_hz=on.deviation_hz,
    )
    take = f"battery/{number:05d}"
    yield Record(
        take=take,
        title=title if expected_s is None else f"{title} of about {expected_s / 3600:.1f} h",
        stimuli=(stimulus,),
        roles=("output",),
        leave_on=True,
        share=0.0 if expected_s is None else min(elapsed_s / expected_s, 1.0),
    )
    supply: SupplyReading = yield ReadSupply()
    carrier: Findings = yield Measure(kind="carrier", take=take, roles=("output",), keep=False)
    timing: Findings = yield Measure(kind="timing", take=take, roles=("output",), keep=False)
    power, error = (_reading(carrier, name) for name in ("carrier_power", "frequency_error"))
    edges = _edges(timing)
    found = error is not None
    through = found and all(number == 0 and rises for _, rises in edges)
    keyed_s = _keyed_s(edges, duration_s) if found else 0.0
    if found and not through:
        yield Say(text=f"The carrier was on for {keyed_s:.3f} s of the {duration_s:g} s sample.")
    steady = keyed_s >= STEADY_S
    yield Log(
        row={
            "time_s": elapsed_s,
            "power_dbm": _value(power) if steady else math.nan,
            "frequency_error_hz": _value(error) if steady and _is_clear(error) else math.nan,
            "keyed": float(through),
            "voltage_v": supply.voltage_v,
            "current_a": supply.current_a,
            "temperature_degc": supply.temperature_degc,
        }
    )
    return found and (not edges or edges[-1][1])


def _reading(found: Findings, name: str) -> Reading | None:
    """Give a reading that has a value."""
    return next((r for r in found.readings if r.name == name and r.value is not None), None)


def _value(reading: Reading | None) -> float:
    value = reading.value if reading is not None else None
    return value if isinstance(value, float) else math.nan


def _is_clear(error: Reading | None) -> bool:
    """Whether a frequency scatters little; the recorder's clock is the same in all rows."""
    return error is not None and all(
        abs(part.effect) <= FREQUENCY_SCATTER_HZ for part in error.contributions if part.kind == "A"
    )


def _edges(timing: Findings) -> list[tuple[float, bool]]:
    """Give the edges of the output: time in the sample, and whether the carrier came on."""
    for series in timing.series:
        if series.name == "output_keying":
            times_s = series.axes[0].values.tolist()
            return [(at_s, sign > 0.0) for at_s, sign in zip(times_s, series.values, strict=True)]
    return []


def _keyed_s(edges: list[tuple[float, bool]], duration_s: float) -> float:
    """Give how long the carrier was on, a carrier being there; edges come in order of time."""
    on_s = 0.0 if not edges or not edges[0][1] else None
    keyed_s = 0.0
    for at_s, rises in edges:
        if rises:
            on_s = at_s
        elif on_s is not None:
            keyed_s, on_s = keyed_s + at_s - on_s, None
    return keyed_s if on_s is None else keyed_s + duration_s - on_s
