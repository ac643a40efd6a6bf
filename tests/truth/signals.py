"""FM carriers, noise and the faults of a cheap receiver, sample by sample from their formulas.

Times are true seconds. A receiver that is fast by e tunes to centre (1 + e) and takes its sample
n at n / (rate (1 + e)) (DESIGN section 3, Conventions). Everything is a function of the sample's
number, noise of the number of its fixed chunk, so that any stretch can be made by itself.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

CHUNK = 1 << 16


@dataclass(frozen=True, kw_only=True)
class Sine:
    """One line of a modulation: deviation_hz * cos(2 pi frequency_hz t + phase_rad)."""

    frequency_hz: float
    deviation_hz: float
    phase_rad: float = 0.0


def modulation_phase_rad(sines: Sequence[Sine], time_s: np.ndarray) -> np.ndarray:
    """Integrate the modulation exactly: deviation / frequency * sin(2 pi f t + phase)."""
    phase = np.zeros(len(time_s))
    for s in sines:
        angle = 2.0 * np.pi * s.frequency_hz * time_s + s.phase_rad
        phase += s.deviation_hz / s.frequency_hz * np.sin(angle)
    return phase


def peaks_hz(sines: Sequence[Sine], period_s: float) -> tuple[float, float]:
    """Highest and lowest frequency of a modulation that repeats after ``period_s``."""
    time_s = np.linspace(0.0, period_s, 400_001)
    total = sum(
        s.deviation_hz * np.cos(2.0 * np.pi * s.frequency_hz * time_s + s.phase_rad) for s in sines
    )
    return float(np.max(total)), float(np.min(total))


def raised_cosine(time_s: np.ndarray, at_s: float, rise_s: float) -> np.ndarray:
    """Amplitude going from 0 to 1 in ``rise_s``, with half of the power exactly at ``at_s``.

    Amplitude (1 - cos(pi u)) / 2 passes sqrt(1/2) at u = arccos(1 - sqrt(2)) / pi.
    """
    if rise_s == 0.0:
        return (time_s >= at_s).astype(float)
    half_power = np.arccos(1.0 - np.sqrt(2.0)) / np.pi
    u = np.clip((time_s - at_s) / rise_s + half_power, 0.0, 1.0)
    return (1.0 - np.cos(np.pi * u)) / 2.0


@dataclass(frozen=True, kw_only=True)
class Carrier:
    """A carrier at a true radio frequency; ``keyed_s`` are its (on, off) half-power instants."""

    frequency_hz: float
    level_dbfs: float = -6.0
    sines: tuple[Sine, ...] = ()
    phase_rad: float = 0.4
    keyed_s: tuple[tuple[float, float], ...] = ()
    rise_s: float = 0.0

    def at(self, time_s: np.ndarray, tuned_hz: float) -> np.ndarray:
        """Complex samples as a receiver tuned to a true frequency sees them."""
        angle = 2.0 * np.pi * (self.frequency_hz - tuned_hz) * time_s + self.phase_rad
        angle += modulation_phase_rad(self.sines, time_s)
        amplitude = 10.0 ** (self.level_dbfs / 20.0) * np.exp(1j * angle)
        if self.keyed_s:
            envelope = np.zeros(len(time_s))
            for on_s, off_s in self.keyed_s:
                envelope += raised_cosine(time_s, on_s, self.rise_s) - (
                    1.0 - raised_cosine(-time_s, -off_s, self.rise_s)
                )
            amplitude *= envelope
        return amplitude


def noise_dbfs_hz(level_dbfs: float, cnr_db: float, bandwidth_hz: float) -> float:
    """Density of white noise that gives a carrier-to-noise ratio in a bandwidth, in dBFS/Hz."""
    return level_dbfs - cnr_db - 10.0 * np.log10(bandwidth_hz)


@dataclass(frozen=True, kw_only=True)
class Dongle:
    """A receiver with its faults. ``draw`` numbers the noise: another number, another noise."""

    sample_rate_hz: float
    centre_hz: float = 153.825e6
    clock_error_ppm: float = 0.0
    noise_dbfs_hz: float | None = None
    dc: complex = 0.0
    gain_imbalance_db: float = 0.0
    skew_deg: float = 0.0
    draw: int = 1
    carriers: tuple[Carrier, ...] = field(default=())

    @property
    def true_rate_hz(self) -> float:
        return self.sample_rate_hz * (1.0 + 1e-6 * self.clock_error_ppm)

    @property
    def tuned_hz(self) -> float:
        return self.centre_hz * (1.0 + 1e-6 * self.clock_error_ppm)

    def chunks(self, count: int) -> Iterator[np.ndarray]:
        """Give ``count`` samples from sample 0 in chunks of fixed size."""
        for start in range(0, count, CHUNK):
            yield self.chunk(start // CHUNK)[: count - start]

    def samples(self, count: int) -> np.ndarray:
        """Give ``count`` samples from sample 0 in one array."""
        return np.concatenate(list(self.chunks(count)))

    def chunk(self, number: int) -> np.ndarray:
        n = np.arange(number * CHUNK, (number + 1) * CHUNK)
        time_s = n / self.true_rate_hz
        iq = np.zeros(CHUNK, dtype=complex)
        for carrier in self.carriers:
            iq += carrier.at(time_s, self.tuned_hz)
        if self.noise_dbfs_hz is not None:
            power = 10.0 ** (self.noise_dbfs_hz / 10.0) * self.true_rate_hz
            normal = np.random.default_rng([self.draw, number]).standard_normal((2, CHUNK))
            iq += np.sqrt(power / 2.0) * (normal[0] + 1j * normal[1])
        gain = 10.0 ** (self.gain_imbalance_db / 40.0)
        skew = np.deg2rad(self.skew_deg)
        if gain != 1.0 or skew != 0.0:
            iq = gain * iq.real + 1j * (iq.imag * np.cos(skew) + iq.real * np.sin(skew)) / gain
        return iq + self.dc


def band_noise(
    count: int, sample_rate_hz: float, low_hz: float, high_hz: float, rms: float, draw: int
) -> tuple[np.ndarray, np.ndarray]:
    """Gaussian noise whose mean square over ``count`` samples is exactly rms^2, all in a band.

    Lines at whole multiples of sample_rate_hz / count with Gaussian amplitudes, edges included.

    Returns
    -------
    the noise, and 2 pi times its exact integral over time (phase in rad if the noise is in Hz)
    """
    line_hz = sample_rate_hz / count
    first, last = int(np.ceil(low_hz / line_hz - 1e-9)), int(np.floor(high_hz / line_hz + 1e-9))
    k = np.arange(first, last + 1)
    rng = np.random.default_rng([draw, 77])
    lines = rng.standard_normal(len(k)) + 1j * rng.standard_normal(len(k))
    lines *= rms * count / np.sqrt(2.0 * np.sum(np.abs(lines) ** 2))
    spectrum = np.zeros(count // 2 + 1, dtype=complex)
    spectrum[k] = lines
    integral = np.zeros_like(spectrum)
    integral[k] = lines / (1j * k * line_hz)
    return np.fft.irfft(spectrum, count), np.fft.irfft(integral, count)


def rectangular_noise(
    count: int, sample_rate_hz: float, bandwidth_hz: float, power: float, draw: int
) -> np.ndarray:
    """Complex Gaussian noise in a rectangular band about 0 Hz; its expected power is given."""
    rng = np.random.default_rng([draw, 78])
    frequency_hz = np.fft.fftfreq(count, 1.0 / sample_rate_hz)
    inside = np.abs(frequency_hz) <= bandwidth_hz / 2.0
    lines = np.zeros(count, dtype=complex)
    m = int(inside.sum())
    lines[inside] = rng.standard_normal(m) + 1j * rng.standard_normal(m)
    return np.fft.ifft(lines) * count * np.sqrt(power / (2.0 * m))
