"""Carrier: power, frequency error, deviation, test tone.

Each second of the channel gives a record (``carrier_frame.py``); the readings are their means.
A peak of the modulation is the peak of the waveform that mean harmonics make, so noise averages
out; a harmonic that does not stand clear of the noise counts for as much as it is likely to be.
Where nothing repeats, the highest frequency seen is given as an upper bound.

Memory: one record of some twenty numbers for each second of recording.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block, Frames
from harness.devices import Role
from harness.dsp.demodulate import HALF_TAPS
from harness.dsp.spectrum import LineSpectrum, fast_length, fast_length_within
from harness.measure.carrier_frame import (
    CarrierRecord,
    carrier_record,
    demodulated_frame,
    peak_filter,
)
from harness.measure.limiting import Limiting
from harness.measure.modulation import (
    half_peak_to_peak_variance,
    likely_harmonics,
    mean_harmonics,
    peaks,
)
from harness.measure.setup import Channel, Options
from harness.measure.subaudible import SubaudibleTone
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
KEYED_RANGE = 0.1
"""Frames with less than this share of the strongest frame's power count as not keyed. Chosen:
10 dB, more than a battery run sags."""
SPECTRUM_LINES = 2048
SPECTRUM_FRAMES = 10
SPECTRUM_EVERY = 10
"""Frames that the spectrum is made of: the first, and of those after them each tenth. Chosen: ten
seconds have 230 segments, whose mean scatters by 0.3 dB."""
MOST_LEFT_OUT = 0.01
"""Of the last frame of a stretch, for a length that transforms quickly. Chosen."""
HISTOGRAM_BINS = 240
MANY_FRAMES = 5
"""From so many frames on, their scatter tells the uncertainty of the mean. Chosen."""


class Carrier:
    """Measure the carrier of one channel: ``output`` if there is one, else the only one.

    With the input beside it, how far the unit lets its deviation go is measured too.

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
        self._peak_filter = peak_filter(self._channel.spacing_hz, rate_hz)
        # Discriminator and filter lose samples at each end: frames overlap by as many.
        # A few more, for a length that transforms quickly.
        length = max(round(FRAME_S * rate_hz), 1)
        demodulated = fast_length(length + len(self._peak_filter.taps) - 1)
        self._overlap = demodulated + 2 * HALF_TAPS - length
        self._frames = Frames(length + self._overlap, length)
        self._records: list[CarrierRecord] = []
        reach_hz = min(0.75 * self._channel.spacing_hz, rate_hz / 2)
        self._edges_hz = np.linspace(-reach_hz, reach_hz, HISTOGRAM_BINS + 1)
        self._histogram = np.zeros(HISTOGRAM_BINS)
        self._lines = LineSpectrum(SPECTRUM_LINES, rate_hz)
        self._subaudible = SubaudibleTone(rate_hz, self._channel.spacing_hz)
        both = {"input", "output"} <= channels.keys()
        self._limiting = Limiting(channels) if both else None

    def push(self, role: Role, block: Block) -> None:
        """Take a channel block; that of the other role is for limiting alone."""
        if self._limiting is not None:
            self._limiting.push(role, block)
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
            lacking = tuple(
                not_measured(name, note, recordings=(self._channel.name,)) for name in names
            )
            return Findings(kind="carrier", readings=lacking, cautions=(sentence(note),))
        cautions: list[str] = []
        readings: tuple[Reading, ...] = (
            self._power(keyed, cautions),
            self._frequency(keyed, cautions),
            *self._modulation(keyed),
            *self._subaudible.readings(self._channel.clock_contributions, (self._channel.name,)),
        )
        if self._role == "input":
            # What the unit is sent: no limit on what it sends is for this.
            readings = tuple(
                replace(reading, conditions={**reading.conditions, "role": "input"})
                for reading in readings
            )
        series = tuple(self._series(keyed))
        if self._limiting is not None:
            limiting = self._limiting.finish()
            readings += limiting.readings
            series += limiting.series
        return Findings(kind="carrier", readings=readings, series=series, cautions=tuple(cautions))

    def _end_stretch(self) -> None:
        rest = self._frames.rest()
        # What is left may be no more than the overlap, which has been measured already.
        if rest is not None and (len(rest.samples) > self._overlap or not self._records):
            self._measure(self._quickly_transformed(rest.samples))

    def _quickly_transformed(self, iq: NDArray[Any]) -> NDArray[Any]:
        """Leave out a little of the head, mostly seen by a frame before; a lone one stays whole."""
        if not self._records:
            return iq
        demodulated = len(iq) - 2 * HALF_TAPS
        first = demodulated - fast_length_within(demodulated)
        return iq[first:] if first <= MOST_LEFT_OUT * demodulated else iq

    def _measure(self, iq: NDArray[Any]) -> None:
        """Turn one frame into a record."""
        frame = demodulated_frame(iq, self._channel.sample_rate_hz)
        if frame is None:
            return
        if frame.stretches:
            self._count(frame.stretches)
            first, last = frame.longest
            number = len(self._records)
            if number < SPECTRUM_FRAMES or number % SPECTRUM_EVERY == 0:
                self._lines.add(iq[first:last])
        if frame.tones is not None:
            self._subaudible.add(frame.tones)
        self._records.append(carrier_record(frame, self._channel.spacing_hz, self._peak_filter))

    def _count(self, stretches: Sequence[FloatArray]) -> None:
        """Count the demodulated frequency into the bins; what is beyond them is left out."""
        width_hz = self._edges_hz[1] - self._edges_hz[0]
        for stretch in stretches:
            bins = (stretch - self._edges_hz[0]) / width_hz
            if not (bins.min() >= 0.0 and bins.max() < HISTOGRAM_BINS):
                bins = bins[(bins >= 0.0) & (bins < HISTOGRAM_BINS)]
            self._histogram += np.bincount(bins.astype(np.intp), minlength=HISTOGRAM_BINS)

    def _power(self, keyed: Sequence[CarrierRecord], cautions: list[str]) -> Reading:
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

    def _frequency(self, keyed: Sequence[CarrierRecord], cautions: list[str]) -> Reading:
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

    def _modulation(self, keyed: Sequence[CarrierRecord]) -> list[Reading]:
        toned = [r for r in keyed if r.periodic is not None]
        name = self._channel.name
        # A tone in the smaller part of the keyed time is not what modulates the carrier.
        if 2 * sum(r.count for r in toned) < sum(r.count for r in keyed):
            return _bounds(keyed, name, self._peak_filter.band_hz)
        weights = np.array([r.count for r in toned], dtype=np.float64)
        tone_hz, tone_standard_hz = _weighted_mean(
            np.array([r.tone_hz for r in toned]),
            np.array([r.tone_variance for r in toned]),
            weights,
        )
        frames = [r.periodic for r in toned if r.periodic is not None]
        harmonics, variances = mean_harmonics(frames, weights)
        likely = likely_harmonics(harmonics, variances)
        up_hz, down_hz = peaks(likely.amplitudes)
        low_hz = float(np.average([r.subaudible_hz for r in toned], weights=weights))
        peak_variance = float(likely.variances.sum())
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
                math.sqrt(half_peak_to_peak_variance(likely.variances)),
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

    def _series(self, keyed: Sequence[CarrierRecord]) -> list[Series]:
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
                        "flat_hz": self._channel.flat_hz,
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


def _bounds(keyed: Sequence[CarrierRecord], name: str, band_hz: float) -> list[Reading]:
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
