"""Fit a sine, or a sine and its harmonics, to samples by least squares."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.dsp.spectrum import fast_length, hann_transform
from harness.dsp.waves import Table, harmonic_wave, sum_of_waves, wave, wave_moments
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
    audio: FloatArray,
    sample_rate_hz: float,
    low_hz: float,
    high_hz: float,
    *,
    transform: NDArray[np.complex128] | None = None,
) -> float:
    """Find the strongest line between two frequencies, to within a fraction of 1 / duration.

    Parameters
    ----------
    transform : ``hann_transform`` of the audio, where it is known already; ``low_hz`` then more
        than two bins from 0 Hz, where the mean still stands

    Raises
    ------
    TooShort : the band holds no bin of the transform.
    """
    n = len(audio)
    if transform is None:
        transform = hann_transform(audio - audio.mean())
    first = max(math.ceil(low_hz * n / sample_rate_hz), 1)
    last = min(math.floor(high_hz * n / sample_rate_hz), len(transform) - 2)
    if last < first:
        raise TooShort("too short to look for a tone", "", "Give a longer span.")
    spectrum = np.abs(transform[first - 1 : last + 2])
    inside = 1 + int(np.argmax(spectrum[1:-1]))
    k = first - 1 + inside
    left, middle, right = spectrum[inside - 1], spectrum[inside], spectrum[inside + 1]
    if middle <= 0.0:
        return k * sample_rate_hz / n
    # Between bins a Hann line has the ratio (1 + d) / (2 - d) of its two highest neighbours.
    side, sign = (right, 1.0) if right >= left else (left, -1.0)
    shift = min(max((2.0 * side - middle) / (side + middle), 0.0), 0.5)
    return float((k + sign * shift) * sample_rate_hz / n)


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedTone:
    """A tone and what is left of the audio without it and the mean: float64, shape (n,)."""

    tone: Tone
    residual: FloatArray


def fit_tone(audio: FloatArray, sample_rate_hz: float, guess_hz: float) -> Tone:
    """Give the tone of ``fitted_tone``, which says how and what it raises."""
    return fitted_tone(audio, sample_rate_hz, guess_hz).tone


def fitted_tone(audio: FloatArray, sample_rate_hz: float, guess_hz: float) -> FittedTone:
    """Fit one sine of unknown frequency, amplitude, phase and mean by least squares.

    Parameters
    ----------
    audio : float64, shape (n,), any unit; at least three periods long
    sample_rate_hz : float, above 0
    guess_hz : float, 0 to sample_rate_hz / 2; within 1 / duration of the tone

    Returns
    -------
    FittedTone : amplitude and mean (unit of audio), phase of the cosine at sample 0

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
    duration_s = n / sample_rate_hz
    frequency_hz = guess_hz
    table = Table(audio)
    total = float(audio.sum())
    per_hz = 2.0 * np.pi / sample_rate_hz
    squares = (n * n - 1.0) * n / 12.0
    for _ in range(MOST_STEPS):
        # Sums over time t from the middle, where cosines are even and sines odd: half of the
        # products of cosine, sine, 1 and the slope against frequency are zero.
        cycles = frequency_hz / sample_rate_hz
        single, double = wave_moments(cycles, n), wave_moments(2.0 * cycles, n)
        seen, seen_by_time = table.sums(cycles)
        cosines, sines = (n + double.plain) / 2.0, (n - double.plain) / 2.0
        b = -seen.imag / sines
        shared = single.plain / n
        a = (seen.real - shared * total) / (cosines - shared * single.plain)
        mean = total / n - shared * a
        by_cosine, by_sine = -a * double.by_time / 2.0, b * double.by_time / 2.0
        by_mean = -a * single.by_time
        steepness = (a * a + b * b) * squares + (b * b - a * a) * double.by_time_squared
        rest = b * seen_by_time.real + a * seen_by_time.imag
        rest -= by_cosine * a + by_sine * b + by_mean * mean
        # What of the slope the other three cannot explain.
        left = by_cosine - shared * by_mean
        free = steepness / 2.0 - by_sine**2 / sines - by_mean**2 / n
        free -= left**2 / (cosines - shared * single.plain)
        step_hz = rest / (free * per_hz) if free > 0.0 else 0.0
        frequency_hz += step_hz
        if abs(frequency_hz - guess_hz) > 1.5 / duration_s or not math.isfinite(frequency_hz):
            raise NoTone(
                f"no steady tone near {guess_hz:.4g} Hz", "", "Look at the spectrum of the audio."
            )
        if abs(step_hz) * duration_s < 1e-10:
            break
    at_start = (a - 1j * b) * np.exp(-1j * np.pi * cycles * (n - 1))
    residual = audio - mean - harmonic_wave(np.array([at_start]), cycles, n)
    amplitude = math.hypot(a, b)
    freedom = max(n - 4, 1)
    square = float(residual @ residual)
    variance = square / freedom
    slope = per_hz * np.array([by_cosine, by_sine, by_mean])
    normal = np.empty((4, 4))
    normal[:3, :3] = [[cosines, 0.0, single.plain], [0.0, sines, 0.0], [single.plain, 0.0, n]]
    normal[3, :3], normal[:3, 3] = slope, slope
    normal[3, 3] = per_hz**2 * steepness / 2.0
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
    tone = Tone(
        amplitude=amplitude,
        frequency_hz=float(frequency_hz),
        phase_rad=float(math.remainder(start_rad, 2.0 * math.pi)),
        mean=float(mean),
        residual_rms=math.sqrt(square / n),
        amplitude_uncertainty=float(np.sqrt(along @ covariance[:2, :2] @ along)),
        frequency_uncertainty_hz=frequency_uncertainty_hz,
        phase_uncertainty_rad=math.hypot(
            middle_uncertainty, 2.0 * math.pi * to_middle_s * frequency_uncertainty_hz
        ),
    )
    return FittedTone(tone=tone, residual=residual)


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
    cycles = fundamental_hz / sample_rate_hz
    # The audio is Re(sum over k of c_k z^k), z the turning phasor: the products of z^k and z^m
    # that the normal equations need are sums of z^(k + m) and z^(k - m).
    sums = sum_of_waves(cycles * np.arange(2 * count + 1), n)
    k = np.arange(count + 1)
    plus = sums[np.add.outer(k, k)]
    between = np.subtract.outer(k, k)
    minus = np.where(between >= 0, sums[np.abs(between)], sums[np.abs(between)].conj())
    cosines = (minus + plus).real / 2.0
    sines = (minus - plus).real / 2.0
    mixed = (minus - plus).imag[:, 1:] / 2.0
    normal = np.block([[cosines, mixed], [mixed.T, sines[1:, 1:]]])
    seen = Table(audio).harmonic_sums(cycles, count)
    solution = np.linalg.solve(normal, np.concatenate([seen.real, seen.imag[1:]]))
    amplitudes = solution[1 : count + 1] + 1j * solution[count + 1 :]
    return Harmonics(
        mean=float(solution[0]),
        amplitudes=amplitudes,
        residual=audio - solution[0] - harmonic_wave(amplitudes, cycles, n),
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
    # Every fourth line at a time, the samples turned in between: a quarter of the memory.
    quarter = fast_length(len(iq))
    length = 4 * quarter
    peak, magnitude = 0, -1.0
    for between in range(4):
        turned = iq * wave(-between / length, len(iq)) if between else iq
        lines = np.abs(np.fft.fft(turned, quarter))
        at = int(np.argmax(lines))
        if lines[at] > magnitude:
            peak, magnitude = 4 * at + between, float(lines[at])
    cycles = ((peak + length // 2) % length - length // 2) / length
    return Peak(cycles=cycles, magnitude=magnitude)


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
    turned = iq * wave(-coarse, n)
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
