"""A battery run: keyed until the battery or the transmitter gives out, a sample now and then.

Each sample is a short recording of the output, its carrier measured, and a look at the supply;
the row is on disk before the next wait. It ends at the battery's end voltage, to protect the
battery, or when the carrier has gone.
"""

from __future__ import annotations

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
from harness.readings import Findings

INTERVAL_S = 300.0
SAMPLE_S = 0.25
START_S = 0.6
"""Length of the first sample: the unit keys up in it. Chosen."""
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
    while True:
        now_s: float = yield Wait(seconds=interval_s if number else 0.0)
        keyed = yield from _sample(number, on, now_s - started_s)
        number += 1
        if not keyed or now_s - started_s > LONGEST_S:
            break
        supply: SupplyReading = yield ReadSupply()
        if supply.voltage_v <= battery.end_v:
            yield Say(text=f"Stopped at {supply.voltage_v:.2f} V to protect the battery.")
            break
    yield MeasureLog(options=Options(end_v=battery.end_v))


def _sample(number: int, on: Stimulus, elapsed_s: float) -> Generator[Step, Any, bool]:
    """Record, measure and log one sample; give whether the transmitter was keyed."""
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
        title=f"Battery run, {elapsed_s / 3600:.2f} h",
        stimuli=(stimulus,),
        roles=("output",),
        leave_on=True,
    )
    found: Findings = yield Measure(kind="carrier", take=take, roles=("output",), keep=False)
    supply: SupplyReading = yield ReadSupply()
    values = {r.name: r.value for r in found.readings}
    power, error = values.get("carrier_power"), values.get("frequency_error")
    keyed = isinstance(error, float)
    nan = float("nan")
    yield Log(
        row={
            "time_s": elapsed_s,
            "power_dbm": power if isinstance(power, float) else nan,
            "frequency_error_hz": error if isinstance(error, float) else nan,
            "keyed": float(keyed),
            "voltage_v": supply.voltage_v,
            "current_a": supply.current_a,
            "temperature_degc": supply.temperature_degc,
        }
    )
    return keyed
