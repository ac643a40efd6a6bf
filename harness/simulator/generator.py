"""The signal generator: carrier, sine FM and level as functions of true time.

Between commands everything has a closed form, so the same signal can be evaluated on any grid:
that of the unit's receiver and that of the input dongle. Phases are continuous over commands.
A level changes along a raised cosine of amplitude that begins at the command.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.units import FloatArray

SWITCHING_S = 100e-6
"""How long a change of level takes. Chosen: a diode switch, slowed to splatter less."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What the generator does from ``start_s`` on.

    ``offset_hz`` is the true carrier from the channel's nominal frequency, ``phase`` and
    ``tone_phase`` are in cycles at ``start_s``; amplitudes are the root of the power at the
    unit's port in mW, before and after.
    """

    start_s: float = 0.0
    offset_hz: float = 0.0
    tone_hz: float = 0.0
    deviation_hz: float = 0.0
    phase: float = 0.0
    tone_phase: float = 0.0
    before: float = 0.0
    after: float = 0.0

    def _index(self) -> float:
        """Modulation index in cycles: what a sine of the tone adds to the phase."""
        return self.deviation_hz / self.tone_hz / (2.0 * math.pi) if self.tone_hz else 0.0

    def changed(self, at_s: float, **changes: float) -> Setting:
        """Go on from ``at_s`` with some things changed and the phases continued."""
        elapsed_s = at_s - self.start_s
        tone_phase = self.tone_phase + self.tone_hz * elapsed_s
        swing = math.sin(2 * math.pi * tone_phase) - math.sin(2 * math.pi * self.tone_phase)
        phase = self.phase + self.offset_hz * elapsed_s + self._index() * swing
        amplitude = float(self.amplitude(at_s, 1.0, 1)[0])
        kept = {"before": amplitude, "after": self.after}
        if "after" not in changes and amplitude != self.after:
            # A command amid a change of level: the change is taken as done. 100 us at most.
            kept["before"] = self.after
        return replace(
            self,
            start_s=at_s,
            phase=phase % 1.0,
            tone_phase=tone_phase % 1.0,
            **{**kept, **changes},
        )

    def cycles(self, first_s: float, step_s: float, count: int, turn_hz: float) -> FloatArray:
        """Phase in cycles at ``first_s + n step_s``, with a further ``turn_hz`` of frequency.

        Only good modulo 1: whole cycles before ``first_s`` are left out.
        """
        elapsed_s = first_s - self.start_s
        steps = np.arange(count, dtype=np.float64)
        rate_hz = self.offset_hz + turn_hz
        cycles = steps * (rate_hz * step_s)
        constant = (self.phase + self.offset_hz * elapsed_s + turn_hz * first_s) % 1.0
        if self.deviation_hz:
            tone = steps * (self.tone_hz * step_s)
            tone += (self.tone_phase + self.tone_hz * elapsed_s) % 1.0
            index = self._index()
            cycles += index * sine(tone)
            constant -= index * math.sin(2 * math.pi * self.tone_phase)
        cycles += constant
        return cycles

    def amplitude(self, first_s: float, step_s: float, count: int) -> FloatArray:
        """Amplitude (root of mW at the port) at ``first_s + n step_s``; one value if constant."""
        if self.before == self.after or first_s >= self.start_s + SWITCHING_S:
            return np.array([self.after])
        share = (first_s - self.start_s + step_s * np.arange(count)) / SWITCHING_S
        shape = 0.5 - 0.5 * np.cos(math.pi * np.clip(share, 0.0, 1.0))
        return np.asarray(self.before + (self.after - self.before) * shape)

    def half_power_s(self) -> float:
        """Time at which the power is halfway between before and after."""
        wanted = math.sqrt((self.before**2 + self.after**2) / 2.0)
        share = (wanted - self.before) / (self.after - self.before)
        return self.start_s + SWITCHING_S * math.acos(1.0 - 2.0 * share) / math.pi


def sine(cycles: FloatArray) -> NDArray[np.float32]:
    """Sine of a phase in cycles, to a few parts in ten million."""
    turned = radians(cycles)
    return np.sin(turned, out=turned)


def radians(cycles: FloatArray) -> NDArray[np.float32]:
    """Angle of a phase in cycles, within half a turn of 0, where float32 is exact enough."""
    turned = (cycles - np.rint(cycles)).astype(np.float32)
    turned *= np.float32(2.0 * math.pi)
    return turned


@dataclass(slots=True)
class Piece:
    """A part of a grid under one setting."""

    setting: Setting
    start: int
    stop: int


class Programme:
    """The settings in order of time, and the signal they make."""

    def __init__(self) -> None:
        self.settings: list[Setting] = [Setting()]

    @property
    def now(self) -> Setting:
        """The last setting."""
        return self.settings[-1]

    def change(self, at_s: float, **changes: float) -> None:
        """Set something from ``at_s`` on."""
        self.settings.append(self.now.changed(at_s, **changes))

    def forget_before(self, time_s: float) -> None:
        """Drop the settings that ended before ``time_s``."""
        while len(self.settings) > 1 and self.settings[1].start_s < time_s:
            del self.settings[0]

    def pieces(self, first_s: float, step_s: float, count: int) -> list[Piece]:
        """Cut a grid where the setting changes."""
        given: list[Piece] = []
        for number, setting in enumerate(self.settings):
            start = 0 if number == 0 else _first_at_or_after(setting.start_s, first_s, step_s)
            stop = count
            if number + 1 < len(self.settings):
                following = self.settings[number + 1].start_s
                stop = _first_at_or_after(following, first_s, step_s)
            start, stop = max(start, 0), min(stop, count)
            if start < stop:
                given.append(Piece(setting, start, stop))
        return given


def _first_at_or_after(time_s: float, first_s: float, step_s: float) -> int:
    # A hair of slack: a command falls on the sample whose time equals it up to rounding.
    return math.ceil((time_s - first_s) / step_s - 1e-6)
