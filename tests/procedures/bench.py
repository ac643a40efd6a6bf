"""A bench of nothing but a notebook: it writes down what it is told and can fail on demand.

Its samples are silence at half scale; it is for what a runner does, not for what is measured.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from harness.blocks import Block
from harness.devices import StreamInfo, SupplyReading
from harness.procedures.wiring import OpenBench

RATE_HZ = 250e3


@dataclass
class Notebook:
    """All devices in one. ``on_read`` is called before each read and may raise."""

    on_read: Callable[[], None] = lambda: None
    told: list[str] = field(default_factory=list)
    rf: bool = False
    taking: bool = False
    at: int = 0
    now_s: float = 0.0

    @property
    def streams(self):
        info = StreamInfo(
            role="output", datatype="cu8", sample_rate_hz=RATE_HZ, centre_hz=153.825e6, hardware=""
        )
        return {"output": info}

    def start(self):
        self.taking, self.at = True, 0

    def read(self, until_s):
        self.on_read()
        first, self.at = self.at, round(until_s * RATE_HZ)
        samples = np.full((self.at - first, 2), 127, np.uint8)
        return {"output": [Block(samples, first, RATE_HZ)]}

    def stop(self):
        self.taking = False

    def set_frequency(self, frequency_hz):
        self.told.append("frequency")

    def set_modulation(self, tone_hz, deviation_hz):
        self.told.append("modulation")

    def set_level(self, level_port_dbm):
        self.rf = True
        self.told.append("level")

    def rf_off(self):
        self.rf = False
        self.told.append("off")

    def turn_knob(self, position):
        self.told.append(f"knob {position}")

    def set_transmitter_enabled(self, enabled):
        self.told.append(f"enabled {enabled}")

    def hold_transmitter(self, held):
        self.told.append(f"held {held}")

    def read_supply(self):
        return SupplyReading(voltage_v=12.5, current_a=1.4, temperature_degc=21.0)

    def wait(self, seconds):
        self.now_s += seconds

    def devices(self) -> OpenBench:
        return OpenBench(
            source=self,
            generator=self,
            knob=self,
            meter=self,
            waiter=self,
            kind="notebook",
            transmitter=self,
            transmitter_key=self,
        )


class Quiet:
    """A watcher that only remembers what was said."""

    def __init__(self):
        self.said = []

    def step(self, title):
        pass

    def progress(self, share):
        pass

    def say(self, text):
        self.said.append(text)
