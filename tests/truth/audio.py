"""Audio and FM whose tone, harmonics, hum, noise and response are known by formula.

Made of sines, Gaussian noise of known density, and exact phases: numpy alone. Audio is in any
unit; as FM it is a frequency in Hz, and its integral the phase. Weighting curves are given by the
caller as points; between them dB run straight against log frequency.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

SPEECH_HZ = (300.0, 3000.0)


@dataclass(frozen=True, kw_only=True)
class Line:
    """A steady sine: amplitude * cos(2 pi frequency_hz t + phase_rad)."""

    frequency_hz: float
    amplitude: float
    phase_rad: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Audio of a time, and its exact integral times 2 pi (phase in rad if the audio is in Hz)."""

    rate_hz: float
    audio: np.ndarray
    phase_rad: np.ndarray

    def carrier(self, offset_hz: float = 0.0, amplitude: float = 0.6) -> np.ndarray:
        """An FM carrier with this audio for its frequency."""
        turns = offset_hz / self.rate_hz * np.arange(len(self.audio))
        return amplitude * np.exp(1j * (self.phase_rad + 2.0 * np.pi * turns))


def steady(
    lines: Sequence[Line],
    rate_hz: float,
    seconds: float,
    *,
    density: float = 0.0,
    band_hz: tuple[float, float] = SPEECH_HZ,
    rising: bool = False,
    draw: int = 1,
) -> Stretch:
    """Sines and Gaussian noise.

    ``density`` is the noise's expected one-sided power per Hz in ``band_hz``; ``rising`` makes it
    that of a discriminator, density (f / 1 kHz)^2.
    """
    count = round(rate_hz * seconds)
    time_s = np.arange(count) / rate_hz
    noise, phase = gaussian(count, rate_hz, density, band_hz, rising, draw)
    for line in lines:
        angle = 2.0 * np.pi * line.frequency_hz * time_s + line.phase_rad
        noise = noise + line.amplitude * np.cos(angle)
        phase = phase + line.amplitude / line.frequency_hz * np.sin(angle)
    return Stretch(rate_hz=rate_hz, audio=noise, phase_rad=phase)


def gaussian(
    count: int,
    rate_hz: float,
    density: float,
    band_hz: tuple[float, float],
    rising: bool,
    draw: int,
) -> tuple[np.ndarray, np.ndarray]:
    """Noise of an expected density, not brought to an exact power; and 2 pi times its integral."""
    line_hz = rate_hz / count
    k = np.arange(int(np.ceil(band_hz[0] / line_hz)), int(band_hz[1] / line_hz) + 1)
    rng = np.random.default_rng([draw, 83])
    lines = rng.standard_normal(len(k)) + 1j * rng.standard_normal(len(k))
    # A line a cos + b sin has the power (a^2 + b^2) / 2, expected density * line_hz.
    lines *= np.sqrt(density * line_hz / 2.0) * count / np.sqrt(2.0)
    if rising:
        lines *= k * line_hz / 1000.0
    spectrum = np.zeros(count // 2 + 1, dtype=complex)
    integral = np.zeros_like(spectrum)
    spectrum[k] = lines
    integral[k] = lines / (1j * k * line_hz)
    return np.fft.irfft(spectrum, count), np.fft.irfft(integral, count)


def weighted_noise_power(
    density: float,
    band_hz: tuple[float, float],
    weight: Callable[[np.ndarray], np.ndarray],
    *,
    rising: bool = False,
) -> float:
    """Integrate the expected density of ``steady`` through a power weight, by fine trapezoids."""
    f = np.linspace(*band_hz, 100_001)
    shape = (f / 1000.0) ** 2 if rising else np.ones(len(f))
    values = density * shape * weight(f)
    return float(np.sum((values[1:] + values[:-1]) / 2.0) * (f[1] - f[0]))


def by_points(frequency_hz: Sequence[float], weight_db: Sequence[float]) -> Callable:
    """Power weight of a published table; nothing outside it."""
    x, y = np.log(np.asarray(frequency_hz)), np.asarray(weight_db)

    def weight(f: np.ndarray) -> np.ndarray:
        return 10.0 ** (np.interp(np.log(f), x, y, left=-300.0, right=-300.0) / 10.0)

    return weight


def sinad_db(
    lines: Sequence[Line], noise_power: float, weight: Callable[[np.ndarray], np.ndarray]
) -> float:
    """(S+N+D)/(N+D) by definition: the first line is the tone, the rest distortion."""
    powers = [
        line.amplitude**2 / 2.0 * float(weight(np.array([line.frequency_hz]))[0]) for line in lines
    ]
    rest = sum(powers[1:]) + noise_power
    return float(10.0 * np.log10((powers[0] + rest) / rest))


def density_for_sinad(tone: float, sinad_db: float, band_hz: tuple[float, float]) -> float:
    """Density of flat noise that alone makes a flat SINAD: S/N = SINAD - 1 as ratios."""
    noise = tone**2 / 2.0 / (10.0 ** (sinad_db / 10.0) - 1.0)
    return noise / (band_hz[1] - band_hz[0])


Gain = Callable[[np.ndarray], np.ndarray]


def rising_6_db(f: np.ndarray) -> np.ndarray:
    """Amplitude of pre-emphasis by the line: f / 1 kHz."""
    return np.asarray(f) / 1000.0


def falling_6_db(f: np.ndarray) -> np.ndarray:
    """Amplitude of de-emphasis by the line: 1 kHz / f."""
    return 1000.0 / np.asarray(f)


def one_pole_low(corner_hz: float) -> Gain:
    """Amplitude of a first-order low-pass."""
    return lambda f: 1.0 / np.sqrt(1.0 + (np.asarray(f) / corner_hz) ** 2)


def no_change(f: np.ndarray) -> np.ndarray:
    """A flat response."""
    return np.ones(np.shape(f))


def _with_noise(
    rate_hz: float, audio: np.ndarray, phase: np.ndarray, density: float, draw: int
) -> Stretch:
    noise, noise_rad = gaussian(len(audio), rate_hz, density, (50.0, 5000.0), False, draw)
    return Stretch(rate_hz=rate_hz, audio=audio + noise, phase_rad=phase + noise_rad)


def stepped_tones(
    tones_hz: Sequence[float],
    amplitudes: Sequence[float],
    rate_hz: float,
    dwell_s: float,
    *,
    density: float = 0.0,
    draw: int = 1,
) -> Stretch:
    """One tone after another; each begins at the phase that keeps the carrier's whole."""
    count = round(dwell_s * rate_hz)
    t = np.arange(count) / rate_hz
    audio, phase, begun = [], [], 0.0
    for tone_hz, amplitude in zip(tones_hz, amplitudes, strict=True):
        angle = 2.0 * np.pi * tone_hz * t
        audio.append(amplitude * np.cos(angle))
        phase.append(begun + amplitude / tone_hz * np.sin(angle))
        begun += amplitude / tone_hz * np.sin(2.0 * np.pi * tone_hz * count / rate_hz)
    return _with_noise(rate_hz, np.concatenate(audio), np.concatenate(phase), density, draw)


def swept_tone(
    from_hz: float,
    to_hz: float,
    amplitude: float,
    gain: Gain,
    rate_hz: float,
    seconds: float,
    *,
    is_logarithmic: bool = True,
    density: float = 0.0,
    draw: int = 1,
) -> Stretch:
    """A sweep through a response, slow enough that the response at the moment's frequency holds.

    The phase is summed from the audio by trapezoids, ten points a sample.
    """
    fine = 10
    count = round(seconds * rate_hz)
    t = np.arange(count * fine) / (fine * rate_hz)
    if is_logarithmic:
        rise = np.log(to_hz / from_hz) / seconds
        frequency = from_hz * np.exp(rise * t)
        angle = 2.0 * np.pi * from_hz * np.expm1(rise * t) / rise
    else:
        frequency = from_hz + (to_hz - from_hz) * t / seconds
        angle = 2.0 * np.pi * (from_hz * t + (to_hz - from_hz) * t * t / (2.0 * seconds))
    audio = amplitude * gain(frequency) * np.cos(angle)
    steps = (audio[1:] + audio[:-1]) / 2.0 * 2.0 * np.pi / (fine * rate_hz)
    phase = np.concatenate([[0.0], np.cumsum(steps)])
    return _with_noise(rate_hz, audio[::fine], phase[::fine], density, draw)


def multitone(
    tones_hz: Sequence[float],
    amplitude: float,
    gain: Gain,
    rate_hz: float,
    seconds: float,
    *,
    density: float = 0.0,
    draw: int = 1,
) -> Stretch:
    """Tones together, their phases drawn once."""
    phases = np.random.default_rng([draw, 89]).uniform(0.0, 2.0 * np.pi, len(tones_hz))
    lines = [
        Line(frequency_hz=f, amplitude=amplitude * float(gain(np.array(f))), phase_rad=p)
        for f, p in zip(tones_hz, phases, strict=True)
    ]
    return steady(lines, rate_hz, seconds, density=density, band_hz=(50.0, 5000.0), draw=draw)
