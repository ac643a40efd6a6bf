"""Emissions whose spectrum or transient is known from their formulas.

Sinusoidal FM of index b has lines of amplitude J_n(b) at n times the tone (Bessel); here J_n is
taken from its integral, (1/pi) times that of cos(n x - b sin x) from 0 to pi.
"""

from dataclasses import dataclass

import numpy as np

from tests.truth.signals import band_noise, raised_cosine


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
class NoiseCarrier:
    """A carrier modulated by Gaussian noise of 300 to 3000 Hz: no line, as speech has none."""

    frequency_hz: float
    deviation_rms_hz: float
    draw: int
    level_dbfs: float = -6.0

    def at(self, time_s: np.ndarray, tuned_hz: float) -> np.ndarray:
        """Complex samples as a receiver tuned to a true frequency sees them."""
        rate_hz = 1.0 / (time_s[1] - time_s[0])
        _, phase = band_noise(len(time_s), rate_hz, 300.0, 3000.0, self.deviation_rms_hz, self.draw)
        angle = 2.0 * np.pi * (self.frequency_hz - tuned_hz) * time_s + phase
        return 10.0 ** (self.level_dbfs / 20.0) * np.exp(1j * angle)


def noise_occupied_hz(deviation_rms_hz: float, outside: float = 0.005) -> float:
    """Occupied bandwidth of ``NoiseCarrier``, noise of any length.

    Its phase is Gaussian with an autocovariance C, so its autocorrelation is exp(C(t) - C(0));
    here from lines 1 Hz apart, whose spectrum is a period of 1 s.
    """
    count = 64_000
    tones = np.arange(300, 3001)
    variance = np.zeros(count)
    variance[tones] = deviation_rms_hz**2 / len(tones) / tones**2.0
    covariance = np.fft.fft(variance).real
    lines = np.fft.fftshift(np.fft.ifft(np.exp(covariance - covariance[0])).real)
    sums = np.cumsum(lines) / lines.sum()
    place = np.interp([outside, 1.0 - outside], sums, np.arange(count) + 0.5)
    return float(place[1] - place[0])


@dataclass(frozen=True, kw_only=True)
class SettlingCarrier:
    """A carrier that is off its frequency after key-up and before the drop, by exponentials.

    f(t) = frequency + up exp(-(t - on)/up_tau) + down exp((t - off)/down_tau), keyed from on to
    off; half of the power at exactly these moments. The amplitude rises as half a cosine to the
    power of ``rise_order``: 0.5 begins straight, a large one by as many dB in any stretch of time.
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
    rise_order: float = 1.0
    tone_hz: float = 1000.0
    deviation_hz: float = 0.0

    def envelope(self, time_s: np.ndarray) -> np.ndarray:
        """Amplitude of the rise about ``on_s``."""
        if self.rise_order == 1.0 or self.rise_s == 0.0:
            return raised_cosine(time_s, self.on_s, self.rise_s)
        u = np.clip((time_s - self.on_s) / self.rise_s + self._share_at(0.5), 0.0, 1.0)
        return ((1.0 - np.cos(np.pi * u)) / 2.0) ** self.rise_order

    def _share_at(self, power: float) -> float:
        """Share of the rise after which it has a power."""
        return float(np.arccos(1.0 - 2.0 * power ** (0.5 / self.rise_order)) / np.pi)

    def offset_hz(self, time_s: np.ndarray) -> np.ndarray:
        """Offset from the settled frequency, without modulation."""
        return self.up_hz * np.exp(-(time_s - self.on_s) / self.up_tau_s) + self.down_hz * np.exp(
            (time_s - self.off_s) / self.down_tau_s
        )

    def reaches_s(self, level_db: float) -> float:
        """Moment at which the rising power stands at a level to the settled one."""
        share = self._share_at(10.0 ** (level_db / 10.0))
        return self.on_s + (share - self._share_at(0.5)) * self.rise_s

    def at(self, time_s: np.ndarray, tuned_hz: float) -> np.ndarray:
        """Complex samples as a receiver tuned to a true frequency sees them."""
        up_s = np.clip(time_s - self.on_s, -3.0 * self.up_tau_s, None)
        down_s = np.clip(time_s - self.off_s, None, 3.0 * self.down_tau_s)
        cycles = (self.frequency_hz - tuned_hz) * time_s
        cycles -= self.up_hz * self.up_tau_s * np.exp(-up_s / self.up_tau_s)
        cycles += self.down_hz * self.down_tau_s * np.exp(down_s / self.down_tau_s)
        angle = 2.0 * np.pi * cycles
        angle += self.deviation_hz / self.tone_hz * np.sin(2.0 * np.pi * self.tone_hz * time_s)
        # The drop is the rise turned about.
        envelope = self.envelope(time_s) * self.envelope(self.on_s + self.off_s - time_s)
        return 10.0 ** (self.level_dbfs / 20.0) * envelope * np.exp(1j * angle)
