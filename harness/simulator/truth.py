"""What is true on the simulated bench: for the self-check alone, never for what measures."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.devices import Role
from harness.simulator.unit import Parameter, SimulatedUnit, parameters
from harness.units import dbm_from_w

if TYPE_CHECKING:
    from harness.simulator.dongle import DonglePart
    from harness.simulator.world import World


@dataclass(frozen=True, slots=True, kw_only=True)
class Keying:
    """The power of the input or output passed half of its settled value.

    ``at_s`` is true time from the start of take number ``take`` (the first is 0).
    """

    take: int
    role: Role
    at_s: float
    on: bool


class Truth:
    """Set values and true events of a simulated bench, as they are now."""

    def __init__(
        self,
        world: World,
        dongles: dict[Role, DonglePart],
        keyings: Callable[[], list[Keying]],
    ) -> None:
        self._world = world
        self._keyings = keyings
        self.dongles = dongles
        """What the receivers and the paths to them are like in truth."""

    @property
    def keyings(self) -> list[Keying]:
        """Of the takes so far, in order of time."""
        return self._keyings()

    @property
    def unit(self) -> SimulatedUnit:
        """The unit with its faults."""
        return self._world.unit

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Every parameter of the unit and of the way to it, with its source."""
        return (*parameters(self.unit), *parameters(self._world.environment, "environment."))

    @property
    def supply_v(self) -> float:
        """Voltage at the battery's terminals."""
        return self._world.supply.voltage_v

    @property
    def temperature_degc(self) -> float:
        """Temperature of the unit."""
        return self._world.supply.temperature_degc

    @property
    def state_of_charge(self) -> float:
        """Charge left, 1 is full."""
        return self._world.supply.state_of_charge

    @property
    def charge_ah(self) -> float:
        """Charge drawn since the bench was opened."""
        return self._world.supply.charge_ah

    @property
    def energy_wh(self) -> float:
        """Energy drawn since the bench was opened."""
        return self._world.supply.energy_wh

    @property
    def cut_off(self) -> bool:
        """Whether the supply is too low for the transmitter."""
        return self._world.supply.cut_off

    def carrier_power_port_dbm(self, supply_v: float | None = None) -> float:
        """Power while keyed, at a supply voltage or the present one."""
        volts = self.supply_v if supply_v is None else supply_v
        power_mw = self._world.transmitter.power_port_mw(self.temperature_degc, volts)
        return float(dbm_from_w(1e-3 * power_mw))

    def frequency_error_hz(self) -> float:
        """Settled carrier minus nominal frequency, at present."""
        transmitter = self._world.transmitter
        drift_hz = transmitter.drift_hz(self.temperature_degc, self.supply_v)
        return transmitter.reference_hz - self.unit.transmit_hz + drift_hz

    def repeat_gain(self, tone_hz: float, deviation_hz: float = 0.0) -> float:
        """Deviation out over deviation in below the limiter, for a tone of a deviation in."""
        return self._world.audio.gain_at(tone_hz, deviation_hz)

    def desensitisation_db(self) -> float:
        """Loss of sensitivity by the transmitter's noise while keyed, at present.

        Both noises are white over the IF, so the whole curve of SINAD moves by their sum.
        """
        world = self._world
        power_mw = world.transmitter.power_port_mw(self.temperature_degc, self.supply_v)
        noise = world.transmitter.noise_at_receiver_mw_per_hz(
            power_mw, self.unit.duplexer.isolation_db
        )
        return 10.0 * math.log10(1.0 + noise / world.receiver.thermal_mw_per_hz)

    def hang_s(self) -> float:
        """Set time of the hang timer; the squelch's own time to close comes before it."""
        return self.unit.squelch.hang_s
