"""What happens to the signal on its way to the unit: a slow fade, impulses, an odd frequency.

All of it comes before the tap, so that unit and input dongle meet the same. It is a function of
true time alone, so that it can be evaluated on any grid, in any cut, and again after a rewind.
An impulse is a short burst of carrier of a phase at chance; where it is shorter than a sample of
the grid, the sample holds what of it falls into it, as behind any filter slower than the burst.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.simulator.unit import CHOSEN, given
from harness.units import FloatArray

NO_EFFECT = "none: off unless asked for"


@dataclass(frozen=True, slots=True, kw_only=True)
class Environment:
    """The way of the signal to the unit; as it stands, nothing happens on it."""

    fade_db: float = given(0.0, NO_EFFECT)
    """The level goes down and up by so much, peak to peak, along a sine in decibels that begins at
    the level as set and goes down first."""
    fade_hz: float = given(0.05, CHOSEN + ": a slow fade, three a minute")
    impulses_per_s: float = given(0.0, NO_EFFECT)
    """Mean rate; they come independently of each other."""
    impulse_port_dbm: float = given(-80.0, CHOSEN)
    """Level at the unit's port while one lasts."""
    impulse_s: float = given(20e-6, CHOSEN + ": sparks last microseconds to tens of them")
    generator_offset_hz: float = given(0.0, NO_EFFECT)
    """Added to every frequency that the generator is set to."""
    seed: int = given(1, CHOSEN)
    """Of the impulses' times and phases."""

    def gain(self, first_s: float, step_s: float, count: int) -> FloatArray:
        """Factor of amplitude at ``first_s + n step_s``; one value where it does not change."""
        if self.fade_db == 0.0:
            return np.array([1.0])
        turns = self.fade_hz * (first_s + step_s * np.arange(count))
        down_db = 0.5 * self.fade_db * (1.0 - np.cos(2.0 * math.pi * turns))
        return np.asarray(10.0 ** (-down_db / 20.0))

    def impulses(self, first_s: float, step_s: float, count: int) -> NDArray[np.complex128] | None:
        """Give what impulses add (root of mW at the port); None where there are none.

        Sample n of ``count`` lasts from ``first_s + n step_s`` to the next.
        """
        if self.impulses_per_s <= 0.0:
            return None
        last_s = first_s + step_s * count
        added: NDArray[np.complex128] | None = None
        for second in range(math.floor(first_s - self.impulse_s), math.floor(last_s) + 1):
            for at_s, phase in self._in_second(second):
                begin, end = (at_s - first_s) / step_s, (at_s + self.impulse_s - first_s) / step_s
                first, stop = max(math.floor(begin), 0), min(math.ceil(end), count)
                if first >= stop:
                    continue
                if added is None:
                    added = np.zeros(count, dtype=np.complex128)
                n = np.arange(first, stop)
                inside = np.minimum(n + 1.0, end) - np.maximum(n, begin)
                amplitude = 10.0 ** (self.impulse_port_dbm / 20.0)
                added[first:stop] += amplitude * inside * np.exp(2j * math.pi * phase)
        return added

    def _in_second(self, second: int) -> list[tuple[float, float]]:
        """Draw times and phases (cycles) of the impulses of one second."""
        random = np.random.default_rng([self.seed, second + 2, 61])
        number = int(random.poisson(self.impulses_per_s))
        times, phases = random.random(number), random.random(number)
        return [(second + float(a), float(b)) for a, b in zip(times, phases, strict=True)]


CALM = Environment()

CONDITIONS: dict[str, dict[str, Any]] = {
    "slow fade": {"fade_db": 6.0},
    "impulse noise": {"impulses_per_s": 300.0},
    "generator off frequency": {"generator_offset_hz": 1800.0},
}
"""Conditions that can be switched on like faults, by name, and what each sets. All chosen."""
