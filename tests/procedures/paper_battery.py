"""A unit with a battery on paper: keyed by the generator, with an attack, a hang and a timer.

Its own physics, in a few lines and shared with nothing: the voltage falls linearly with the charge
taken and by the drop across a resistance; the power goes as the square of the voltage.
"""

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from harness.blocks import Block
from harness.devices import StreamInfo, SupplyReading
from harness.procedures.wiring import OpenBench

RATE_HZ = 250e3
OFFSET_HZ = 40e3
FULL_POWER = 60.0
"""Amplitude in codes at the full voltage."""


@dataclass
class PaperBench:
    """All devices in one. Time passes as samples are read, and while it is waited.

    Parameters
    ----------
    carrier_hz : of the unit, from the recorder's centre
    attack_s, hang_s : from the generator to the carrier
    gone_s : from then on there is no carrier
    glitch : readings of the meter by number that it shows instead
    """

    carrier_hz: float
    centre_hz: float
    attack_s: float = 0.05
    hang_s: float = 0.3
    capacity_ah: float = 0.02
    full_v: float = 12.8
    empty_v: float = 10.4
    resistance_ohm: float = 0.1
    transmit_a: float = 1.4
    receive_a: float = 0.11
    standby_a: float = 0.045
    gone_s: float = np.inf
    glitch: dict[int, float] = field(default_factory=dict)
    kind: str = "paper"
    now_s: float = 0.0
    charge_as: float = 0.0
    readings: int = 0
    rf: bool = False
    enabled: bool = True
    changes: list[tuple[float, bool]] = field(default_factory=lambda: [(-100.0, False)])
    ables: list[tuple[float, bool]] = field(default_factory=lambda: [(-100.0, True)])
    told: list[str] = field(default_factory=list)
    take_s: float = 0.0
    at: int = 0

    @property
    def streams(self):
        info = StreamInfo(
            role="output",
            datatype="cu8",
            sample_rate_hz=RATE_HZ,
            centre_hz=self.centre_hz,
            hardware="paper",
        )
        return {"output": info}

    def start(self):
        self.take_s, self.at = self.now_s, 0

    def stop(self):
        pass

    def read(self, until_s):
        first, self.at = self.at, round(until_s * RATE_HZ)
        time_s = np.arange(first, self.at) / RATE_HZ
        amplitude = (
            FULL_POWER * self.voltage_v(True) / self.full_v * self.keyed(time_s + self.take_s)
        )
        phase = 2.0 * np.pi * self.carrier_hz * time_s
        noise = np.random.default_rng(first).normal(0.0, 1.0, (len(time_s), 2))
        iq = amplitude[:, None] * np.column_stack([np.cos(phase), np.sin(phase)])
        self.pass_until(self.take_s + until_s)
        codes = np.rint(127.5 + iq + noise).astype(np.uint8)
        return {"output": [Block(codes, first, RATE_HZ)]}

    def squelch(self, time_s):
        """Whether the squelch holds the keying line at times: shape of ``time_s``."""
        open_ = np.zeros(np.shape(time_s), dtype=bool)
        for (on_s, on), (off_s, _) in pairwise([*self.changes, (np.inf, False)]):
            if on and off_s - on_s > self.attack_s:
                open_ |= (time_s >= on_s + self.attack_s) & (time_s < off_s + self.hang_s)
        return open_

    def keyed(self, time_s):
        """Whether the carrier is on at times."""
        able = np.ones(np.shape(time_s), dtype=bool)
        for at_s, enabled in self.ables:
            able[time_s >= at_s] = enabled
        return self.squelch(time_s) & able & (time_s < self.gone_s)

    def current_a(self, time_s):
        keyed, open_ = self.keyed(time_s), self.squelch(time_s)
        return np.where(keyed, self.transmit_a, np.where(open_, self.receive_a, self.standby_a))

    def voltage_v(self, keyed):
        left = 1.0 - self.charge_as / 3600.0 / self.capacity_ah
        rest_v = self.empty_v + (self.full_v - self.empty_v) * left
        return rest_v - self.resistance_ohm * (self.transmit_a if keyed else 0.0)

    def pass_until(self, until_s):
        """Take the charge up to a time, in pieces of a millisecond or a thousandth of it."""
        if until_s <= self.now_s:
            return
        step_s = max(0.001, (until_s - self.now_s) / 1e4)
        pieces = max(round((until_s - self.now_s) / step_s), 1)
        middle_s = self.now_s + (np.arange(pieces) + 0.5) * (until_s - self.now_s) / pieces
        self.charge_as += float(self.current_a(middle_s).mean()) * (until_s - self.now_s)
        self.now_s = until_s

    def set_frequency(self, frequency_hz):
        pass

    def set_modulation(self, tone_hz, deviation_hz):
        pass

    def set_level(self, level_port_dbm):
        if not self.rf:
            self.changes.append((self.now_s, True))
        self.rf = True
        self.told.append(f"on {self.now_s:.3f}")

    def rf_off(self):
        if self.rf:
            self.changes.append((self.now_s, False))
        self.rf = False
        self.told.append(f"off {self.now_s:.3f}")

    def turn_knob(self, position):
        pass

    def set_transmitter_enabled(self, enabled):
        self.ables.append((self.now_s, enabled))
        self.enabled = enabled

    def hold_transmitter(self, held):
        raise AssertionError("nobody holds the key in a battery run")

    def read_supply(self):
        self.readings += 1
        now = np.array([self.now_s])
        voltage_v = self.glitch.get(self.readings, self.voltage_v(bool(self.keyed(now)[0])))
        return SupplyReading(
            voltage_v=voltage_v, current_a=float(self.current_a(now)[0]), temperature_degc=21.0
        )

    def wait(self, seconds):
        self.pass_until(self.now_s + seconds)

    def devices(self):
        return OpenBench(
            source=self,
            generator=self,
            knob=self,
            meter=self,
            waiter=self,
            kind=self.kind,
            transmitter=self,
            transmitter_key=self,
        )
