"""What one frame of a channel says of its carrier: power, frequency, test tone, peaks.

The stretches with the carrier on, their power by the moments of the envelope (noise taken off),
their demodulated frequency, in it the test tone with its harmonics by least squares.

The carrier's frequency, the last that applies:

=====================================================  ========================================
what the frame holds                                   frequency
=====================================================  ========================================
anything                                               mean step of phase, by power
a stretch long enough for the discriminator            mean of the demodulated frequency
several stretches, a line of a tenth of the power      that line (on-off keying)
a test tone                                            mean beside the tone and its harmonics
the same, in noise in which clicks can be              that of the line left when the modulation
                                                       that was found is taken out of the phase
no tone, a line of most of the power                   that line (an unmodulated carrier)
=====================================================  ========================================
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.dsp.channel import lowpass_taps
from harness.dsp.demodulate import FLAT_TO, HALF_TAPS, demodulated_frequency_hz
from harness.dsp.long_filter import filter_long
from harness.dsp.spectrum import hann_transform
from harness.dsp.tone import LINE_LEAST_SAMPLES, fit_line, highest_peak
from harness.dsp.waves import harmonic_wave
from harness.measure.frames import KeyedFrame, keyed_frame
from harness.measure.modulation import (
    SPEECH_HIGH_HZ,
    SPEECH_LOW_HZ,
    ComplexArray,
    FoundTones,
    PeriodicFrame,
    SteadyMean,
    discriminator_noise,
    find_tones,
    highest_value,
    periodic_frame,
    steady_mean,
    without_tone,
)
from harness.units import FloatArray

Run = tuple[int, int]
"""First sample of a stretch and one past its last."""

LEAST_RUN_SAMPLES = 2 * HALF_TAPS + 17
"""Shorter stretches are not demodulated: the discriminator would leave 16 samples or fewer.
Chosen."""
LEAST_TONE_S = 0.05
"""Shorter stretches are not searched for a tone. Chosen: fifty periods of 1 kHz."""
PEAK_BAND_SPACINGS = 0.4
"""Where nothing repeats, the peak is looked for in the demodulated frequency up to this share of
the spacing: 5 kHz in a 12.5 kHz channel. Chosen: all of the speech band, little of the noise."""
HARMONICS_TO_SPACINGS = 0.6
"""Harmonics are fitted up to this share of the spacing, the flat width of a channel block."""
LINE_SHARE = 0.7
"""From this share of the carrier's power in one line on, it counts as unmodulated. Chosen."""
KEYED_LINE_SHARE = 0.1
"""The same for on-off keying, whose pulses need not keep their phase. Chosen."""

CLICKS_BELOW = 25.0
"""Carrier to noise in the channel (14 dB) below which clicks are looked out for. Chosen: above,
there is less than one in a day (rate about bandwidth times exp(-ratio), S. O. Rice 1963, from
memory). One in a second moves the mean of a discriminator by up to 2 Hz."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierRecord:
    """What one frame gave; NaN or None where it could not tell."""

    carrier_power: float
    power_variance: float
    holds_carrier: bool
    count: int
    frequency_hz: float
    frequency_variance: float
    tone_hz: float = math.nan
    tone_variance: float = math.nan
    periodic: PeriodicFrame | None = None
    subaudible_hz: float = math.nan
    highest_hz: float = math.nan
    lowest_hz: float = math.nan
    noise_hz: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakFilter:
    """The low-pass behind which a peak is looked for where nothing repeats."""

    band_hz: float
    taps: FloatArray


def peak_filter(spacing_hz: float, sample_rate_hz: float) -> PeakFilter:
    """Make the low-pass for a channel spacing."""
    band_hz = min(PEAK_BAND_SPACINGS * spacing_hz, 0.4 * sample_rate_hz)
    stop_hz = min(1.5 * band_hz, 0.49 * sample_rate_hz)
    return PeakFilter(band_hz=band_hz, taps=lowpass_taps(band_hz, stop_hz, sample_rate_hz, 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class DemodulatedFrame:
    """A frame of channel samples and what the discriminator makes of it.

    ``stretches`` are the demodulated frequency (float64, Hz) of the runs that are long enough,
    the longest first; none where no carrier is seen. ``transform`` is ``hann_transform`` of the
    longest, ``tones`` what was found in it unless it is shorter than ``LEAST_TONE_S``.
    """

    iq: NDArray[Any]
    sample_rate_hz: float
    keyed: KeyedFrame
    stretches: tuple[FloatArray, ...]
    transform: ComplexArray | None
    tones: FoundTones | None

    @property
    def longest(self) -> Run:
        """The run of the first stretch."""
        return self.keyed.runs[0]


def demodulated_frame(iq: NDArray[Any], sample_rate_hz: float) -> DemodulatedFrame | None:
    """Split and demodulate a frame; None when it is too short.

    Parameters
    ----------
    iq : complex, shape (n,)
    """
    keyed = keyed_frame(iq, sample_rate_hz)
    if keyed is None:
        return None
    usable = [run for run in keyed.runs if run[1] - run[0] >= LEAST_RUN_SAMPLES]
    stretches: tuple[FloatArray, ...] = ()
    if keyed.holds_carrier:
        stretches = tuple(demodulated_frequency_hz(iq[a:b], sample_rate_hz) for a, b in usable)
    transform, tones = None, None
    if stretches:
        transform = hann_transform(stretches[0])
        if len(stretches[0]) >= LEAST_TONE_S * sample_rate_hz:
            tones = find_tones(stretches[0], sample_rate_hz, transform=transform)
    return DemodulatedFrame(
        iq=iq,
        sample_rate_hz=sample_rate_hz,
        keyed=keyed,
        stretches=stretches,
        transform=transform,
        tones=tones,
    )


def carrier_record(frame: DemodulatedFrame, spacing_hz: float, peak: PeakFilter) -> CarrierRecord:
    """Give the record of a frame."""
    keyed = frame.keyed
    extremes = _extremes(frame, peak)
    tone = _tone(frame, spacing_hz)
    frequency = _frequency(frame, tone)
    return CarrierRecord(
        carrier_power=keyed.carrier_power,
        power_variance=keyed.grain_spread**2,
        holds_carrier=keyed.holds_carrier,
        count=keyed.count,
        frequency_hz=frequency.value,
        frequency_variance=frequency.variance,
        tone_hz=tone.frequency_hz if tone else math.nan,
        tone_variance=tone.variance if tone else math.nan,
        periodic=tone.periodic if tone else None,
        subaudible_hz=tone.subaudible_hz if tone else math.nan,
        highest_hz=extremes.highest_hz,
        lowest_hz=extremes.lowest_hz,
        noise_hz=extremes.noise_hz,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Extremes:
    highest_hz: float = math.nan
    lowest_hz: float = math.nan
    noise_hz: float = math.nan


def _extremes(frame: DemodulatedFrame, peak: PeakFilter) -> _Extremes:
    """Find the highest and lowest frequency behind the peak filter, and the noise there."""
    heard = [
        filter_long(stretch, peak.taps)
        for stretch in frame.stretches
        if len(stretch) >= len(peak.taps) + 2
    ]
    if not heard:
        return _Extremes()
    return _Extremes(
        highest_hz=max(highest_value(stretch) for stretch in heard),
        lowest_hz=-max(highest_value(-stretch) for stretch in heard),
        noise_hz=discriminator_noise(
            frame.stretches[0], frame.sample_rate_hz, peak.band_hz, transform=frame.transform
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _FrameTone:
    """The test tone of a frame; ``subaudible_hz`` is the deviation of one below it, or 0."""

    frequency_hz: float
    variance: float
    subaudible_hz: float
    periodic: PeriodicFrame
    phase_rad: float


def _tone(frame: DemodulatedFrame, spacing_hz: float) -> _FrameTone | None:
    """Give the test tone of the longest stretch; None where noise is stronger than any."""
    found = frame.tones.test if frame.tones else None
    if found is None or not found.tone_power > found.residual_power(SPEECH_LOW_HZ, SPEECH_HIGH_HZ):
        return None
    audio, rate_hz = frame.stretches[0], frame.sample_rate_hz
    low_tone = frame.tones.subaudible if frame.tones else None
    if low_tone is not None:
        audio = without_tone(audio, rate_hz, low_tone)
    top_hz = min(FLAT_TO * rate_hz, HARMONICS_TO_SPACINGS * spacing_hz)
    return _FrameTone(
        frequency_hz=found.tone.frequency_hz,
        variance=found.frequency_variance,
        subaudible_hz=low_tone.amplitude if low_tone else 0.0,
        periodic=periodic_frame(audio, rate_hz, found.tone, top_hz),
        phase_rad=found.tone.phase_rad,
    )


def _frequency(frame: DemodulatedFrame, tone: _FrameTone | None) -> SteadyMean:
    """Carrier frequency of a frame and its variance, by the table on top of this file."""
    if tone is not None:
        mean = SteadyMean(value=tone.periodic.mean, variance=tone.periodic.mean_variance)
        return _beside_clicks(frame, tone) or mean
    if frame.stretches:
        first, last = frame.longest
        line = _unmodulated(frame, frame.iq[first:last])
        if line is not None:
            return line
        mean = _mean_of_stretches(frame.stretches, frame.sample_rate_hz)
    else:
        mean = _burst_frequency(frame.iq, frame.keyed.runs, frame.sample_rate_hz)
    return _keyed_line(frame, mean)


def _mean_of_stretches(stretches: Sequence[FloatArray], rate_hz: float) -> SteadyMean:
    """Mean of the demodulated frequency; of several stretches, their scatter tells how good."""
    if len(stretches) == 1:
        return steady_mean(stretches[0], rate_hz)
    means = np.array([stretch.mean() for stretch in stretches])
    return SteadyMean(
        value=float(np.concatenate(stretches).mean()),
        variance=float(means.var(ddof=1) / len(means)),
    )


def _burst_frequency(iq: NDArray[Any], runs: Sequence[Run], rate_hz: float) -> SteadyMean:
    """Mean frequency over the runs and its variance: phase between neighbours, by power."""
    steps = [iq[a + 1 : b] * np.conj(iq[a : b - 1]) for a, b in runs]
    step = np.concatenate(steps).astype(np.complex128)
    total = step.sum()
    if total == 0:
        return SteadyMean(value=0.0, variance=math.inf)
    mean_rad = np.angle(total)
    # The phase of the sum is good to the scatter of its parts across it; neighbours' noise
    # cancels along a run, so this is an upper figure.
    across = (step * np.exp(-1j * mean_rad)).imag
    variance_rad = float(np.sum(across**2)) / abs(total) ** 2
    scale = rate_hz / (2.0 * np.pi)
    return SteadyMean(value=float(mean_rad * scale), variance=variance_rad * scale**2)


def _unmodulated(frame: DemodulatedFrame, iq: NDArray[Any]) -> SteadyMean | None:
    """Frequency of a stretch where most of the carrier's power is in one line, else None."""
    if len(iq) < LINE_LEAST_SAMPLES:
        return None
    line = fit_line(iq, frame.sample_rate_hz)
    if line.power <= LINE_SHARE * frame.keyed.carrier_power:
        return None
    return SteadyMean(value=line.frequency_hz, variance=line.frequency_uncertainty_hz**2)


def _beside_clicks(frame: DemodulatedFrame, tone: _FrameTone) -> SteadyMean | None:
    """Frequency of a modulated carrier without the clicks of a discriminator; None without any."""
    noise = frame.keyed.second - frame.keyed.carrier_power
    if frame.keyed.carrier_power > CLICKS_BELOW * noise:
        return None
    # The discriminator's first value belongs to this sample.
    begin = frame.longest[0] + HALF_TAPS
    iq = frame.iq[begin : begin + len(frame.stretches[0])]
    harmonics = tone.periodic.harmonics
    order = np.arange(1, len(harmonics) + 1)
    deviation = harmonics * np.exp(1j * order * tone.phase_rad)
    # The integral of the frequency, times 2 pi.
    phase = deviation / (1j * order * tone.frequency_hz)
    turned = harmonic_wave(phase, tone.frequency_hz / frame.sample_rate_hz, len(iq))
    low = frame.tones.subaudible if frame.tones else None
    if low is not None:
        at_start = low.amplitude * np.exp(1j * low.phase_rad) / (1j * low.frequency_hz)
        cycles = low.frequency_hz / frame.sample_rate_hz
        turned = turned + harmonic_wave(np.array([at_start]), cycles, len(iq))
    return _unmodulated(frame, iq * np.exp(-1j * turned))


def _keyed_line(frame: DemodulatedFrame, mean: SteadyMean) -> SteadyMean:
    """Take the strongest line of a frame that is keyed in parts instead of ``mean``.

    The carrier of an on-off keyed signal; frequency keyed data have no such line.
    """
    keyed = frame.keyed
    if len(keyed.runs) < 2 or not keyed.holds_carrier:
        return mean
    line = highest_peak(frame.iq)
    on = sum(last - first for first, last in keyed.runs)
    if (line.magnitude / on) ** 2 / keyed.second <= KEYED_LINE_SHARE:
        return mean
    line_hz = line.cycles * frame.sample_rate_hz
    # Pulses may chirp: the line and the mean over the pulses differ by as much.
    return SteadyMean(value=line_hz, variance=max(mean.variance, (line_hz - mean.value) ** 2))
