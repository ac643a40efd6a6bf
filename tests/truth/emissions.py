"""Emissions whose spectrum or transient is known from their formulas.

Sinusoidal FM of index b has lines of amplitude J_n(b) at n times the tone (Bessel); here J_n is
taken from its integral, (1/pi) times that of cos(n x - b sin x) from 0 to pi.
"""

from dataclasses import dataclass

import numpy as np

from tests.truth.signals import raised_cosine


def bessel_j(order: int, index: float) -> float:
    """J_n by its integral; the trapezoidal rule is exact here to rounding."""
    x = np.linspace(0.0, np.pi, 4001)
    y = np.cos(order * x - index * np.sin(x))
    return float((y.sum() - (y[0] + y[-1]) / 2.0) / (len(x) - 1))


def fm_lines(tone_hz: float, deviation_hz: float, orders: int = 40) -> dict[float, float]:
    """Power of each line of sinusoidal FM to the carrier's, by its offset in Hz."""
    index = deviation_hz / tone_hz
    return {n * tone_hz: bessel_j(n, index) ** 2 for n in range(-orders, orders + 1)}


def occupied_hz(lines: dict[float, float], outside: float = 0.005) -> float:
    """Bandwidth beyond whose edges lies ``outside`` of the power each: from line to line."""
    total = sum(lines.values())

    def edge(offsets: list[float]) -> float:
        power = 0.0
        for offset_hz in offsets:
            power += lines[offset_hz]
            if power >= outside * total:
                return offset_hz
        raise ValueError("no edge")

    rising = sorted(lines)
    return edge(rising[::-1]) - edge(rising)


@dataclass(frozen=True, kw_only=True)
class SettlingCarrier:
    """A carrier that is off its frequency after key-up and before the drop, by exponentials.

    f(t) = frequency + up exp(-(t - on)/up_tau) + down exp((t - off)/down_tau), keyed from on to
    off; half of the power at exactly these moments.
    """

    frequency_hz: float
    on_s: float
    off_s: float
    up_hz: float = 0.0
    up_tau_s: float = 1e-3
    down_hz: float = 0.0
    down_tau_s: float = 1e-3
    level_dbfs: float = -6.0
    rise_s: float = 0.0
    tone_hz: float = 1000.0
    deviation_hz: float = 0.0

    def offset_hz(self, time_s: np.ndarray) -> np.ndarray:
        """Offset from the settled frequency, without modulation."""
        return self.up_hz * np.exp(-(time_s - self.on_s) / self.up_tau_s) + self.down_hz * np.exp(
            (time_s - self.off_s) / self.down_tau_s
        )

    def reaches_s(self, level_db: float) -> float:
        """Moment at which the rising power stands at a level to the settled one."""
        half_power = np.arccos(1.0 - np.sqrt(2.0)) / np.pi
        u = np.arccos(1.0 - 2.0 * 10.0 ** (level_db / 20.0)) / np.pi
        return float(self.on_s + (u - half_power) * self.rise_s)

    def at(self, time_s: np.ndarray, tuned_hz: float) -> np.ndarray:
        """Complex samples as a receiver tuned to a true frequency sees them."""
        up_s = np.clip(time_s - self.on_s, -3.0 * self.up_tau_s, None)
        down_s = np.clip(time_s - self.off_s, None, 3.0 * self.down_tau_s)
        cycles = (self.frequency_hz - tuned_hz) * time_s
        cycles -= self.up_hz * self.up_tau_s * np.exp(-up_s / self.up_tau_s)
        cycles += self.down_hz * self.down_tau_s * np.exp(down_s / self.down_tau_s)
        angle = 2.0 * np.pi * cycles
        angle += self.deviation_hz / self.tone_hz * np.sin(2.0 * np.pi * self.tone_hz * time_s)
        envelope = raised_cosine(time_s, self.on_s, self.rise_s) * raised_cosine(
            -time_s, -self.off_s, self.rise_s
        )
        return 10.0 ** (self.level_dbfs / 20.0) * envelope * np.exp(1j * angle)
