"""The supply: a battery running down, and one lump of heat warming up.

Charge leaves at ``I (I / I_rated)^(n - 1)``, at least at ``I``, with ``I_rated`` the capacity over
the rated hours: Peukert's relation referred to the rated time, t = H (C / (I H))^n
(reference worked examples 9.2). Voltage is the rest voltage at the state of charge less the drop
across the internal resistance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from harness.errors import BadInput
from harness.simulator.unit import BatteryPart, ThermalPart, TransmitterPart

_LEAD_ACID = (
    # Rest voltage of 12 V by percent of charge, 25 degC: stored page "Battery charging"
    # (solarnavigator.net) as read in reference/lead_acid_soc.csv.
    (0, 10.5),
    (10, 11.31),
    (20, 11.58),
    (30, 11.75),
    (40, 11.9),
    (50, 12.06),
    (60, 12.2),
    (70, 12.32),
    (80, 12.42),
    (90, 12.5),
    (100, 12.7),
)
_PER_CELL_V = {
    "lead-acid": tuple((percent, volts / 6) for percent, volts in _LEAD_ACID),
    # Chosen, of the usual shape: no source.
    "lifepo4": ((0, 2.5), (5, 3.05), (20, 3.22), (50, 3.28), (80, 3.32), (97, 3.36), (100, 3.5)),
    "li-ion": ((0, 3.0), (10, 3.45), (30, 3.6), (50, 3.7), (70, 3.85), (90, 4.05), (100, 4.18)),
    "nimh": ((0, 1.0), (10, 1.17), (30, 1.23), (70, 1.27), (90, 1.33), (100, 1.42)),
}
_STEP_NS = 5_000_000_000
"""Step of the accelerated clock. Chosen: far below the thermal time constant."""
_EMPTY_SLOPE_V_PER_CELL = 30.0
"""Fall of the rest voltage per unit of charge below empty. Chosen: steep."""


@dataclass(slots=True)
class Supply:
    """State of charge, terminal voltage, current and temperature.

    ``advance`` moves it in one step, ``skip`` in whole steps of fixed length: what is left of
    the time is owed (``owed_ns``, with the keying it passed with) until ``catch_up``, so the cut
    of a wait never shows in the bits.
    """

    battery: BatteryPart
    thermal: ThermalPart
    transmitter: TransmitterPart
    state_of_charge: float
    temperature_degc: float
    voltage_v: float
    current_a: float
    cut_off: bool = False
    charge_ah: float = 0.0
    energy_wh: float = 0.0
    owed_ns: int = 0
    owed_keyed: float = 0.0
    owed_receiving: float = 0.0

    @classmethod
    def of(cls, battery: BatteryPart, thermal: ThermalPart, transmitter: TransmitterPart) -> Supply:
        """Begin at rest: cold, and as full as the battery part says."""
        supply = cls(
            battery,
            thermal,
            transmitter,
            battery.state_of_charge,
            thermal.ambient_degc,
            0.0,
            battery.standby_a,
        )
        supply.voltage_v = supply.rest_v() - supply.current_a * supply.resistance_ohm()
        return supply

    def copy(self) -> Supply:
        """Give another one in the same state."""
        return replace(self)

    def rest_v(self) -> float:
        """Voltage without load."""
        table = _PER_CELL_V[_family(self.battery.chemistry)]
        cell_v = float(
            np.interp(
                100.0 * self.state_of_charge, [row[0] for row in table], [row[1] for row in table]
            )
        )
        cell_v += _EMPTY_SLOPE_V_PER_CELL * min(self.state_of_charge, 0.0)
        return max(cell_v, 0.0) * self.battery.cells

    def resistance_ohm(self) -> float:
        """Give the internal resistance: 1 when full, 1.8 at a fifth, 3 when empty (chosen)."""
        emptied = min(max(1.0 - self.state_of_charge, 0.0), 1.0)
        return self.battery.internal_resistance_ohm * (1.0 + 0.4 * emptied + 1.6 * emptied**4)

    def skip(self, time_ns: int, keyed: float, receiving: float) -> tuple[int, bool]:
        """Let time pass with the transmitter keyed and the receiver open for shares of it.

        It stops where the supply cuts the transmitter off or lets it on again, for then the
        keying may change. Gives how much of it passed, in ns, and whether that happened.
        """
        left_ns = self.owed_ns + time_ns
        self.owed_keyed, self.owed_receiving = keyed, receiving
        cut_off = self.cut_off
        while left_ns >= _STEP_NS:
            self.advance(_STEP_NS * 1e-9, keyed, receiving)
            left_ns -= _STEP_NS
            if self.cut_off != cut_off:
                self.owed_ns = 0
                return time_ns - left_ns, True
        self.owed_ns = left_ns
        return time_ns, False

    def catch_up(self) -> None:
        """Let the time pass that is owed."""
        if self.owed_ns:
            self.advance(self.owed_ns * 1e-9, self.owed_keyed, self.owed_receiving)
            self.owed_ns = 0

    def advance(self, step_s: float, keyed: float, receiving: float) -> None:
        """Let a short time pass in one step."""
        part = self.battery
        idle_a = part.standby_a + (part.receive_a - part.standby_a) * receiving
        keyed_a = idle_a
        if keyed > 0.0 and not self.cut_off:
            driven = max(self.voltage_v, 0.0) / self.transmitter.reference_v
            keyed_a = part.receive_a + (part.transmit_a - part.receive_a) * driven
        self.current_a = idle_a + (keyed_a - idle_a) * keyed
        self._drain(self.current_a, step_s)
        resistance_ohm = self.resistance_ohm()
        rest_v = self.rest_v()
        self.voltage_v = max(rest_v - self.current_a * resistance_ohm, 0.0)
        if keyed > 0.0 and rest_v - keyed_a * resistance_ohm < self.transmitter.cut_off_v:
            self.cut_off = True
        elif self.cut_off and self.voltage_v > self.transmitter.restart_v:
            self.cut_off = False
        warm_degc = self.thermal.ambient_degc
        if not self.cut_off:
            warm_degc += self.thermal.rise_keyed_k * keyed
        approach = -math.expm1(-step_s / self.thermal.time_constant_s)
        self.temperature_degc += (warm_degc - self.temperature_degc) * approach
        self.charge_ah += self.current_a * step_s / 3600.0
        self.energy_wh += self.voltage_v * self.current_a * step_s / 3600.0

    def _drain(self, current_a: float, seconds: float) -> None:
        """Take charge, at the rate's price."""
        part = self.battery
        rated_a = part.capacity_ah / part.rated_hours
        price = max(current_a / rated_a, 1.0) ** (part.rate_exponent - 1.0)
        self.state_of_charge -= current_a * price * seconds / 3600.0 / part.capacity_ah


def _family(chemistry: str) -> str:
    words = chemistry.lower()
    for family in _PER_CELL_V:
        if words.startswith(family):
            return family
    raise BadInput(
        f"no discharge curve for the chemistry {chemistry!r}",
        "simulated bench",
        f"Known: {', '.join(_PER_CELL_V)}",
    )
