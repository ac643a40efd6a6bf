"""Audio: SINAD of the test tone and what else it tells; from a level sweep the sensitivity.

The audio is cut into frames of about half a second, and each gives its numbers
(``audio_frame.py``). From one tone come SINAD by three weightings, distortion, hum and noise; from
tones that step, sweep or stand together the response; from input and output of one take the
repeat gain. De-emphasis is a weight on the powers: (1 kHz / f)^2.

With steps of level annotated, each step has its SINAD; sensitivity is where a parabola through
the steps near 12 dB crosses 12 dB.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block
from harness.devices import Role
from harness.measure.at_opening import SinadAtOpening
from harness.measure.audio_frame import AudioFrame
from harness.measure.audio_response import audio_response
from harness.measure.audio_span import AudioSpan, kept_frames
from harness.measure.distortion import audio_distortion
from harness.measure.hum_and_noise import (
    STANDARD_HZ,
    STANDARD_LABEL,
    STANDARD_WITHIN_HZ,
    Standard,
    from_frames,
    from_rated_deviation,
    hum_and_noise,
)
from harness.measure.keyed_check import KeyedCheck
from harness.measure.quieting_curve import QuietingCurve
from harness.measure.receiver import (
    Stepped,
    audio_role,
    is_heard,
    is_receiver_take,
    receiver_findings,
    sinad_steps,
    step_conditions,
)
from harness.measure.repeat_gain import (
    Gain,
    from_points,
    gain_reading,
    gain_series,
    gains,
    point_of_frames,
)
from harness.measure.sensitivity import SinadPoint, sensitivity
from harness.measure.setup import Channel, Options, Step, Weighting
from harness.measure.sinad import NUMBERS, mean_over, rest_to_tone, sinad, sinad_db
from harness.measure.steps import StepLevels, settled_span_s
from harness.measure.stimulus import STIMULUS_LABELS, StimulusKind, StimulusTrack
from harness.readings import (
    Axis,
    Findings,
    Reading,
    Series,
    joined,
    measured,
    not_measured,
    sentence,
)
from harness.uncertainty import Contribution, scaled

FloatArray = NDArray[np.float64]

STEADY_WITHIN_HZ = 5.0
"""A tone that moves by more from half second to half second is no steady test tone. Chosen: noise
moves a tone of 3 dB SINAD by less."""
SAME_TONE_HZ = 1.0
"""Tones of input and output this near are one. Chosen: clocks and noise move them by less."""
MOST_REST = 10.0
"""Most noise and distortion to tone (power) that still counts as a test tone outside a sweep."""


class Audio:
    """Measure the audio of one channel: the output's if there is one, else the only one.

    Parameters
    ----------
    channels : an "output" (IQ) or "audio" channel; an "input" beside it gives the levels of
        the steps as they really were, and the deviation that the repeat gain starts from
    options : ``weighting`` says by which the sensitivity goes; ``de_emphasis``,
        ``rated_deviation_hz``, ``emphasis``, ``standard_span_s``, ``stimulus_contributions`` are
        heeded
    """

    def __init__(self, channels: Mapping[Role, Channel], options: Options) -> None:
        self._role = audio_role(channels)
        self._channel = channels[self._role]
        self._options = options
        self._steps: tuple[Step, ...] = sinad_steps(self._channel.steps)
        self._is_sweep = len({_tested(step) for step in self._steps}) > 1
        self._at_opening = SinadAtOpening(self._channel, options)
        self._quieting = QuietingCurve(channels, self._role, options)
        self._keyed = KeyedCheck(self._steps, channels, self._role)
        source = channels.get("input") if self._role != "input" else None
        self._source = source
        self._levels = StepLevels(self._steps, source)
        self._track = StimulusTrack(self._channel.sample_rate_hz)
        self._spans = self._cut(self._channel, self._track)
        self._source_spans: list[AudioSpan] = []
        if source is not None:
            self._source_track = StimulusTrack(source.sample_rate_hz)
            self._source_spans = self._cut(source, self._source_track)

    def _cut(self, channel: Channel, track: StimulusTrack) -> list[AudioSpan]:
        """Give the spans of a channel: one per step of level, or one of all of it."""
        if not self._steps:
            return [AudioSpan(channel, self._options, 0, None, track)]
        rate_hz = channel.sample_rate_hz
        edges_s = [settled_span_s(step) for step in self._steps]
        watched = None if self._is_sweep else track
        return [
            AudioSpan(channel, self._options, round(a * rate_hz), round(b * rate_hz), watched)
            for a, b in edges_s
        ]

    def push(self, role: Role, block: Block) -> None:
        """Take a channel block."""
        self._quieting.push(role, block)
        self._keyed.push(role, block)
        if role == self._role:
            self._at_opening.push(block)
            for span in self._spans:
                span.push(block)
        elif role == "input":
            self._levels.push(block)
            for span in self._source_spans:
                span.push(block)

    def finish(self) -> Findings:
        """Give the readings."""
        if self._at_opening.is_asked:
            return self._at_opening.findings()
        quieting = self._quieting.findings()
        if self._quieting.is_asked and not self._steps:
            return quieting
        return joined(self._of_tones(), quieting)

    def _of_tones(self) -> Findings:
        for span in (*self._spans, *self._source_spans):
            span.finish()
        kept = kept_frames(self._spans)
        if self._is_sweep:
            flat = NUMBERS["flat"]
            heard = [sum(f.tone_power[flat] + f.rest_power[flat] for f in part) for part in kept]
            good = zip(kept, is_heard(heard), self._keyed.holds(), strict=True)
            return self._sweep([part if a and b else [] for part, a, b in good])
        return self._whole([frame for part in kept for frame in part])

    @property
    def _conditions(self) -> dict[str, float | str | bool]:
        return {"weighting": self._options.weighting, "de_emphasis": self._options.de_emphasis}

    @property
    def _emphasis(self) -> dict[str, bool]:
        return {"de_emphasis": self._options.de_emphasis}

    @property
    def _weightings(self) -> tuple[Weighting, ...]:
        """All three, the one asked for first."""
        asked = self._options.weighting
        return (asked, *(other for other in get_args(Weighting) if other != asked))

    def _whole(self, frames: Sequence[AudioFrame]) -> Findings:
        name = (self._channel.name,)
        kind = self._stimulus()
        is_moving = kind in _MOVING
        toned = _at_1_khz(frames, self._track) if is_moving else list(frames)
        readings = self._of_one_tone(toned, kind)
        cautions = [] if is_moving or readings[0].value is not None else [readings[0].note]
        if is_moving and not toned:
            readings.append(not_measured("hum_and_noise", readings[0].note, recordings=name))
        else:
            readings.append(self._hum(toned if is_moving else frames))
        series: list[Series] = []
        if is_moving:
            line = {"output": 6.0, "audio": -6.0}.get(self._role)
            response = audio_response(
                self._track,
                kind,
                de_emphasis=self._options.de_emphasis,
                line_db_per_octave=line if self._options.emphasis else None,
                recordings=name,
            )
            readings += response.readings
            series += response.series
        if self._source is not None:
            found = self._whole_gains(kind, frames)
            both = (self._source.name, self._channel.name)
            readings += [gain_reading(gain, self._level_set, both) for gain in found]
            series += gain_series(found)
            if not found:
                note = "no tone is in both recordings, its carrier clear of the noise"
                readings.append(not_measured("repeat_gain", note, recordings=both))
        return Findings(
            kind="audio",
            readings=tuple(readings),
            series=tuple(series),
            cautions=tuple(sentence(note) for note in cautions),
        )

    @property
    def _level_set(self) -> dict[str, float]:
        """Level that all of the recording was made at, where it is annotated."""
        for step in self._steps:
            if step.level_port_dbm is not None:
                return {"input_level_port_dbm": step.level_port_dbm}
        return {}

    def _of_one_tone(self, frames: Sequence[AudioFrame], kind: StimulusKind) -> list[Reading]:
        """Give what a steady test tone tells, or why it does not."""
        name = (self._channel.name,)
        if not frames or rest_to_tone(frames, "flat") > MOST_REST:
            note = "no test tone between 300 and 3400 Hz" if frames else "no audio long enough"
            if kind in _MOVING:
                note = f"the stimulus is {_MOVING[kind]}"
            return _no_tone(note, name)
        if kind not in _MOVING and not _is_steady(frames):
            return _no_tone("the strongest tone is another from one moment to the next", name)
        held = {**self._emphasis, **self._level_set}
        return [
            *(sinad(frames, weighting, held, name) for weighting in self._weightings),
            *self._tone(frames),
            audio_distortion(frames, held, name),
        ]

    def _stimulus(self) -> StimulusKind:
        """Say what the audio holds: as annotated, or else as it looks."""
        for step in self._channel.steps:
            if step.label in STIMULUS_LABELS:
                return STIMULUS_LABELS[step.label]
        return self._track.kind()

    def _hum(self, frames: Sequence[AudioFrame]) -> Reading:
        """Hum and noise, beside the part that is its reference where there is one."""
        standard: Standard | None = None
        rated_hz = self._options.rated_deviation_hz if self._channel.signal == "iq" else None
        spans_s = [
            (step.start_s, step.end_s)
            for step in self._channel.steps
            if step.label == STANDARD_LABEL
        ]
        if self._options.standard_span_s is not None:
            spans_s = [self._options.standard_span_s]
        if spans_s:
            inside = [f for f in frames if any(self._lies_in(f, span) for span in spans_s)]
            standard = from_frames(inside)
            outside = [f for f in frames if not any(self._touches(f, span) for span in spans_s)]
            frames = outside or inside
        if rated_hz is not None:
            standard = from_rated_deviation(rated_hz)
        return hum_and_noise(frames, standard, rated_hz, self._emphasis, (self._channel.name,))

    def _lies_in(self, frame: AudioFrame, span_s: tuple[float, float]) -> bool:
        start_s = frame.start_s - self._channel.skew_s
        return span_s[0] <= start_s and start_s + frame.duration_s <= span_s[1]

    def _touches(self, frame: AudioFrame, span_s: tuple[float, float]) -> bool:
        start_s = frame.start_s - self._channel.skew_s
        return start_s < span_s[1] and start_s + frame.duration_s > span_s[0]

    def _whole_gains(self, kind: StimulusKind, frames: Sequence[AudioFrame]) -> list[Gain]:
        if kind in _MOVING or len(self._source_track.plateaus()) > 1:
            return gains(self._source_track, self._track, kind)
        incoming = [frame for part in kept_frames(self._source_spans) for frame in part]
        found = _gain_of_frames(incoming, frames)
        return [found] if found is not None else []

    def _tone(self, frames: Sequence[AudioFrame]) -> list[Reading]:
        name = self._channel.name
        tone_hz = mean_over(frames, "tone_hz")
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

    def _sweep(self, kept: Sequence[Sequence[AudioFrame]]) -> Findings:
        name = (self._channel.name,)
        points: dict[Weighting, list[SinadPoint]] = {w: [] for w in self._weightings}
        stepped: list[Stepped] = []
        readings: list[Reading] = []
        unkeyed = 0
        for number, (step, frames) in enumerate(zip(self._steps, kept, strict=True)):
            level = self._levels.level(number).level_port_dbm
            if level is None or step.level_port_dbm is None:
                continue
            if not frames:
                unkeyed += 1
                continue
            for weighting, found in points.items():
                found.append(SinadPoint(level, *sinad_db(frames, weighting)))
            stepped.append(Stepped(step=step, point=points[self._options.weighting][-1]))
            if not step.offset_hz:
                held = {
                    **self._emphasis,
                    "input_level_port_dbm": step.level_port_dbm,
                    **step_conditions(step),
                }
                readings.append(sinad(frames, self._options.weighting, held, name))
        cautions = []
        if unkeyed:
            cautions.append(
                f"{unkeyed} of {len(kept)} steps have no SINAD: the transmitter was not keyed as"
                " they say, or the squelch was closed."
            )
        if not self._levels.is_measured:
            cautions.append("The input levels are as the generator was set, not as measured.")
        if is_receiver_take(self._steps):
            of_receiver = receiver_findings(
                stepped,
                self._levels.contributions(self._options),
                conditions=self._conditions,
                recordings=name,
            )
            found_here = Findings(kind="audio", readings=tuple(readings), cautions=tuple(cautions))
            return joined(of_receiver, found_here)
        asked = points[self._options.weighting]
        found_level = sensitivity(
            asked,
            self._levels.contributions(self._options),
            conditions=self._conditions,
            recordings=name,
        )
        gained = self._sweep_gains(kept)
        return Findings(
            kind="audio",
            readings=(found_level.reading, *readings, *gained.readings),
            series=(*self._series(points, found_level.curve), *gained.series),
            cautions=(*cautions, *gained.cautions),
        )

    def _sweep_gains(self, kept: Sequence[Sequence[AudioFrame]]) -> Findings:
        """Give the repeat gain of each step of level."""
        if self._source is None:
            return Findings(kind="audio")
        both = (self._source.name, self._channel.name)
        found: list[Gain] = []
        levels_dbm: list[float] = []
        for step, incoming, frames in zip(
            self._steps, kept_frames(self._source_spans), kept, strict=True
        ):
            gain = _gain_of_frames(incoming, frames)
            if gain is not None and step.level_port_dbm is not None:
                found.append(gain)
                levels_dbm.append(step.level_port_dbm)
        missing = len(kept) - len(found)
        cautions = (
            (f"{missing} of {len(kept)} steps have no repeat gain: no clear tone in and out.",)
            if missing
            else ()
        )
        return Findings(
            kind="audio",
            readings=tuple(
                gain_reading(gain, {"input_level_port_dbm": level_dbm}, both)
                for gain, level_dbm in zip(found, levels_dbm, strict=True)
            ),
            series=gain_series(found, levels_dbm),
            cautions=cautions,
        )

    def _series(
        self,
        points: Mapping[Weighting, Sequence[SinadPoint]],
        curve: tuple[FloatArray, FloatArray] | None,
    ) -> list[Series]:
        """SINAD against level by each weighting, and the curve through the one asked for."""

        def against_level(
            name: str, weighting: Weighting, level: FloatArray, value: FloatArray
        ) -> Series:
            axis = Axis(name="input_level_port", unit="dBm", values=level)
            held = {**self._conditions, "weighting": weighting}
            return Series(name=name, unit="dB", axes=(axis,), values=value, conditions=held)

        given: list[Series] = []
        for weighting, found in points.items():
            if not found:
                continue
            word = "" if weighting == self._options.weighting else f"{weighting}_"
            ordered = sorted(found, key=lambda point: point.level_port_dbm)
            given.append(
                against_level(
                    f"sinad_{word.replace('-', '_')}against_level",
                    weighting,
                    np.array([p.level_port_dbm for p in ordered]),
                    np.array([p.sinad_db for p in ordered]),
                )
            )
        if curve is not None:
            given.append(against_level("sinad_fit", self._options.weighting, *curve))
        return given


def _no_tone(note: str, recordings: tuple[str, ...]) -> list[Reading]:
    lacking = ("sinad", "tone_frequency", "audio_distortion")
    return [not_measured(what, note, recordings=recordings) for what in lacking]


def _is_steady(frames: Sequence[AudioFrame]) -> bool:
    """Whether most of the frames hold one and the same tone."""
    tones_hz = np.array([frame.tone_hz for frame in frames])
    near = np.abs(tones_hz - np.median(tones_hz)) <= STEADY_WITHIN_HZ
    return bool(2 * np.count_nonzero(near) > len(frames))


def _tested(step: Step) -> tuple[object, ...]:
    """Give what tells one step of a sweep from another."""
    return (step.level_port_dbm, step.offset_hz, step.transmitter)


_MOVING: Mapping[StimulusKind, str] = {
    "stepped": "a row of tones",
    "swept": "a tone that sweeps",
    "multitone": "several tones at once",
}
"""Stimuli that are no steady test tone."""


def _gain_of_frames(incoming: Sequence[AudioFrame], outgoing: Sequence[AudioFrame]) -> Gain | None:
    """Gain of one tone; None where it is not in both."""
    came_in, went_out = point_of_frames(incoming), point_of_frames(outgoing)
    if came_in is None or went_out is None:
        return None
    if abs(came_in.frequency_hz - went_out.frequency_hz) > SAME_TONE_HZ:
        return None
    return from_points(came_in, went_out)


def _at_1_khz(frames: Sequence[AudioFrame], track: StimulusTrack) -> list[AudioFrame]:
    """Frames that lie in a stretch of a row of tones that is at 1 kHz."""
    steady = [
        p for p in track.plateaus() if abs(p.frequency_hz - STANDARD_HZ) <= STANDARD_WITHIN_HZ
    ]
    return [
        f
        for f in frames
        if any(p.start_s <= f.start_s and f.start_s + f.duration_s <= p.end_s for p in steady)
    ]
