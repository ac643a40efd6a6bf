"""Carrier: power, frequency error, deviation, test tone.

Each second of the channel by itself: the stretches with the carrier on, their power by the
moments of the envelope (noise taken off), their demodulated frequency, in it the test tone with
its harmonics by least squares. A peak of the modulation is the peak of the waveform that mean
harmonics make, so noise averages out; a harmonic that does not stand clear of the noise is left
out of the waveform and stays in its uncertainty. Where nothing repeats, the highest frequency
seen is given as an upper bound.

Bits per hour of recording: one record of some twenty numbers a second.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block, Frames
from harness.devices import Role
from harness.dsp.channel import lowpass_taps
from harness.dsp.demodulate import FLAT_TO, HALF_TAPS, demodulated_frequency_hz
from harness.dsp.spectrum import LineSpectrum
from harness.dsp.tone import LINE_LEAST_SAMPLES, fit_line
from harness.measure.frames import KeyedFrame, keyed_frame
from harness.measure.modulation import (
    SPEECH_HIGH_HZ,
    SPEECH_LOW_HZ,
    PeriodicFrame,
    discriminator_noise,
    highest_value,
    peaks,
    periodic_frame,
    steady_mean,
    subaudible_tone,
    tone_frame,
    without_tone,
)
from harness.measure.setup import Channel, Options
from harness.readings import (
    Axis,
    Findings,
    Reading,
    Series,
    measured,
    not_measured,
    sentence,
)
from harness.uncertainty import Contribution, scaled
from harness.units import db_from_ratio, ppm_from_ratio

FloatArray = NDArray[np.float64]

FRAME_S = 1.0
LEAST_TONE_S = 0.05
"""Shorter stretches are not searched for a tone. Chosen: fifty periods of 1 kHz."""
KEYED_RANGE = 0.1
"""Frames with less than this share of the strongest frame's power count as not keyed. Chosen:
10 dB, more than a battery run sags."""
PEAK_BAND_SPACINGS = 0.4
"""Where nothing repeats, the peak is looked for in the demodulated frequency up to this share of
the spacing: 5 kHz in a 12.5 kHz channel. Chosen: all of the speech band, little of the noise."""
SIGNIFICANT_SIGMAS = 4.0
LINE_SHARE = 0.7
"""From this share of the carrier's power in one line on, it counts as unmodulated. Chosen."""
KEYED_LINE_SHARE = 0.1
"""The same for on-off keying, whose pulses need not keep their phase. Chosen."""
SPECTRUM_LINES = 2048
HISTOGRAM_BINS = 240
MANY_FRAMES = 5
"""From so many frames on, their scatter tells the uncertainty of the mean. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Record:
    """What one frame gave."""

    carrier_power: float
    power_variance: float
    holds_carrier: bool
    count: int
    frequency_hz: float
    frequency_variance: float
    tone_hz: float
    tone_variance: float
    periodic: PeriodicFrame | None
    subaudible_hz: float
    highest_hz: float
    lowest_hz: float
    noise_hz: float


class Carrier:
    """Measure the carrier of one channel: ``output`` if there is one, else the only one.

    Parameters
    ----------
    channels : one channel of IQ, or several of which one is the output
    options : nothing of it is used
    """

    def __init__(self, channels: Mapping[Role, Channel], options: Options) -> None:
        self._role: Role = "output" if "output" in channels else next(iter(channels))
        self._channel = channels[self._role]
        if self._channel.signal != "iq":
            raise ValueError("a carrier is measured on IQ")
        rate_hz = self._channel.sample_rate_hz
        self._peak_band_hz = min(PEAK_BAND_SPACINGS * self._channel.spacing_hz, 0.4 * rate_hz)
        self._peak_taps = lowpass_taps(
            self._peak_band_hz, min(1.5 * self._peak_band_hz, 0.49 * rate_hz), rate_hz, 1
        )
        # Discriminator and filter lose samples at each end: frames overlap by as many.
        self._overlap = 2 * HALF_TAPS + len(self._peak_taps) - 1
        length = max(round(FRAME_S * rate_hz), 1)
        self._frames = Frames(length + self._overlap, length)
        self._records: list[_Record] = []
        reach_hz = min(0.75 * self._channel.spacing_hz, rate_hz / 2)
        self._edges_hz = np.linspace(-reach_hz, reach_hz, HISTOGRAM_BINS + 1)
        self._histogram = np.zeros(HISTOGRAM_BINS)
        self._lines = LineSpectrum(SPECTRUM_LINES, rate_hz)

    def push(self, role: Role, block: Block) -> None:
        """Take a channel block; those of other roles are not needed."""
        if role != self._role:
            return
        if self._frames.interrupted_by(block):
            self._end_stretch()
        for frame in self._frames.push(block):
            self._measure(frame.samples)

    def finish(self) -> Findings:
        """Give the readings."""
        self._end_stretch()
        strongest = max((r.carrier_power for r in self._records if r.holds_carrier), default=0.0)
        keyed = [
            r
            for r in self._records
            if r.holds_carrier and r.carrier_power > KEYED_RANGE * strongest
        ]
        if not keyed:
            note = "no carrier found in the channel"
            names = ("carrier_power", "frequency_error", "deviation_peak")
            readings = tuple(
                not_measured(name, note, recordings=(self._channel.name,)) for name in names
            )
            return Findings(kind="carrier", readings=readings, cautions=(sentence(note),))
        cautions: list[str] = []
        readings = (
            self._power(keyed, cautions),
            self._frequency(keyed, cautions),
            *self._modulation(keyed),
        )
        return Findings(
            kind="carrier",
            readings=readings,
            series=tuple(self._series(keyed)),
            cautions=tuple(cautions),
        )

    def _end_stretch(self) -> None:
        rest = self._frames.rest()
        # What is left may be no more than the overlap, which has been measured already.
        if rest is not None and (len(rest.samples) > self._overlap or not self._records):
            self._measure(rest.samples)

    def _measure(self, iq: NDArray[Any]) -> None:
        """Turn one frame into a record."""
        rate_hz = self._channel.sample_rate_hz
        frame = keyed_frame(iq, rate_hz)
        if frame is None:
            return
        record = self._record(iq, frame, rate_hz)
        self._records.append(record)

    def _record(self, iq: NDArray[Any], frame: KeyedFrame, rate_hz: float) -> _Record:
        usable = [run for run in frame.runs if run[1] - run[0] > 2 * HALF_TAPS + 16]
        frequency, variance = _burst_frequency(iq, frame.runs, rate_hz)
        highest = lowest = noise_hz = tone_hz = tone_variance = subaudible = math.nan
        periodic = None
        if usable and frame.holds_carrier:
            stretches = [demodulated_frequency_hz(iq[a:b], rate_hz) for a, b in usable]
            joined = np.concatenate(stretches)
            self._histogram += np.histogram(joined, self._edges_hz)[0]
            self._lines.add(iq[usable[0][0] : usable[0][1]])
            heard = [
                np.convolve(stretch, self._peak_taps, mode="valid")
                for stretch in stretches
                if len(stretch) >= len(self._peak_taps) + 2
            ]
            if heard:
                highest = max(highest_value(stretch) for stretch in heard)
                lowest = -max(highest_value(-stretch) for stretch in heard)
                noise_hz = discriminator_noise(stretches[0], rate_hz, self._peak_band_hz)
            longest = stretches[0]
            mean = steady_mean(longest, rate_hz)
            frequency, variance = mean.value, mean.variance
            if len(usable) > 1:
                means = np.array([s.mean() for s in stretches])
                frequency = float(joined.mean())
                variance = float(means.var(ddof=1) / len(means))
        if len(frame.runs) > 1 and frame.holds_carrier:
            line_hz, share = _keyed_line(iq, frame, rate_hz)
            if share > KEYED_LINE_SHARE:
                # Pulses may chirp: the line and the mean over the pulses differ by as much.
                frequency, variance = line_hz, max(variance, (line_hz - frequency) ** 2)
        if usable and frame.holds_carrier:
            found = None
            if len(longest) >= LEAST_TONE_S * rate_hz:
                found = tone_frame(longest, rate_hz)
            if found is not None:
                noise = found.residual_power(SPEECH_LOW_HZ, SPEECH_HIGH_HZ)
                if found.tone_power > noise:
                    tone_hz = found.tone.frequency_hz
                    tone_variance = found.frequency_variance
                    low_tone = subaudible_tone(found.residual, rate_hz)
                    subaudible = low_tone.amplitude if low_tone else 0.0
                    if low_tone is not None:
                        longest = without_tone(longest, rate_hz, low_tone)
                    top_hz = min(FLAT_TO * rate_hz, 0.6 * self._channel.spacing_hz)
                    periodic = periodic_frame(longest, rate_hz, found.tone, top_hz)
                    frequency, variance = periodic.mean, periodic.mean_variance
            first, last = usable[0]
            if periodic is None and last - first >= LINE_LEAST_SAMPLES:
                line = fit_line(iq[first:last], rate_hz)
                if line.power > LINE_SHARE * frame.carrier_power:
                    frequency, variance = line.frequency_hz, line.frequency_uncertainty_hz**2
        return _Record(
            carrier_power=frame.carrier_power,
            power_variance=frame.grain_spread**2,
            holds_carrier=frame.holds_carrier,
            count=frame.count,
            frequency_hz=frequency,
            frequency_variance=variance,
            tone_hz=tone_hz,
            tone_variance=tone_variance,
            periodic=periodic,
            subaudible_hz=subaudible,
            highest_hz=highest,
            lowest_hz=lowest,
            noise_hz=noise_hz,
        )

    def _power(self, keyed: Sequence[_Record], cautions: list[str]) -> Reading:
        weights = np.array([r.count for r in keyed], dtype=np.float64)
        powers = np.array([r.carrier_power for r in keyed])
        variances = np.array([r.power_variance for r in keyed])
        mean, standard = _weighted_mean(powers, variances, weights)
        level_dbfs = db_from_ratio(mean)
        channel = self._channel
        if channel.level_offset_db is None:
            cautions.append(
                f"No level calibration in the recording: the carrier is at {level_dbfs:.2f} dBFS."
            )
            return not_measured(
                "carrier_power",
                "the recording is not calibrated in level (no full_scale_dbm)",
                recordings=(channel.name,),
            )
        if not channel.level_contributions:
            cautions.append(
                "No uncertainty is declared for the level calibration: U of the power holds"
                " its repeatability only."
            )
        repeat = Contribution(
            name="carrier_power.repeatability",
            standard_uncertainty=10.0 / math.log(10.0) * standard / mean,
            kind="A",
            degrees_of_freedom=max(len(keyed) - 1, 1) if len(keyed) >= MANY_FRAMES else math.inf,
            source="scatter of the power within the recording",
        )
        return measured(
            "carrier_power",
            level_dbfs + channel.level_offset_db,
            [repeat, *channel.level_contributions],
            count=len(keyed),
            recordings=(channel.name,),
        )

    def _frequency(self, keyed: Sequence[_Record], cautions: list[str]) -> Reading:
        channel = self._channel
        mean_hz, standard_hz = _weighted_mean(
            np.array([r.frequency_hz for r in keyed]),
            np.array([r.frequency_variance for r in keyed]),
            np.array([r.count for r in keyed], dtype=np.float64),
        )
        carrier_hz = channel.centre_hz + mean_hz
        reference = "nominal frequency"
        nominal_hz = channel.nominal_hz
        if nominal_hz is None:
            nominal_hz, reference = channel.tuned_hz, "the recording's tuning"
            cautions.append(
                "No nominal frequency is known: the frequency error is against the recording's"
                f" tuning, {nominal_hz:.0f} Hz."
            )
        if not channel.clock_contributions:
            cautions.append(
                "No uncertainty is declared for the recorder's clock: U of the frequencies holds"
                " their repeatability only."
            )
        error_hz = carrier_hz - nominal_hz
        repeat = Contribution(
            name="frequency_error.repeatability",
            standard_uncertainty=standard_hz,
            kind="A",
            source="noise of the demodulated frequency",
        )
        note = f"carrier at {carrier_hz:.1f} Hz"
        if nominal_hz:
            note += f", {ppm_from_ratio(error_hz / nominal_hz):+.3f} ppm"
        return measured(
            "frequency_error",
            error_hz,
            [repeat, *scaled(channel.clock_contributions, carrier_hz * 1e-6)],
            count=len(keyed),
            conditions={"reference": reference},
            recordings=(channel.name,),
            note=note,
        )

    def _modulation(self, keyed: Sequence[_Record]) -> list[Reading]:
        toned = [r for r in keyed if r.periodic is not None]
        name = self._channel.name
        # A tone in the smaller part of the keyed time is not what modulates the carrier.
        if 2 * sum(r.count for r in toned) < sum(r.count for r in keyed):
            return _bounds(keyed, name, self._peak_band_hz)
        weights = np.array([r.count for r in toned], dtype=np.float64)
        tone_hz, tone_standard_hz = _weighted_mean(
            np.array([r.tone_hz for r in toned]),
            np.array([r.tone_variance for r in toned]),
            weights,
        )
        frames = [r.periodic for r in toned if r.periodic is not None]
        harmonics, variances = _mean_harmonics(frames, weights)
        clear = np.abs(harmonics) > SIGNIFICANT_SIGMAS * np.sqrt(variances)
        clear[0] = True
        up_hz, down_hz = peaks(np.where(clear, harmonics, 0.0))
        low_hz = float(np.average([r.subaudible_hz for r in toned], weights=weights))
        peak_variance = float(variances.sum())
        clock = self._channel.clock_contributions
        conditions = {"tone_hz": round(tone_hz, 1)}
        common: dict[str, Any] = {"count": len(toned), "recordings": (name,)}

        def reading(what: str, value_hz: float, standard_hz: float, **more: Any) -> Reading:
            repeat = Contribution(
                name=f"{what}.repeatability",
                standard_uncertainty=standard_hz,
                kind="A",
                source="noise of the demodulated frequency",
            )
            parts = [repeat, *scaled(clock, value_hz * 1e-6)]
            return measured(what, value_hz, parts, **common, **more)

        peak_standard = math.sqrt(peak_variance)
        return [
            reading(
                "deviation_peak_positive", up_hz + low_hz, peak_standard, conditions=conditions
            ),
            reading(
                "deviation_peak_negative", low_hz - down_hz, peak_standard, conditions=conditions
            ),
            reading(
                "deviation_peak",
                (up_hz - down_hz) / 2.0 + low_hz,
                peak_standard / math.sqrt(2.0),
                conditions=conditions,
            ),
            reading(
                "deviation_tone",
                float(np.abs(harmonics[0])),
                math.sqrt(variances[0]),
                conditions=conditions,
            ),
            reading("tone_frequency", tone_hz, tone_standard_hz),
        ]

    def _series(self, keyed: Sequence[_Record]) -> list[Series]:
        given = []
        if self._lines.count:
            power = self._lines.power()
            total = float(np.mean([r.carrier_power for r in keyed]))
            given.append(
                Series(
                    name="spectrum",
                    unit="dB",
                    axes=(
                        Axis(
                            name="frequency_offset",
                            unit="Hz",
                            values=self._lines.frequency_hz,
                        ),
                    ),
                    values=db_from_ratio(np.maximum(power / total, 1e-15)),
                    conditions={
                        "resolution_bandwidth_hz": round(self._lines.resolution_hz, 2),
                        "reference": "total carrier power",
                    },
                )
            )
        if self._histogram.sum():
            middles_hz = (self._edges_hz[1:] + self._edges_hz[:-1]) / 2.0
            given.append(
                Series(
                    name="frequency_distribution",
                    unit="1",
                    axes=(Axis(name="frequency_offset", unit="Hz", values=middles_hz),),
                    values=self._histogram / self._histogram.sum(),
                )
            )
        return given


def _burst_frequency(
    iq: NDArray[Any], runs: Sequence[tuple[int, int]], rate_hz: float
) -> tuple[float, float]:
    """Mean frequency over the runs and its variance: phase between neighbours, by power."""
    steps = [iq[a + 1 : b] * np.conj(iq[a : b - 1]) for a, b in runs]
    step = np.concatenate(steps).astype(np.complex128)
    total = step.sum()
    if total == 0:
        return 0.0, math.inf
    mean_rad = np.angle(total)
    # The phase of the sum is good to the scatter of its parts across it; neighbours' noise
    # cancels along a run, so this is an upper figure.
    across = (step * np.exp(-1j * mean_rad)).imag
    variance_rad = float(np.sum(across**2)) / abs(total) ** 2
    scale = rate_hz / (2.0 * np.pi)
    return float(mean_rad * scale), variance_rad * scale**2


def _keyed_line(iq: NDArray[Any], frame: KeyedFrame, rate_hz: float) -> tuple[float, float]:
    """Find the strongest line of a frame that is keyed in parts, and its share of what is keyed.

    The carrier of an on-off keyed signal; frequency keyed data have no such line.
    """
    length = 4 << (len(iq) - 1).bit_length()
    lines = np.abs(np.fft.fft(iq, length))
    peak = int(np.argmax(lines))
    on = sum(last - first for first, last in frame.runs)
    share = float(lines[peak] / on) ** 2 / frame.second
    return ((peak + length // 2) % length - length // 2) * rate_hz / length, share


def _weighted_mean(
    values: FloatArray, variances: FloatArray, weights: FloatArray
) -> tuple[float, float]:
    """Weighted mean and its standard uncertainty: from the parts, or their scatter if larger."""
    share = weights / weights.sum()
    mean = float(share @ values)
    variance = float(share**2 @ np.nan_to_num(variances, nan=0.0, posinf=0.0))
    if len(values) >= MANY_FRAMES:
        scatter = float(share @ (values - mean) ** 2) * float(share @ share)
        variance = max(variance, scatter * len(values) / (len(values) - 1))
    return mean, math.sqrt(variance)


def _mean_harmonics(
    frames: Sequence[PeriodicFrame], weights: FloatArray
) -> tuple[NDArray[np.complex128], FloatArray]:
    """Mean harmonics over the frames and the variance of each part of each."""
    count = min(len(frame.harmonics) for frame in frames)
    share = weights / weights.sum()
    values = np.array([frame.harmonics[:count] for frame in frames])
    variances = np.array([frame.variances[:count] for frame in frames])
    return share @ values, (share**2) @ variances


def _bounds(keyed: Sequence[_Record], name: str, band_hz: float) -> list[Reading]:
    """Highest and lowest frequency seen, as upper bounds: nothing repeats to be averaged.

    Noise may have hidden as much of a peak as it may have added: twice its rms is added.
    """
    seen = [r for r in keyed if math.isfinite(r.highest_hz)]
    if not seen:
        return [
            not_measured(
                "deviation_peak", "the carrier is on for too short a time", recordings=(name,)
            )
        ]
    weights = [r.count for r in keyed]
    mean_hz = float(np.average([r.frequency_hz for r in keyed], weights=weights))
    up_hz = max(r.highest_hz + 2.0 * r.noise_hz for r in seen) - mean_hz
    down_hz = mean_hz - min(r.lowest_hz - 2.0 * r.noise_hz for r in seen)
    values = {
        "deviation_peak_positive": up_hz,
        "deviation_peak_negative": down_hz,
        "deviation_peak": (up_hz + down_hz) / 2.0,
    }
    return [
        Reading(
            name=what,
            value=value_hz,
            unit="Hz",
            bound="upper",
            count=len(seen),
            conditions={"audio_bandwidth_hz": band_hz},
            recordings=(name,),
            note="no steady test tone: the highest frequency seen, noise included",
        )
        for what, value_hz in values.items()
    ]
