"""Batteries of the simulated bench, emptied on a schedule: the truth is what the simulation did.

It takes the marked charge by Peukert's relation too, but ends at a voltage under load: rest voltage
by state of charge and chemistry, less the drop across a resistance that grows. So the end comes
with charge left, the more the higher the current.
"""

from dataclasses import dataclass

import numpy as np

from harness.describe import CHEMISTRIES
from harness.simulator.battery import Supply
from harness.simulator.unit import BatteryPart, ThermalPart, TransmitterPart
from tests.service.battery_runs import discharge, run_of

CELLS = {"lead-acid AGM": 6, "lead-acid gel": 6, "LiFePO4": 4, "NiMH": 10, "Li-ion": 3}
ON_S = 60.0
STEP_S = 20.0
LOG_S = 60.0


@dataclass(frozen=True)
class Battery:
    """A battery, and the voltage at which it is empty."""

    part: BatteryPart
    end_v: float


def drawn(chemistry, rng):
    """Draw a battery of a chemistry and what the unit takes from it: plausible, invented."""
    told = CHEMISTRIES[chemistry]
    part = BatteryPart(
        chemistry=chemistry,
        cells=CELLS[chemistry],
        capacity_ah=rng.uniform(5.0, 12.0),
        rated_hours=told.rated_time.hours,
        rate_exponent=rng.uniform(told.rate_exponent.low, told.rate_exponent.high),
        internal_resistance_ohm=rng.uniform(0.02, 0.06),
        standby_a=rng.uniform(0.03, 0.08),
        receive_a=rng.uniform(0.09, 0.15),
        transmit_a=rng.uniform(0.8, 1.6),
    )
    return Battery(part, told.end[0].volts * CELLS[chemistry])


def emptied(battery, transmit):
    """Empty it with the transmitter keyed for a share of the time, a minute at a time.

    Returns
    -------
    times in s, currents in A of each step, and how long it lasted in h
    """
    supply = Supply.of(battery.part, ThermalPart(), TransmitterPart(cut_off_v=0.1, restart_v=0.2))
    period = round(ON_S / transmit / STEP_S)
    on = round(ON_S / STEP_S)
    currents = []
    while True:
        keyed = 1.0 if len(currents) % period < on else 0.0
        supply.advance(STEP_S, keyed, keyed)
        if supply.voltage_v <= battery.end_v:
            return np.array(currents), len(currents) * STEP_S / 3600.0
        currents.append(supply.current_a)


def run_down(battery, rng, meter):
    """Give the findings of a run with the transmitter keyed all the time, read by a meter."""
    currents, lasted_h = emptied(battery, 1.0)
    scale = 1.0 + rng.normal(0.0, meter)
    every = round(LOG_S / STEP_S)
    rows = currents[::every] * scale
    lasted_s = lasted_h * 3600.0
    findings = discharge(
        lasted_s,
        lambda n: rows[min(n, len(rows) - 1)],
        meter=meter,
        edge_s=LOG_S / np.sqrt(3),
        step_s=LOG_S,
        end_v=battery.end_v,
    )
    return run_of(findings), scale
