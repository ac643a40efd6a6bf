"""Fit a sine, or a sine and its harmonics, to samples by least squares."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.errors import NoTone, TooShort

FloatArray = NDArray[np.float64]
LEAST_PERIODS = 3.0
MOST_STEPS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """A fitted sine: ``amplitude * cos(2 pi frequency_hz t + phase_rad)`` plus ``mean``.

    Uncertainties are standard ones for white residuals, in the unit of their quantity.
    """

    amplitude: float
    frequency_hz: float
    phase_rad: float
    mean: float
    residual_rms: float
    amplitude_uncertainty: float
    frequency_uncertainty_hz: float
    phase_uncertainty_rad: float


def strongest_tone_hz(
    audio: FloatArray, sample_rate_hz: float, low_hz: float, high_hz: float
) -> float:
    """Find the strongest line between two frequencies, to within a fraction of 1 / duration.

    Raises
    ------
    TooShort : the band holds no bin of the transform.
    """
    n = len(audio)
    window = np.hanning(n + 1)[:-1]
    spectrum = np.abs(np.fft.rfft((audio - audio.mean()) * window))
    first = max(math.ceil(low_hz * n / sample_rate_hz), 1)
    last = min(math.floor(high_hz * n / sample_rate_hz), len(spectrum) - 2)
    if last < first:
        raise TooShort("too short to look for a tone", "", "Give a longer span.")
    k = first + int(np.argmax(spectrum[first : last + 1]))
    left, middle, right = spectrum[k - 1], spectrum[k], spectrum[k + 1]
    if middle <= 0.0:
        return k * sample_rate_hz / n
    # Between bins a Hann line has the ratio (1 + d) / (2 - d) of its two highest neighbours.
    side, sign = (right, 1.0) if right >= left else (left, -1.0)
    shift = min(max((2.0 * side - middle) / (side + middle), 0.0), 0.5)
    return float((k + sign * shift) * sample_rate_hz / n)


def fit_tone(audio: FloatArray, sample_rate_hz: float, guess_hz: float) -> Tone:
    """Fit one sine of unknown frequency, amplitude, phase and mean by least squares.

    Parameters
    ----------
    audio : float64, shape (n,), any unit; at least three periods long
    sample_rate_hz : float, above 0
    guess_hz : float, 0 to sample_rate_hz / 2; within 1 / duration of the tone

    Returns
    -------
    Tone : amplitude and mean (unit of audio), phase of the cosine at sample 0

    Raises
    ------
    TooShort : fewer than three periods, or fewer than 8 samples
    NoTone : the frequency did not settle within 1.5 / duration of the guess

    Notes
    -----
    Neighbouring tones bias it. Time is taken from the middle, so that frequency and phase do
    not pull at each other. Memory: a few times n.

    References
    ----------
    IEEE Std 1057, four-parameter sine fit (clause from memory); uncertainties from the
    Jacobian at the solution. Checked against numbers of an independent implementation.
    """
    n = len(audio)
    if n < 8 or n * guess_hz / sample_rate_hz < LEAST_PERIODS:
        raise TooShort(
            f"{n / sample_rate_hz:.4g} s is less than three periods of {guess_hz:.4g} Hz",
            "",
            "Give a longer span.",
        )
    time_s = (np.arange(n) - (n - 1) / 2.0) / sample_rate_hz
    duration_s = n / sample_rate_hz
    frequency_hz = guess_hz
    for _ in range(MOST_STEPS):
        angle = 2.0 * np.pi * frequency_hz * time_s
        cosine, sine = np.cos(angle), np.sin(angle)
        basis = np.column_stack([cosine, sine, np.ones(n)])
        a, b, mean = np.linalg.solve(basis.T @ basis, basis.T @ audio)
        residual = audio - basis @ np.array([a, b, mean])
        slope = 2.0 * np.pi * time_s * (b * cosine - a * sine)
        jacobian = np.column_stack([basis, slope])
        normal = jacobian.T @ jacobian
        step_hz = float(np.linalg.solve(normal, jacobian.T @ residual)[3]) if a or b else 0.0
        frequency_hz += step_hz
        if abs(frequency_hz - guess_hz) > 1.5 / duration_s or not math.isfinite(frequency_hz):
            raise NoTone(
                f"no steady tone near {guess_hz:.4g} Hz", "", "Look at the spectrum of the audio."
            )
        if abs(step_hz) * duration_s < 1e-10:
            break
    amplitude = math.hypot(a, b)
    freedom = max(n - 4, 1)
    variance = float(residual @ residual) / freedom
    covariance = np.linalg.inv(normal) * variance if amplitude else np.zeros((4, 4))
    along = np.array([a, b]) / amplitude if amplitude else np.zeros(2)
    across = np.array([b, -a]) / amplitude if amplitude else np.zeros(2)
    middle_rad = math.atan2(-b, a)
    to_middle_s = (n - 1) / 2.0 / sample_rate_hz
    start_rad = middle_rad - 2.0 * math.pi * frequency_hz * to_middle_s
    middle_uncertainty = (
        math.sqrt(across @ covariance[:2, :2] @ across) / amplitude if amplitude else math.pi
    )
    frequency_uncertainty_hz = math.sqrt(covariance[3, 3])
    return Tone(
        amplitude=amplitude,
        frequency_hz=float(frequency_hz),
        phase_rad=float(math.remainder(start_rad, 2.0 * math.pi)),
        mean=float(mean),
        residual_rms=float(np.sqrt(np.mean(residual * residual))),
        amplitude_uncertainty=float(np.sqrt(along @ covariance[:2, :2] @ along)),
        frequency_uncertainty_hz=frequency_uncertainty_hz,
        phase_uncertainty_rad=math.hypot(
            middle_uncertainty, 2.0 * math.pi * to_middle_s * frequency_uncertainty_hz
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Chirp:
    """A sine whose frequency runs straight: frequency at the middle of the samples, and its slope.

    ``residual`` is what is left, float64, shape (n,).
    """

    amplitude: float
    frequency_hz: float
    slope_hz_per_s: float
    residual: FloatArray


def fit_chirp(
    audio: FloatArray, sample_rate_hz: float, guess_hz: float, guess_hz_per_s: float
) -> Chirp:
    """Fit a sine of straight-running frequency, with amplitude, phase and mean.

    Parameters
    ----------
    audio : float64, shape (n,), any unit
    guess_hz, guess_hz_per_s : float; off by less than 1 / duration and 4 / duration^2

    Raises
    ------
    TooShort : fewer than three periods. NoTone : the fit ran away from the guess.

    Notes
    -----
    As ``fit_tone`` with one unknown more, the phase pi * slope * t^2; t from the middle.
    """
    n = len(audio)
    duration_s = n / sample_rate_hz
    if n < 12 or duration_s * guess_hz < LEAST_PERIODS:
        raise TooShort("less than three periods of a swept tone", "", "Sweep more slowly.")
    t = (np.arange(n) - (n - 1) / 2.0) / sample_rate_hz
    ones = np.ones(n)
    frequency_hz, slope = guess_hz, guess_hz_per_s
    for _ in range(MOST_STEPS):
        angle = 2.0 * np.pi * (frequency_hz * t + slope * t * t / 2.0)
        cosine, sine = np.cos(angle), np.sin(angle)
        basis = np.column_stack([cosine, sine, ones])
        a, b, mean = np.linalg.solve(basis.T @ basis, basis.T @ audio)
        residual = audio - basis @ np.array([a, b, mean])
        turn = 2.0 * np.pi * (b * cosine - a * sine)
        jacobian = np.column_stack([basis, turn * t, turn * t * t / 2.0])
        step = np.linalg.lstsq(jacobian.T @ jacobian, jacobian.T @ residual, rcond=None)[0]
        frequency_hz += float(step[3])
        slope += float(step[4])
        away = abs(frequency_hz - guess_hz) * duration_s
        bend = abs(slope - guess_hz_per_s) * duration_s**2
        if not (away < 2.0 and bend < 8.0):
            raise NoTone(f"no swept tone near {guess_hz:.4g} Hz", "", "Look at the spectrum.")
        if abs(step[3]) * duration_s < 1e-6 and abs(step[4]) * duration_s**2 < 1e-5:
            break
    return Chirp(
        amplitude=math.hypot(a, b),
        frequency_hz=float(frequency_hz),
        slope_hz_per_s=float(slope),
        residual=residual,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Harmonics:
    """A mean and harmonics of one frequency, fitted together.

    ``amplitudes[k - 1]`` is the complex amplitude of harmonic k at sample 0:
    ``Re(amplitude * exp(2 pi i k f t))``. ``residual`` is what is left, float64, shape (n,).
    """

    mean: float
    amplitudes: NDArray[np.complex128]
    residual: FloatArray


def fit_harmonics(
    audio: FloatArray, sample_rate_hz: float, fundamental_hz: float, count: int
) -> Harmonics:
    """Fit a mean and ``count`` harmonics of a known frequency by least squares.

    Parameters
    ----------
    audio : float64, shape (n,); n at least twice as many as there are unknowns
    fundamental_hz : float, above 0; ``count`` times it below half the sample rate
    count : int, at least 1
    """
    n = len(audio)
    if n < 2 * (2 * count + 1):
        raise TooShort(f"{n} samples are too few for {count} harmonics", "", "Give a longer span.")
    angle = 2.0 * np.pi * fundamental_hz / sample_rate_hz * np.arange(n)
    turn = np.exp(1j * angle)
    basis = np.empty((n, 2 * count + 1))
    basis[:, 0] = 1.0
    power = np.ones(n, dtype=np.complex128)
    for k in range(count):
        power = power * turn
        basis[:, 2 * k + 1] = power.real
        basis[:, 2 * k + 2] = -power.imag
    solution = np.linalg.solve(basis.T @ basis, basis.T @ audio)
    return Harmonics(
        mean=float(solution[0]),
        amplitudes=solution[1::2] + 1j * solution[2::2],
        residual=audio - basis @ solution,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """An unmodulated carrier in complex samples, and its standard uncertainty."""

    frequency_hz: float
    frequency_uncertainty_hz: float
    power: float


LINE_PIECES = 32
LINE_LEAST_SAMPLES = 512


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """Highest line of a transform: its frequency in cycles a sample, the size of its sum."""

    cycles: float
    magnitude: float


def highest_peak(iq: NDArray[np.complexfloating]) -> Peak:
    """Find the strongest line of complex samples to within an eighth of 1 / duration.

    Parameters
    ----------
    iq : complex, shape (n,), n at least 1

    Returns
    -------
    Peak : cycles from -0.5 to below 0.5; a sinusoid of amplitude a has the magnitude n * a,
        and less where it falls between lines: 5 % of its power at most (sinc^2 of 1/8)
    """
    length = 4 << (len(iq) - 1).bit_length()
    lines = np.abs(np.fft.fft(iq, length))
    peak = int(np.argmax(lines))
    cycles = ((peak + length // 2) % length - length // 2) / length
    return Peak(cycles=cycles, magnitude=float(lines[peak]))


def fit_line(iq: NDArray[np.complexfloating], sample_rate_hz: float) -> Line:
    """Fit the strongest line of complex samples: frequency and power.

    Parameters
    ----------
    iq : complex, shape (n,), n at least ``LINE_LEAST_SAMPLES``

    Notes
    -----
    The line is turned to 0 Hz by the peak of a transform of four times the length, summed over
    pieces, and a straight line laid through the phases of the sums. Unlike the mean of a
    discriminator it does not pull toward the middle of the noise where clicks are many: that
    reads short by the share exp(-rho) at carrier to noise rho (mean of a discriminator's output,
    S. O. Rice 1963; checked here by simulation). Standard uncertainty from the phases' scatter
    about the straight line.

    References
    ----------
    Phase regression: S. A. Tretter, IEEE Trans. Inf. Theory 31 (1985) 832 (from memory).
    """
    n = len(iq)
    if n < LINE_LEAST_SAMPLES:
        raise TooShort(f"{n} samples are too few for a line", "", "Give a longer span.")
    coarse = highest_peak(iq).cycles
    turned = iq * np.exp(-2j * np.pi * coarse * np.arange(n))
    piece = n // LINE_PIECES
    sums = turned[: piece * LINE_PIECES].reshape(LINE_PIECES, piece).sum(axis=1)
    x = np.arange(LINE_PIECES) - (LINE_PIECES - 1) / 2.0
    phases = np.unwrap(np.angle(sums))
    slope = float(x @ phases / (x @ x))
    rest = phases - phases.mean() - slope * x
    variance = float(rest @ rest) / (LINE_PIECES - 2) / float(x @ x)
    scale = sample_rate_hz / (2.0 * math.pi * piece)
    fine = coarse * sample_rate_hz + slope * scale
    aligned = sums * np.exp(-1j * slope * x)
    return Line(
        frequency_hz=float(fine),
        frequency_uncertainty_hz=math.sqrt(variance) * scale,
        power=float(np.abs(aligned.mean() / piece) ** 2),
    )
