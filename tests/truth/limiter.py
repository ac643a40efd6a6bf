"""A tone driven harder and harder into a limiter, by its Fourier series.

The limiter clips the tone (or bends it by a tangent); behind it a low-pass leaves the harmonics
up to a limit, as a transmitter's does. Amplitudes, phases and the highest point are of the series.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.truth.audio import Stretch, gaussian

POINTS = 4096


@dataclass(frozen=True, kw_only=True)
class Limiter:
    """What is not gone beyond, how sharply, and what is left of the harmonics."""

    limit_hz: float
    is_soft: bool = False
    highest_hz: float = 3000.0

    def series(self, deviation_hz: float, tone_hz: float) -> dict[int, float]:
        """Amplitudes of the cosines that a cosine comes out as."""
        angle = 2.0 * np.pi * np.arange(POINTS) / POINTS
        wave = deviation_hz * np.cos(angle)
        if self.is_soft:
            wave = self.limit_hz * np.tanh(wave / self.limit_hz)
        wave = np.clip(wave, -self.limit_hz, self.limit_hz)
        last = int(self.highest_hz // tone_hz)
        return {k: 2.0 * float(np.mean(wave * np.cos(k * angle))) for k in range(1, last + 1)}

    def peak_hz(self, deviation_hz: float, tone_hz: float) -> float:
        """Half of peak-to-peak of what comes out."""
        angle = 2.0 * np.pi * np.arange(64 * POINTS) / (64 * POINTS)
        parts = self.series(deviation_hz, tone_hz).items()
        wave = sum(a * np.cos(k * angle) for k, a in parts)
        return float(np.ptp(wave)) / 2.0


def driven_tones(
    deviations_hz: Sequence[float],
    tone_hz: float,
    rate_hz: float,
    dwell_s: float,
    *,
    limiter: Limiter | None = None,
    late_s: float = 0.0,
    density: float = 0.0,
    draw: int = 1,
) -> Stretch:
    """One deviation after another, each of whole periods; ``late_s`` of no tone comes first."""
    count = round(round(dwell_s * tone_hz) / tone_hz * rate_hz)
    t = np.arange(count) / rate_hz
    late = np.zeros(round(late_s * rate_hz))
    audio, phase, begun = [late], [late], 0.0
    for deviation_hz in deviations_hz:
        parts = {1: deviation_hz} if limiter is None else limiter.series(deviation_hz, tone_hz)
        waves = [(a, 2.0 * np.pi * k * tone_hz * t, k * tone_hz) for k, a in parts.items()]
        audio.append(sum(a * np.cos(angle) for a, angle, _ in waves))
        phase.append(begun + sum(a / f * np.sin(angle) for a, angle, f in waves))
        # A tone that fits no whole number of samples ends elsewhere than at zero.
        end = 2.0 * np.pi * count / rate_hz
        begun += sum(a / f * np.sin(f * end) for a, _, f in waves)
    whole, turned = np.concatenate(audio), np.concatenate(phase)
    noise, noise_rad = gaussian(len(whole), rate_hz, density, (50.0, 5000.0), False, draw)
    return Stretch(rate_hz=rate_hz, audio=whole + noise, phase_rad=turned + noise_rad)
