"""The transmitter: when RF is on, how it rises and falls, and the phase of the carrier.

Given per frame on the unit's grid: the envelope (1 is full) and the phase in cycles about a
reference carrier, which is the crystal's frequency at 25 degC and the reference voltage. Drift,
the pull at key-up, hum and audio are in the phase.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from harness.simulator.receiver import RATE_HZ
from harness.simulator.unit import TransmitterPart
from harness.units import FloatArray, ratio_from_db

REFERENCE_DEGC = 25.0


Gate = Literal["keyed", "held", "enabled", "supplied"]


@dataclass(frozen=True, slots=True)
class Edge:
    """RF begins to rise or to fall at ``at_s``, from amplitude ``before``."""

    at_s: float
    on: bool
    before: float = 0.0


@dataclass(slots=True)
class TransmitterState:
    """Edges to come and the last one begun, the gates on RF, and the phase reached."""

    last: Edge
    coming: tuple[Edge, ...] = ()
    keyed: bool = False
    held: bool = False
    enabled: bool = True
    supplied: bool = True
    phase: float = 0.0
    hum_phase: float = 0.0

    @property
    def is_due(self) -> bool:
        """Whether RF ought to be on: keyed by the squelch or by hand, and nothing keeps it off."""
        return (self.keyed or self.held) and self.enabled and self.supplied


@dataclass(frozen=True, slots=True)
class RfEvent:
    """The output's power passed half of the settled power."""

    at_s: float
    on: bool


class Transmitter:
    """Envelope and phase, frame by frame.

    Parameters
    ----------
    part : of the unit
    transmit_hz : nominal carrier
    transmit_loss_db : of the duplexer as it is
    """

    def __init__(self, part: TransmitterPart, transmit_hz: float, transmit_loss_db: float) -> None:
        self.part = part
        self._transmit_hz = transmit_hz
        self._excess_loss_db = transmit_loss_db - part.nominal_transmit_loss_db
        self._transmit_loss_db = transmit_loss_db

    @property
    def reference_hz(self) -> float:
        """The carrier that phases are counted from."""
        return self._transmit_hz * (1.0 + self.part.crystal_error_ppm * 1e-6)

    def drift_hz(self, temperature_degc: float, voltage_v: float) -> float:
        """Carrier minus reference carrier."""
        ppm = self.part.drift_ppm_per_k * (temperature_degc - REFERENCE_DEGC)
        ppm += self.part.drift_ppm_per_v * (voltage_v - self.part.reference_v)
        return self._transmit_hz * ppm * 1e-6

    def power_port_mw(self, temperature_degc: float, voltage_v: float) -> float:
        """Power at the antenna port while keyed."""
        part = self.part
        supply = max(voltage_v, 0.0) / part.reference_v
        loss_db = self._excess_loss_db
        loss_db -= part.power_drift_db_per_k * (temperature_degc - REFERENCE_DEGC)
        full_mw = 1e3 * part.power_port_w * ratio_from_db(-loss_db)
        return float(full_mw * supply**part.power_exponent)

    def noise_at_receiver_mw_per_hz(self, power_port_mw: float, isolation_db: float) -> float:
        """Density that reaches the receiver's input through the duplexer."""
        gain_db = self._transmit_loss_db + self.part.noise_dbc_per_hz - isolation_db
        return float(power_port_mw * ratio_from_db(gain_db))

    def scheduled(
        self, state: TransmitterState, at_s: float, gate: Gate, value: bool
    ) -> TransmitterState:
        """Change one of the gates; RF follows at ``at_s`` if that changes what it should be.

        An edge that is on its way is never taken back; a later one never overtakes it.
        """
        now = replace(state)
        setattr(now, gate, value)
        after = now.is_due
        if after != state.is_due:
            if state.coming:
                at_s = max(at_s, state.coming[-1].at_s)
            now.coming = (*state.coming, Edge(at_s, after))
        return now

    def envelope(
        self, first_s: float, count: int, state: TransmitterState
    ) -> tuple[FloatArray | float, TransmitterState, tuple[RfEvent, ...]]:
        """Give the amplitude over one frame, the state after, and the edges that passed half.

        One number where it is constant.
        """
        end_s = first_s + count / RATE_HZ
        begun = [edge for edge in state.coming if edge.at_s < end_s]
        coming = state.coming[len(begun) :]
        times = first_s + np.arange(count) / RATE_HZ
        last = state.last
        settled = first_s >= last.at_s + self._length_s(last)
        values = np.full(count, 1.0 if last.on else 0.0) if settled else self._shape(last, times)
        events = self._events(last, first_s, begun[0].at_s if begun else end_s)
        for number, edge in enumerate(begun):
            before = float(self._shape(last, np.array([edge.at_s]))[0])
            last = Edge(edge.at_s, edge.on, before)
            late = times >= edge.at_s
            values[late] = self._shape(last, times[late])
            until = begun[number + 1].at_s if number + 1 < len(begun) else end_s
            events += self._events(last, first_s, until)
        after = replace(state, last=last, coming=coming)
        if settled and not begun:
            return (1.0 if last.on else 0.0), after, ()
        return values, after, tuple(events)

    def phase(
        self,
        first_s: float,
        deviation_hz: FloatArray,
        drift_hz: float,
        state: TransmitterState,
    ) -> tuple[FloatArray, TransmitterState]:
        """Give the phase in cycles at each sample of a frame, and the state after."""
        count = len(deviation_hz)
        turn = self.part.hum_hz / RATE_HZ
        hum = np.sin(2 * math.pi * (state.hum_phase + turn * np.arange(count)))
        frequency_hz = deviation_hz + drift_hz + self.part.hum_deviation_hz * hum
        last = state.last
        settling_s = self.part.key_up_settling_s
        if last.on and first_s < last.at_s + 20.0 * settling_s:
            since_s = first_s + np.arange(count) / RATE_HZ - last.at_s
            pull = np.exp(-np.maximum(since_s, 0.0) / settling_s)
            frequency_hz += self.part.key_up_offset_hz * np.where(since_s >= 0.0, pull, 0.0)
        steps = np.empty(count + 1)
        steps[0] = state.phase
        np.multiply(frequency_hz, 1.0 / RATE_HZ, out=steps[1:])
        cycles = np.cumsum(steps)
        hum_phase = (state.hum_phase + turn * count) % 1.0
        after = replace(state, phase=float(cycles[-1]), hum_phase=hum_phase)
        return cycles[:-1], after

    def _length_s(self, edge: Edge) -> float:
        return self.part.rise_s if edge.on else self.part.fall_s

    def _shape(self, edge: Edge, times: FloatArray) -> FloatArray:
        share = np.clip((times - edge.at_s) / self._length_s(edge), 0.0, 1.0)
        target = 1.0 if edge.on else 0.0
        return edge.before + (target - edge.before) * (0.5 - 0.5 * np.cos(math.pi * share))

    def _events(self, edge: Edge, first_s: float, until_s: float) -> list[RfEvent]:
        """Half-power crossing of an edge, if it falls between two times."""
        half = math.sqrt(0.5)
        target = 1.0 if edge.on else 0.0
        if not min(edge.before, target) < half < max(edge.before, target):
            return []
        share = (half - edge.before) / (target - edge.before)
        at_s = edge.at_s + self._length_s(edge) * math.acos(1.0 - 2.0 * share) / math.pi
        return [RfEvent(at_s, edge.on)] if first_s <= at_s < until_s else []
