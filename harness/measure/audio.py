"""Audio: SINAD of the test tone, and from a level sweep the sensitivity for 12 dB SINAD.

The audio is cut into frames of about half a second. In each the test tone is fitted and
taken out; what is left between 300 and 3000 Hz is noise and distortion, clicks and all. Powers
are averaged over the frames and only then become decibels: SINAD = (S+N+D)/(N+D), the
land-mobile definition. De-emphasis is a weight on the powers: (1 kHz / f)^2.

With steps of level annotated, each step has its SINAD; sensitivity is where a parabola through
the steps near 12 dB crosses 12 dB.
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
from harness.dsp.demodulate import HALF_TAPS, demodulated_frequency_hz
from harness.errors import BadInput
from harness.measure.frames import keyed_frame
from harness.measure.modulation import SPEECH_HIGH_HZ, SPEECH_LOW_HZ, tone_frame
from harness.measure.sensitivity import SinadPoint, sensitivity
from harness.measure.setup import Channel, Options, Step
from harness.measure.steps import StepLevels, piece, settled_span_s
from harness.readings import Axis, Findings, Reading, Series, measured, not_measured, sentence
from harness.uncertainty import Contribution, scaled
from harness.units import db_from_ratio

FloatArray = NDArray[np.float64]

FRAME_S = 0.5
LEAST_FRAME_S = 0.1
KEYED_RANGE = 0.25
"""A frame whose weakest grain lies below this share of the strongest frame's carrier is left
out: the transmitter was not keyed all through. Chosen."""
TONE_LEAST_RATIO = 0.1
"""Least tone to noise and distortion (power) that counts as a test tone outside a sweep."""
HANN_LOSS = 1.94
"""Variance of a band's power through a Hann window against no window: sum w^4 / (sum w^2)^2
times n, for long frames 35/18."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """What one frame gave; powers in the unit of the audio squared."""

    carrier_power: float
    weakest_power: float
    tone_power: float
    rest_power: float
    tone_hz: float
    tone_variance: float
    amplitude: float
    duration_s: float


class _Span:
    """The frames of one span of a channel, cut as they come."""

    def __init__(self, channel: Channel, options: Options, first: int, last: int | None) -> None:
        self._channel = channel
        self._options = options
        self._first = first
        self._last = last
        rate_hz = channel.sample_rate_hz
        length = max(round(FRAME_S * rate_hz), 1)
        if last is not None:
            whole = max(last - first, 1)
            length = max(whole // max(round(whole / length), 1), 1)
        self._margin = 2 * HALF_TAPS if channel.signal == "iq" else 0
        length = max(length - self._margin, 1)
        self._frames = Frames(length + self._margin, length)
        self.frames: list[_Frame] = []

    def push(self, block: Block) -> None:
        last = block.end if self._last is None else self._last
        part = piece(block, self._first, last)
        if part is None:
            return
        if self._frames.interrupted_by(part):
            self._end_stretch()
        for frame in self._frames.push(part):
            self._measure(frame.samples)

    def finish(self) -> None:
        self._end_stretch()

    def _end_stretch(self) -> None:
        rest = self._frames.rest()
        # A last piece is worth having only where there is no whole frame to go by.
        if rest is not None and not self.frames:
            self._measure(rest.samples)

    def _measure(self, samples: NDArray[Any]) -> None:
        rate_hz = self._channel.sample_rate_hz
        carrier = weakest = 1.0
        audio = samples
        if self._channel.signal == "iq":
            if len(samples) <= self._margin:
                return
            keyed = keyed_frame(samples, rate_hz)
            if keyed is None or not keyed.holds_carrier:
                return
            carrier, weakest = keyed.carrier_power, keyed.lowest
            audio = demodulated_frequency_hz(samples, rate_hz)
        if len(audio) < LEAST_FRAME_S * rate_hz:
            return
        found = tone_frame(np.asarray(audio, dtype=np.float64), rate_hz)
        if found is None:
            return
        weight, tone_weight = None, 1.0
        if self._options.de_emphasis:
            frequency_hz = np.arange(len(found.density)) * found.bin_hz
            weight = (1000.0 / np.maximum(frequency_hz, found.bin_hz)) ** 2
            tone_weight = (1000.0 / found.tone.frequency_hz) ** 2
        self.frames.append(
            _Frame(
                carrier_power=carrier,
                weakest_power=weakest,
                tone_power=found.tone_power * tone_weight,
                rest_power=found.residual_power(SPEECH_LOW_HZ, SPEECH_HIGH_HZ, weight),
                tone_hz=found.tone.frequency_hz,
                tone_variance=found.frequency_variance,
                amplitude=found.tone.amplitude,
                duration_s=found.duration_s,
            )
        )


class Audio:
    """Measure the audio of one channel: the output's if there is one, else the only one.

    Parameters
    ----------
    channels : an "output" (IQ) or "audio" channel; an "input" beside it gives the levels of
        the steps as they really were
    options : ``weighting`` must be flat; ``de_emphasis``, ``stimulus_contributions`` are heeded

    Raises
    ------
    BadInput : a weighting that is not there.
    """

    def __init__(self, channels: Mapping[Role, Channel], options: Options) -> None:
        if options.weighting != "flat":
            raise BadInput(
                f"the weighting {options.weighting!r} is not available",
                "--weighting",
                "Use flat.",
            )
        preferred: tuple[Role, ...] = ("output", "audio", "input")
        self._role: Role = next(role for role in preferred if role in channels)
        self._channel = channels[self._role]
        self._options = options
        rate_hz = self._channel.sample_rate_hz
        self._steps: tuple[Step, ...] = tuple(
            step for step in self._channel.steps if step.level_port_dbm is not None
        )
        spans: list[tuple[int, int | None]] = [(0, None)]
        if self._steps:
            edges_s = [settled_span_s(step) for step in self._steps]
            spans = [(round(a * rate_hz), round(b * rate_hz)) for a, b in edges_s]
        self._spans = [_Span(self._channel, options, a, b) for a, b in spans]
        source = channels.get("input") if self._role != "input" else None
        self._levels = StepLevels(self._steps, source)

    def push(self, role: Role, block: Block) -> None:
        """Take a channel block."""
        if role == self._role:
            for span in self._spans:
                span.push(block)
        elif role == "input":
            self._levels.push(block)

    def finish(self) -> Findings:
        """Give the readings."""
        for span in self._spans:
            span.finish()
        frames = [frame for span in self._spans for frame in span.frames]
        strongest = max((frame.carrier_power for frame in frames), default=0.0)
        least = KEYED_RANGE * strongest
        kept = [[f for f in span.frames if f.weakest_power >= least] for span in self._spans]
        if self._steps:
            return self._sweep(kept)
        return self._whole(kept[0])

    @property
    def _conditions(self) -> dict[str, float | str | bool]:
        return {"weighting": "flat", "de_emphasis": self._options.de_emphasis}

    def _whole(self, frames: Sequence[_Frame]) -> Findings:
        name = self._channel.name
        rest = sum(f.rest_power for f in frames)
        if not frames or sum(f.tone_power for f in frames) < TONE_LEAST_RATIO * rest:
            note = "no test tone between 300 and 3400 Hz" if frames else "no audio long enough"
            readings: tuple[Reading, ...] = tuple(
                not_measured(what, note, recordings=(name,)) for what in ("sinad", "tone_frequency")
            )
            return Findings(kind="audio", readings=readings, cautions=(sentence(note),))
        readings = (self._sinad(frames, {}), *self._tone(frames))
        return Findings(kind="audio", readings=readings)

    def _sinad(self, frames: Sequence[_Frame], more: Mapping[str, float]) -> Reading:
        value_db, standard_db = sinad_db(frames)
        repeat = Contribution(
            name="sinad.repeatability",
            standard_uncertainty=standard_db,
            kind="A",
            source="scatter of the noise in the band",
        )
        conditions = {**self._conditions, "tone_hz": round(_mean(frames, "tone_hz"), 1), **more}
        return measured(
            "sinad",
            value_db,
            [repeat],
            count=len(frames),
            conditions=conditions,
            recordings=(self._channel.name,),
        )

    def _tone(self, frames: Sequence[_Frame]) -> list[Reading]:
        name = self._channel.name
        tone_hz = _mean(frames, "tone_hz")
        variance = sum(f.tone_variance for f in frames) / len(frames) ** 2
        repeat = Contribution(
            name="tone_frequency.repeatability",
            standard_uncertainty=math.sqrt(variance),
            kind="A",
            source="noise beside the tone",
        )
        clock = scaled(self._channel.clock_contributions, tone_hz * 1e-6)
        return [
            measured(
                "tone_frequency",
                tone_hz,
                [repeat, *clock],
                count=len(frames),
                recordings=(name,),
            )
        ]

    def _sweep(self, kept: Sequence[Sequence[_Frame]]) -> Findings:
        points: list[SinadPoint] = []
        readings: list[Reading] = []
        unkeyed = 0
        for number, (step, frames) in enumerate(zip(self._steps, kept, strict=True)):
            level = self._levels.level(number).level_port_dbm
            if level is None or step.level_port_dbm is None:
                continue
            if not frames:
                unkeyed += 1
                continue
            value_db, standard_db = sinad_db(frames)
            points.append(SinadPoint(level, value_db, standard_db))
            readings.append(self._sinad(frames, {"input_level_port_dbm": step.level_port_dbm}))
        cautions = []
        if unkeyed:
            cautions.append(
                f"{unkeyed} of {len(kept)} steps have no SINAD: the transmitter was not keyed"
                " all through them."
            )
        levels = {step.level_port_dbm for step in self._steps}
        if len(levels) < 2:
            frames = [frame for part in kept for frame in part]
            tone = self._tone(frames) if frames else []
            return Findings(kind="audio", readings=(*readings, *tone), cautions=tuple(cautions))
        if not self._levels.is_measured:
            cautions.append("The input levels are as the generator was set, not as measured.")
        found = sensitivity(
            points,
            self._levels.contributions(self._options),
            conditions=self._conditions,
            recordings=(self._channel.name,),
        )
        return Findings(
            kind="audio",
            readings=(found.reading, *readings),
            series=tuple(self._series(points, found.curve)) if points else (),
            cautions=tuple(cautions),
        )

    def _series(
        self, points: Sequence[SinadPoint], curve: tuple[FloatArray, FloatArray] | None
    ) -> list[Series]:
        def against_level(name: str, level: FloatArray, value: FloatArray) -> Series:
            axis = Axis(name="input_level_port", unit="dBm", values=level)
            conditions = self._conditions
            return Series(name=name, unit="dB", axes=(axis,), values=value, conditions=conditions)

        ordered = sorted(points, key=lambda point: point.level_port_dbm)
        given = [
            against_level(
                "sinad_against_level",
                np.array([p.level_port_dbm for p in ordered]),
                np.array([p.sinad_db for p in ordered]),
            )
        ]
        if curve is not None:
            given.append(against_level("sinad_fit", *curve))
        return given


def _mean(frames: Sequence[_Frame], name: str) -> float:
    weights = [frame.duration_s for frame in frames]
    return float(np.average([getattr(frame, name) for frame in frames], weights=weights))


def sinad_db(frames: Sequence[_Frame]) -> tuple[float, float]:
    """SINAD over frames in dB and its standard uncertainty.

    The uncertainty is that of the noise power: from Gaussian noise filling the band in the
    time there was, or from the scatter of the frames where that is larger (clicks).
    """
    rest = np.array([frame.rest_power for frame in frames])
    tone = np.array([frame.tone_power for frame in frames])
    duration_s = sum(frame.duration_s for frame in frames)
    noise, signal = float(rest.sum()), float(tone.sum())
    if noise <= 0.0:
        raise ValueError("no noise at all in the band: not a recording of audio")
    relative = math.sqrt(HANN_LOSS / ((SPEECH_HIGH_HZ - SPEECH_LOW_HZ) * duration_s))
    if len(frames) >= 4:
        scatter = float(rest.std(ddof=1)) / math.sqrt(len(frames)) / float(rest.mean())
        relative = max(relative, scatter)
    value = float(db_from_ratio((signal + noise) / noise))
    slope = 10.0 / math.log(10.0) * signal / (signal + noise)
    return value, slope * relative
