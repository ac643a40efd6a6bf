"""What a stretch of demodulated frequency or audio says of its test tone.

One frame at a time: the strongest tone of the speech band, its harmonics, a subaudible tone,
and the density of what is left. The kinds of measurement build their readings on this.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.dsp.spectrum import band_power, hann_transform, power_density
from harness.dsp.tone import Tone, fit_harmonics, fit_tone, fitted_tone, strongest_tone_hz
from harness.dsp.waves import harmonic_wave
from harness.dsp.weighting import SPEECH_HIGH_HZ as SPEECH_HIGH_HZ
from harness.dsp.weighting import SPEECH_LOW_HZ as SPEECH_LOW_HZ
from harness.errors import NoTone, TooShort

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

TONE_HIGH_HZ = 3400.0
"""Test tones are looked for from 300 Hz to here. Chosen."""
SUBAUDIBLE_LOW_HZ = 60.0
SUBAUDIBLE_HIGH_HZ = 260.0
"""The tones of EIA/TIA RS-220 (67.0 to 250.3 Hz) lie between these; 60 Hz hum does not."""
HELD_BY_TONE = 0.5
"""Share of the power below speech that one tone must hold to be one. Chosen."""
WORTH_A_FIT = 0.25
"""The same of the highest line of the transform, before anything is fitted. Chosen: far enough
below that none is missed."""
MOST_HARMONICS = 20
FITTED_TONE_BINS = 1.5
"""Bandwidth, in units of 1 / duration, that fitting amplitude, phase and frequency takes out of
the noise: three unknowns, half a bin each."""

LINE_SPREAD_BINS = 2.0
"""Half the width of a line's main lobe through a Hann window."""
STEADY_BINS = 14
"""Bins next to 0 Hz that ``steady_mean`` looks at, and one more: the last counts half."""
STEADY_TURNS = 4
"""So often the bins are weighed by what the turn before found. Chosen: it settles in three."""
CLEAR_SIGMAS = 4.0
"""A harmonic so many standard deviations of the noise high is one. Chosen."""
UNSEEN_SIZES = np.geomspace(0.4, 100.0, 33)
"""Variances that weak harmonics may have, to the noise of the one that shows them best. Chosen:
smaller ones look like none at all, and would outweigh what is just below the noise."""
SILENCE = 1e-9
"""A tone below this share of the largest sample is the rounding of numbers. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneFrame:
    """The test tone of one frame, and what is left beside it.

    ``density`` is the one-sided power density of the residual (unit^2/Hz) at k * bin_hz,
    ``transform`` what it was made of.
    """

    tone: Tone
    duration_s: float
    bin_hz: float
    residual: FloatArray
    transform: ComplexArray
    density: FloatArray

    @property
    def tone_power(self) -> float:
        """Mean square of the tone, the fit's own noise taken off."""
        noise = 2.0 * self.tone.amplitude_uncertainty**2 * self._local_noise
        return max(self.tone.amplitude**2 - noise, 0.0) / 2.0

    @property
    def frequency_variance(self) -> float:
        """Variance of the tone's frequency, by the noise that lies near it."""
        return self.tone.frequency_uncertainty_hz**2 * self._local_noise

    @property
    def _local_noise(self) -> float:
        """Density of the residual about the tone to that of white noise of the same power.

        The fit takes its residual for white; that of a discriminator rises with frequency.
        """
        k = round(self.tone.frequency_hz / self.bin_hz)
        reach = max(round(0.15 * self.tone.frequency_hz / self.bin_hz), 6)
        beside = np.r_[self.density[max(k - reach, 1) : k - 2], self.density[k + 3 : k + reach]]
        mean = float(self.density.mean())
        return float(beside.mean()) / mean if mean > 0.0 and len(beside) else 1.0

    def residual_power(
        self, low_hz: float, high_hz: float, weight: FloatArray | None = None
    ) -> float:
        """Mean square of noise and distortion in a band, made good for what the fit took.

        The band is wider by what the window spreads a line: a harmonic on its edge is inside.
        """
        spread_hz = LINE_SPREAD_BINS * self.bin_hz
        power = band_power(
            self.density, self.bin_hz, low_hz - spread_hz, high_hz + spread_hz, weight
        )
        taken_hz = FITTED_TONE_BINS / self.duration_s
        inside = low_hz <= self.tone.frequency_hz <= high_hz
        width_hz = high_hz - low_hz
        return power * width_hz / (width_hz - taken_hz) if inside else power


def tone_frame(
    audio: FloatArray, sample_rate_hz: float, *, transform: ComplexArray | None = None
) -> ToneFrame | None:
    """Find and fit the test tone of a frame; None where there is no tone to be fitted.

    Parameters
    ----------
    audio : float64, shape (n,), any unit
    transform : ``hann_transform`` of the audio, where it is known already

    Notes
    -----
    Whether what was fitted is a tone or a chance peak of noise is for the caller to judge:
    compare ``tone_power`` with ``residual_power``.
    """
    try:
        guess_hz = strongest_tone_hz(
            audio, sample_rate_hz, SPEECH_LOW_HZ, TONE_HIGH_HZ, transform=transform
        )
        fitted = fitted_tone(audio, sample_rate_hz, guess_hz)
    except (NoTone, TooShort):
        return None
    tone, residual = fitted.tone, fitted.residual
    if not tone.amplitude > SILENCE * float(np.abs(audio).max()):
        return None
    n = len(audio)
    left = hann_transform(residual)
    return ToneFrame(
        tone=tone,
        duration_s=n / sample_rate_hz,
        bin_hz=sample_rate_hz / n,
        residual=residual,
        transform=left,
        density=power_density(residual, sample_rate_hz, transform=left),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodicFrame:
    """Mean and harmonics of one frame, turned so that the fundamental starts as a cosine.

    ``variances[k - 1]`` is the variance of each part (real, imaginary) of harmonic k.
    """

    mean: float
    mean_variance: float
    harmonics: NDArray[np.complex128]
    variances: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyMean:
    """Mean of a run of samples and its variance."""

    value: float
    variance: float


def steady_mean(
    audio: FloatArray, sample_rate_hz: float, *, transform: ComplexArray | None = None
) -> SteadyMean:
    """Mean through a Hann window, and its variance from the density next to 0 Hz.

    A plain mean of demodulated frequency hangs on the noise of its first and last phase; the
    window does not. Its line at 0 Hz is 1.5 bins wide. The noise of a discriminator rises with
    the square of frequency, A k^2 + B at bin k: seen through a Hann line that is A / 3 + B at 0
    (1/3 is the second moment of the line in bins), both taken from bins 1 to 12, each by how little
    noise it holds; B only where it is more than its own standard deviation.
    """
    n = len(audio)
    if transform is None:
        transform = hann_transform(audio)
    # The window's own sum is n / 2, its line at bin 1 half of that with the other sign.
    mean = float(transform[0].real) / (n / 2.0)
    few = transform[:STEADY_BINS].copy()
    few[0] -= mean * n / 2.0
    few[1] += mean * n / 4.0
    density = power_density(audio, sample_rate_hz, transform=few)
    at_zero = _density_at_zero(density[1:13])
    variance = 1.5 * at_zero * sample_rate_hz / (2.0 * n)
    return SteadyMean(value=mean, variance=variance)


def _density_at_zero(density: FloatArray) -> float:
    """Give A / 3 + B of noise whose density is A (k^2 + 1/3) + B at bin k.

    Parameters
    ----------
    density : float64, shape (n,), n at least 6, of bins 1 to n, the mean through the window
        taken off

    Notes
    -----
    The mean takes some of bin 1 along: of two Hann lines side by side those for k^2 have a
    covariance of -1/3, those for a flat density of -2/3, which leaves 13/16 and 7/12 in bin 1.
    """
    shape: FloatArray = np.arange(1, len(density) + 1, dtype=np.float64) ** 2 + 1.0 / 3.0
    flat = np.ones(len(shape))
    shape[0] *= 13.0 / 16.0
    flat[0] *= 7.0 / 12.0
    rising = float(np.mean(density[3:] / shape[3:]))
    if not rising > 0.0:
        return float(density.mean())
    # A bin's power scatters by as much as it is: the small ones tell the level. What is not more
    # than chance makes of A alone would count in every second frame.
    weight = flat / shape**2
    seen = float(weight @ flat)
    level = float(weight @ (density - rising * shape)) / seen
    if level < rising * math.sqrt(float(weight**2 @ shape**2)) / seen:
        return rising / 3.0
    basis = np.stack([shape, flat])
    for _ in range(STEADY_TURNS):
        weighed = basis / (rising * shape + level * flat) ** 2
        found = np.linalg.solve(weighed @ basis.T, weighed @ density)
        rising, level = max(float(found[0]), 0.0), max(float(found[1]), 0.0)
        if not rising + level > 0.0:
            return float(density.mean())
        level = max(level, 1e-3 * rising)
    return rising / 3.0 + level


def periodic_frame(
    audio: FloatArray, sample_rate_hz: float, tone: Tone, highest_hz: float
) -> PeriodicFrame:
    """Fit mean and harmonics of the tone's frequency up to ``highest_hz``.

    The noise of each is taken from the density of the residual round about it.
    """
    count = int(min(max(highest_hz // tone.frequency_hz, 1), MOST_HARMONICS))
    fitted = fit_harmonics(audio, sample_rate_hz, tone.frequency_hz, count)
    phase = np.angle(fitted.amplitudes[0])
    turned = fitted.amplitudes * np.exp(-1j * phase * np.arange(1, count + 1))
    n = len(audio)
    duration_s = n / sample_rate_hz
    left = hann_transform(fitted.residual)
    density = power_density(fitted.residual, sample_rate_hz, transform=left)
    bin_hz = sample_rate_hz / n

    def around(frequency_hz: float) -> float:
        reach = max(round(0.15 * tone.frequency_hz / bin_hz), 6)
        k = round(frequency_hz / bin_hz)
        beside = density[max(k - reach, 1) : k + reach + 1]
        return float(beside.sum()) / len(beside)

    variances = np.array([around(k * tone.frequency_hz) for k in range(1, count + 1)])
    beside = steady_mean(fitted.residual, sample_rate_hz, transform=left)
    return PeriodicFrame(
        mean=fitted.mean + beside.value,
        mean_variance=beside.variance,
        harmonics=turned,
        variances=variances / duration_s,
    )


def subaudible_tone(
    audio: FloatArray, sample_rate_hz: float, *, transform: ComplexArray
) -> Tone | None:
    """Find a steady tone below the speech band; None unless it stands well above what is beside.

    Parameters
    ----------
    audio : float64, shape (n,), test tone already taken out
    transform : ``hann_transform`` of the audio
    """
    bin_hz = sample_rate_hz / len(audio)
    needed = math.ceil(SUBAUDIBLE_HIGH_HZ / bin_hz + LINE_SPREAD_BINS) + 3
    density = power_density(audio, sample_rate_hz, transform=transform[:needed])
    beside = band_power(density, bin_hz, SUBAUDIBLE_LOW_HZ, SUBAUDIBLE_HIGH_HZ, None)
    try:
        guess_hz = strongest_tone_hz(
            audio, sample_rate_hz, SUBAUDIBLE_LOW_HZ, SUBAUDIBLE_HIGH_HZ, transform=transform
        )
        # A fit to mere noise wanders long before it gives up.
        reach_hz = LINE_SPREAD_BINS * bin_hz
        line = band_power(density, bin_hz, guess_hz - reach_hz, guess_hz + reach_hz, None)
        if line < WORTH_A_FIT * beside:
            return None
        tone = fit_tone(audio, sample_rate_hz, guess_hz)
    except (NoTone, TooShort):
        return None
    tone_power = tone.amplitude**2 / 2.0
    return tone if tone_power > HELD_BY_TONE * beside else None


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundTones:
    """The tones of one stretch: the test tone, and what is below speech beside it.

    ``rest`` is the stretch without test tone and mean, float64; what is left in ``test`` is
    without the subaudible tone too.
    """

    test: ToneFrame | None
    subaudible: Tone | None
    rest: FloatArray


def find_tones(audio: FloatArray, sample_rate_hz: float, *, transform: ComplexArray) -> FoundTones:
    """Find the test tone, take it out, and look for a subaudible one.

    Parameters
    ----------
    audio : float64, shape (n,)
    transform : ``hann_transform`` of the audio
    """
    test = tone_frame(audio, sample_rate_hz, transform=transform)
    rest = audio - audio.mean() if test is None else test.residual
    left = hann_transform(rest) if test is None else test.transform
    subaudible = subaudible_tone(rest, sample_rate_hz, transform=left)
    if test is not None and subaudible is not None:
        # Each was fitted beside the other, and leans towards it: once more, the other taken out.
        without = without_tone(audio, sample_rate_hz, subaudible)
        again = tone_frame(without, sample_rate_hz)
        if again is not None:
            test = again
            rest = without_tone(audio, sample_rate_hz, test.tone) - test.tone.mean
            left = hann_transform(rest)
            subaudible = subaudible_tone(rest, sample_rate_hz, transform=left) or subaudible
    return FoundTones(test=test, subaudible=subaudible, rest=rest)


def without_tone(audio: FloatArray, sample_rate_hz: float, tone: Tone) -> FloatArray:
    """Take a fitted tone out; the mean stays."""
    amplitude = np.array([tone.amplitude * np.exp(1j * tone.phase_rad)])
    return audio - harmonic_wave(amplitude, tone.frequency_hz / sample_rate_hz, len(audio))


def peaks(harmonics: NDArray[np.complex128]) -> tuple[float, float]:
    """Highest and lowest value of a periodic waveform from its harmonics, mean left out."""
    points = 64 * max(len(harmonics), 8)
    spectrum = np.zeros(points // 2 + 1, dtype=np.complex128)
    spectrum[1 : len(harmonics) + 1] = harmonics * (points / 2.0)
    waveform = np.fft.irfft(spectrum, points)
    return float(waveform.max()), float(waveform.min())


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelyHarmonics:
    """Harmonics as they most likely are, and the variance of each part of each."""

    amplitudes: NDArray[np.complex128]
    variances: FloatArray


def likely_harmonics(amplitudes: NDArray[np.complex128], variances: FloatArray) -> LikelyHarmonics:
    """Take out of weak harmonics what is more likely noise.

    Parameters
    ----------
    amplitudes : complex128, shape (n,), as fitted, 1 to n
    variances : float64, shape (n,), of each part, by noise

    Notes
    -----
    The first, and those of ``CLEAR_SIGMAS``, stay as they are. Of the others it is assumed that
    they fall as 1 / k, as distortion's do, from a size that is not known at all (evenly in its
    logarithm). What was seen weighs the sizes; under each of them a harmonic is likely to be the
    share size / (size + noise) of what was seen, and that share of the noise is what its two parts
    scatter by about it. To leave them out whole would need the noise of all of them in the
    uncertainty, which in high ones is a hundred times what a harmonic can be; to keep them whole
    brings it into the value.

    What is kept is the root of the share. The share itself makes harmonics smaller on the whole
    than they are, and the error of the peak, where there are none, far smaller than is told: seen
    with a mean square of size + noise, they keep that of their size by the root. What noise alone
    makes of the value is then share * noise, which is what is told.

    References
    ----------
    Shrinkage by a prior whose size the data weigh (empirical Bayes; common practice), and by the
    root, so that what is estimated spreads as what is true does (T. A. Louis, J. Am. Stat. Assoc.
    79 (1984) 393). Both from memory.
    """
    clear = np.abs(amplitudes) > CLEAR_SIGMAS * np.sqrt(variances)
    clear[0] = True
    weak = ~clear
    if not weak.any() or not (variances[weak] > 0.0).all():
        return LikelyHarmonics(amplitudes=amplitudes, variances=variances)
    seen, noise = amplitudes[weak], variances[weak]
    falling = (np.flatnonzero(weak) + 1.0) ** -2
    size = UNSEEN_SIZES[:, None] * float((noise / falling).min()) * falling
    total = size + noise
    fit = -np.sum(np.log(total) + np.abs(seen) ** 2 / (2.0 * total), axis=1)
    weight = np.exp(fit - fit.max())
    weight /= weight.sum()
    kept = weight @ (size / total)
    apart = weight @ (size / total - kept) ** 2
    value, variance = amplitudes.copy(), variances.copy()
    value[weak] = np.sqrt(kept) * seen
    variance[weak] = kept * noise + apart * np.abs(seen) ** 2 / 2.0
    return LikelyHarmonics(amplitudes=value, variances=variance)


def mean_harmonics(
    frames: Sequence[PeriodicFrame], weights: FloatArray
) -> tuple[ComplexArray, FloatArray]:
    """Mean harmonics over the frames and the variance of each part of each."""
    count = min(len(frame.harmonics) for frame in frames)
    share = weights / weights.sum()
    values = np.array([frame.harmonics[:count] for frame in frames])
    variances = np.array([frame.variances[:count] for frame in frames])
    return share @ values, (share**2) @ variances


def half_peak_to_peak_variance(variances: FloatArray) -> float:
    """Variance of half of peak-to-peak from that of each part of the harmonics.

    Parameters
    ----------
    variances : float64, shape (n,), of each part of harmonics 1 to n

    Notes
    -----
    Highest and lowest point lie half a period apart, near enough: there an even harmonic is the
    same and drops out of the difference, an odd one is its own opposite and counts in full.
    """
    return float(variances[0::2].sum())


def discriminator_noise(
    audio: FloatArray,
    sample_rate_hz: float,
    band_hz: float,
    *,
    transform: ComplexArray | None = None,
) -> float:
    """Root mean square of a discriminator's noise up to ``band_hz``, in the unit of ``audio``.

    Its density goes as the square of frequency; how high it is, the top of the flat band tells
    (0.3 to 0.4 of the sample rate), where modulation is least.
    """
    density = power_density(audio, sample_rate_hz, transform=transform)
    first, last = int(0.3 * len(audio)) + 1, math.ceil(0.4 * len(audio))
    if last <= first:
        return 0.0
    frequency_hz = np.arange(first, last) * sample_rate_hz / len(audio)
    rising = float(np.mean(density[first:last] / frequency_hz**2))
    return math.sqrt(rising * band_hz**3 / 3.0)


def highest_value(samples: FloatArray) -> float:
    """Highest value of samples and of what lies between them, by parabolas through three.

    Parameters
    ----------
    samples : float64, shape (n,), n at least 3
    """
    k = int(np.argmax(samples[1:-1])) + 1
    left, middle, right = (float(value) for value in samples[k - 1 : k + 2])
    bend = left - 2.0 * middle + right
    top = middle - (right - left) ** 2 / (8.0 * bend) if bend < 0.0 else middle
    return max(top, float(samples[0]), float(samples[-1]))
