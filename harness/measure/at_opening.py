"""SINAD at the opening: what the listener gets from a signal that only just opens the squelch.

The unit is opened by a stronger signal and then given standard test modulation at the level at
which half of the rising sweeps open; a step of the take says so by its label. The squelch may
close meanwhile. Then the audio is silent, or the transmitter drops, and what counts is the time in
which there is something to be heard: the reading says how much of the step that was. A modulated
signal may close what it opened without modulation. Then there is no such SINAD, and steps at higher
levels say where there is one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from harness.blocks import Block
from harness.measure.audio_frame import AudioFrame
from harness.measure.audio_span import AudioSpan, kept_frames
from harness.measure.setup import ABOVE_OPENING, AT_OPENING, Channel, Options, Step
from harness.measure.sinad import sinad
from harness.measure.steps import settled_span_s
from harness.readings import ConditionValue, Findings, Reading, not_measured, sentence

NAME = "sinad_at_opening"
WHOLE_SHARE = 0.7
"""A frame with less of the audio power of the median one was silent for a part of it. Chosen: noise
and clicks move half a second by less."""
SILENT_SHARE = 0.01
"""A frame with less of the power of the loudest holds no audio. Chosen, as for steps of a sweep."""


class SinadAtOpening:
    """SINAD of the steps labelled as at the opening, one reading each.

    Parameters
    ----------
    channel : of the repeated audio
    options : ``weighting`` and ``de_emphasis`` are heeded
    """

    def __init__(self, channel: Channel, options: Options) -> None:
        self._channel = channel
        self._options = options
        self._steps = tuple(
            step
            for step in channel.steps
            if step.label in (AT_OPENING, ABOVE_OPENING) and step.level_port_dbm is not None
        )
        rate_hz = channel.sample_rate_hz
        self._spans = [
            AudioSpan(channel, options, round(begin_s * rate_hz), round(end_s * rate_hz), None)
            for begin_s, end_s in map(settled_span_s, self._steps)
        ]

    @property
    def is_asked(self) -> bool:
        """Whether there is such a step."""
        return bool(self._steps)

    def push(self, block: Block) -> None:
        """Take a block of the channel."""
        for span in self._spans:
            span.push(block)

    def findings(self) -> Findings:
        """Give a reading for each step."""
        for span in self._spans:
            span.finish()
        readings = tuple(
            self._reading(step, frames)
            for step, span, frames in zip(
                self._steps, self._spans, kept_frames(self._spans), strict=True
            )
        )
        readings = tuple(r for r in readings if r.value is not None or r.name == NAME)
        notes = (r.note for r in readings if r.value is None)
        return Findings(
            kind="audio", readings=readings, cautions=tuple(sentence(note) for note in notes)
        )

    def _reading(self, step: Step, frames: Sequence[AudioFrame]) -> Reading:
        held: dict[str, ConditionValue] = {"de_emphasis": self._options.de_emphasis}
        if step.level_port_dbm is not None:
            held["input_level_port_dbm"] = step.level_port_dbm
        if step.knob is not None:
            held["knob"] = step.knob
        names = (self._channel.name,)
        name = NAME if step.label == AT_OPENING else "sinad"
        if not frames:
            note = "with test modulation the squelch does not stay open at the opening level"
            return not_measured(name, note, conditions=held, recordings=names)
        heard = _whole(frames)
        if not heard:
            note = "keyed, but silent: the squelch was closed at the opening level"
            return not_measured(name, note, conditions=held, recordings=names)
        found = sinad(heard, self._options.weighting, held, names)
        begin_s, end_s = settled_span_s(step)
        heard_s = sum(frame.duration_s for frame in heard)
        more = "" if name == NAME else "first level above the opening at which it stays open; "
        note = f"{more}heard for {heard_s:.1f} of {end_s - begin_s:.1f} s"
        return replace(found, name=name, note=note)


def _whole(frames: Sequence[AudioFrame]) -> list[AudioFrame]:
    """Give the frames with audio all through."""
    powers = np.array([float(f.tone_power[0] + f.rest_power[0]) for f in frames])
    audible = powers > SILENT_SHARE * powers.max()
    least = WHOLE_SHARE * float(np.median(powers[audible])) if audible.any() else 0.0
    return [f for f, power in zip(frames, powers, strict=True) if power >= max(least, 1e-300)]
