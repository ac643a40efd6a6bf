"""What one frame of audio says: tone, its harmonics, and the power of all the rest.

The test tone and its harmonics are fitted and taken out; what is left is integrated through each
weighting. The harmonics that a weighting's band holds go back in as lines, so that one on the
edge of the band (the third of 1 kHz, at 3000 Hz) counts whole. A fit also takes some noise: one
bin (1 / duration) at each harmonic, given back by the noise beside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.dsp.scattered_power import ScatteredPower, scattered_powers
from harness.dsp.spectrum import band_share, power_density
from harness.dsp.tone import fit_harmonics
from harness.dsp.weighting import (
    SPEECH_HIGH_HZ,
    WEIGHTINGS,
    Weighting,
    de_emphasis_weight,
)
from harness.measure.modulation import LINE_SPREAD_BINS, ToneFrame

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

HARMONICS = (2, 3, 4, 5)
HARMONICS_BELOW_HZ = 5000.0
"""audio_distortion counts the 2nd to 5th harmonic below here (DESIGN section 3)."""
HUM_LOW_HZ = 50.0
"""hum_and_noise counts from here to 3 kHz (DESIGN section 3)."""
USABLE_SHARE = 0.45
"""Of the sample rate: what lies above is not audio any more but the filter before sampling."""
BLOCK_S = 0.01
"""Blocks in which noise is watched: some thirty times as long as noise of 2.7 kHz stays alike."""
HUM_BLOCK_S = 0.1
"""The same where hum counts: whole periods of 50 and of 60 Hz, so that mains lines do not pass
for scatter. Chosen."""
FIT_BINS = 1.0
"""Bandwidth in units of 1 / duration that the fit of amplitude and phase takes: two unknowns, half
a bin each. That of the frequency shows little through a window (0.12 of a bin)."""
BESIDE_BINS = 6
LINE_REACH = 15
LINE_TO_NOISE = 12.0
"""Noise alone goes above so many times its mean once in 160 000 bins. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioFrame:
    """One frame's numbers; powers in the unit of the audio squared, after de-emphasis if any.

    ``tone_power``, ``tone_power_variance``, ``rest_power`` and ``rest_variance`` hold one number
    per weighting, in the order of ``WEIGHTINGS``. ``harmonics`` are those of ``HARMONICS`` to the
    tone, turned as if it began as a cosine: complex128, shape (4,), NaN where one lies above 5 kHz
    or above what the audio holds; ``harmonic_variances`` are of each part. ``hum`` is all from
    50 Hz to 3 kHz beside the tone and its harmonics.
    """

    carrier_power: float
    noise_power: float
    weakest_power: float
    start_s: float
    duration_s: float
    tone_hz: float
    tone_variance: float
    amplitude: float
    amplitude_variance: float
    tone_power: FloatArray
    tone_power_variance: FloatArray
    rest_power: FloatArray
    rest_variance: FloatArray
    harmonics: ComplexArray
    harmonic_variances: FloatArray
    hum: ScatteredPower


@dataclass(frozen=True, slots=True, kw_only=True)
class Radio:
    """Powers of the carrier that a frame of audio came by; all 1 for audio as such."""

    carrier_power: float = 1.0
    noise_power: float = 0.0
    weakest_power: float = 1.0


def audio_frame(
    audio: FloatArray,
    sample_rate_hz: float,
    found: ToneFrame,
    *,
    de_emphasis: bool,
    radio: Radio,
    start_s: float,
) -> AudioFrame:
    """Measure a frame whose test tone has been found.

    Parameters
    ----------
    audio : float64, shape (n,), any unit
    found : the tone of this very frame
    """
    tone_hz = found.tone.frequency_hz
    top_hz = USABLE_SHARE * sample_rate_hz
    spread_hz = LINE_SPREAD_BINS * found.bin_hz
    last_hz = min(HARMONICS[-1] * tone_hz, HARMONICS_BELOW_HZ)
    highest_hz = min(max(last_hz, SPEECH_HIGH_HZ) + spread_hz, top_hz)
    count = max(int(highest_hz / tone_hz), 1)
    fitted = fit_harmonics(audio, sample_rate_hz, tone_hz, count)
    density = power_density(fitted.residual, sample_rate_hz)
    bin_hz = found.bin_hz
    duration_s = found.duration_s
    order = np.arange(1, count + 1)
    lines_hz: FloatArray = np.asarray(order * tone_hz, dtype=np.float64)
    beside = np.array([_density_beside(density, bin_hz, f, tone_hz) for f in lines_hz])
    # Amplitude a in noise of density S: each part of it has the variance S / T.
    part_variance = beside / duration_s
    amplitudes = fitted.amplitudes
    bins_hz = np.maximum(np.arange(len(density)) * bin_hz, bin_hz)
    emphasis = de_emphasis_weight(bins_hz) if de_emphasis else np.ones(len(bins_hz))
    line_emphasis = de_emphasis_weight(lines_hz) if de_emphasis else np.ones(count)

    def in_band(low_hz: float, high_hz: float) -> NDArray[np.bool_]:
        return (lines_hz >= low_hz - spread_hz) & (lines_hz <= high_hz + spread_hz)

    curves = list(WEIGHTINGS.values())
    powers = scattered_powers(
        fitted.residual,
        sample_rate_hz,
        [emphasis * _bin_weight(curve, bins_hz, bin_hz) for curve in curves],
        BLOCK_S,
    )
    tone_power, tone_variance, rest_power, rest_variance = np.zeros((4, len(curves)))
    line_power = np.abs(amplitudes) ** 2 / 2.0
    line_variance = 2.0 * line_power * part_variance + part_variance**2
    for number, (curve, noise) in enumerate(zip(curves, powers, strict=True)):
        weight = curve.power_weight(lines_hz) * line_emphasis
        inside = in_band(curve.low_hz, curve.high_hz)
        inside[0] = False
        tone_power[number] = max(line_power[0] - part_variance[0], 0.0) * weight[0]
        tone_variance[number] = line_variance[0] * weight[0] ** 2
        taken = FIT_BINS * part_variance[0] * weight[0]
        rest_power[number] = noise.power + taken + weight[inside] @ line_power[inside]
        rest_variance[number] = noise.variance + weight[inside] ** 2 @ line_variance[inside]
    hum_weight = emphasis * band_share(
        len(density), bin_hz, HUM_LOW_HZ - spread_hz, min(SPEECH_HIGH_HZ, top_hz)
    )
    hum = scattered_powers(fitted.residual, sample_rate_hz, [hum_weight], HUM_BLOCK_S)[0]
    noisy = in_band(HUM_LOW_HZ, SPEECH_HIGH_HZ)
    taken = FIT_BINS * float(part_variance[noisy] @ line_emphasis[noisy])
    relative, relative_variance = _relative(
        amplitudes, part_variance, line_emphasis, lines_hz <= HARMONICS_BELOW_HZ + spread_hz
    )
    return AudioFrame(
        carrier_power=radio.carrier_power,
        noise_power=radio.noise_power,
        weakest_power=radio.weakest_power,
        start_s=start_s,
        duration_s=duration_s,
        tone_hz=tone_hz,
        tone_variance=found.frequency_variance,
        amplitude=math.sqrt(max(2.0 * (line_power[0] - part_variance[0]), 0.0)),
        amplitude_variance=float(part_variance[0]),
        tone_power=tone_power,
        tone_power_variance=tone_variance,
        rest_power=rest_power,
        rest_variance=rest_variance,
        harmonics=relative,
        harmonic_variances=relative_variance,
        hum=ScatteredPower(
            power=hum.power + taken,
            variance=hum.variance + _line_scatter(density, hum_weight, bin_hz),
        ),
    )


def _bin_weight(curve: Weighting, bins_hz: FloatArray, bin_hz: float) -> FloatArray:
    share = band_share(len(bins_hz), bin_hz, curve.low_hz, curve.high_hz)
    return share * curve.power_weight(bins_hz)


def _density_beside(
    density: FloatArray, bin_hz: float, frequency_hz: float, tone_hz: float
) -> float:
    """Mean density about a line that has been taken out, its own bins left out."""
    k = round(frequency_hz / bin_hz)
    reach = max(round(0.15 * tone_hz / bin_hz), BESIDE_BINS)
    beside = np.r_[density[max(k - reach, 1) : max(k - 2, 1)], density[k + 3 : k + reach + 1]]
    return float(beside.mean()) if len(beside) else 0.0


def _line_scatter(density: FloatArray, weight: FloatArray, bin_hz: float) -> float:
    """Variance of the power of lines by the noise beneath them, too slow to show in blocks.

    A line of power P in noise of density S scatters by 3 P S / T through a Hann window; a line is
    what stands clear of the median of the bins about it.
    """
    top = int(np.flatnonzero(weight)[-1]) + 1
    padded = np.pad(density[:top], LINE_REACH, mode="edge")
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * LINE_REACH + 1)
    noise = np.median(around, axis=1) / math.log(2.0)
    line = density[:top] > LINE_TO_NOISE * noise
    clear = (density[:top] - noise) * noise * weight[:top] ** 2
    # One over the duration is the width of a bin.
    return float(3.0 * clear[line].sum()) * bin_hz**2


def _relative(
    amplitudes: ComplexArray,
    part_variance: FloatArray,
    line_emphasis: FloatArray,
    wanted: NDArray[np.bool_],
) -> tuple[ComplexArray, FloatArray]:
    """Harmonics 2 to 5 over the tone, phases as if it began as a cosine; and their variances."""
    given = np.full(len(HARMONICS), np.nan, dtype=np.complex128)
    variances = np.full(len(HARMONICS), np.nan)
    tone = abs(amplitudes[0])
    turn = np.conj(amplitudes[0]) / tone
    for place, k in enumerate(HARMONICS):
        if k <= len(amplitudes) and wanted[k - 1]:
            gain = math.sqrt(line_emphasis[k - 1] / line_emphasis[0]) / tone
            given[place] = amplitudes[k - 1] * turn**k * gain
            variances[place] = part_variance[k - 1] * gain**2
    return given, variances
