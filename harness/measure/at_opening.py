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
from harness.measure.sinad import rest_to_tone, sinad
from harness.measure.steps import settled_span_s
from harness.readings import ConditionValue, Findings, Reading, not_measured, sentence

NAME = "sinad_at_opening"
FRAME_S = 0.12
"""Chosen: shorter than a squelch that flutters stays open, and a tone of 1 kHz is fitted well."""
WHOLE_SHARE, WHOLE_QUANTILE = 0.7, 0.75
"""A frame with less of the audio power of one that is open for sure (three in four have no more)
was silent for a part of it. Chosen: noise moves a frame by less, and clicks move it up."""
SAME_TONE_HZ = 10.0
"""The test tone is found within this in each frame; silence has another tone in each. Chosen."""
MOST_REST = 10.0
"""Most noise and distortion to tone, in power, that still counts as a test tone. Chosen, as for
audio without steps."""
LEAST_FRAMES = 3
"""Fewer are no answer. Chosen."""
OPEN_SHARE = 0.9
"""Heard for so much of the step, it stays open. Chosen."""
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
            AudioSpan(
                channel,
                options,
                round(begin_s * rate_hz),
                round(end_s * rate_hz),
                None,
                frame_s=FRAME_S,
            )
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
        """Give the reading at the opening, and of the higher levels the first that stays open."""
        for span in self._spans:
            span.finish()
        readings: list[Reading] = []
        kept = kept_frames(self._spans)
        above = False
        for step, frames in zip(self._steps, kept, strict=True):
            heard = _whole(frames)
            begin_s, end_s = settled_span_s(step)
            heard_s = sum(frame.duration_s for frame in heard)
            stays_open = heard_s >= OPEN_SHARE * (end_s - begin_s)
            note = f"heard for {heard_s:.1f} of {end_s - begin_s:.1f} s"
            if step.label == AT_OPENING:
                readings.append(self._reading(NAME, step, heard, note, bool(frames)))
            elif stays_open and not above:
                above = True
                note = (
                    f"at {step.level_port_dbm:.1f} dBm, the first level tried above the opening at"
                    " which it stays open with test modulation"
                )
                readings.append(self._reading("sinad", step, heard, note, True))
        notes = (r.note for r in readings if r.value is None)
        return Findings(
            kind="audio", readings=tuple(readings), cautions=tuple(sentence(note) for note in notes)
        )

    def _reading(
        self, name: str, step: Step, heard: Sequence[AudioFrame], note: str, is_keyed: bool
    ) -> Reading:
        held: dict[str, ConditionValue] = {"de_emphasis": self._options.de_emphasis}
        if step.level_port_dbm is not None:
            held["input_level_port_dbm"] = step.level_port_dbm
        if step.knob is not None:
            held["knob"] = step.knob
        names = (self._channel.name,)
        if len(heard) < LEAST_FRAMES:
            note = "with test modulation the squelch does not stay open at the opening level"
            if is_keyed:
                note = f"keyed, but hardly anything is heard: {note}"
            return not_measured(name, note, conditions=held, recordings=names)
        found = sinad(heard, self._options.weighting, held, names)
        return replace(found, name=name, note=note)


def _whole(frames: Sequence[AudioFrame]) -> list[AudioFrame]:
    """Give the frames with the test tone all through."""
    powers = np.array([float(f.tone_power[0] + f.rest_power[0]) for f in frames])
    if not len(powers):
        return []
    audible = powers > SILENT_SHARE * powers.max()
    least = WHOLE_SHARE * float(np.quantile(powers[audible], WHOLE_QUANTILE))
    is_low = np.concatenate([[False], powers < least, [False]])
    # Beside a silent frame, one may be silent for so little that it does not show.
    beside = is_low[1:-1] | is_low[:-2] | is_low[2:]
    whole = [f for f, low in zip(frames, beside, strict=True) if not low]
    if not whole:
        return []
    tone_hz = float(np.median([f.tone_hz for f in whole]))
    toned = [f for f in whole if abs(f.tone_hz - tone_hz) <= SAME_TONE_HZ]
    return toned if toned and rest_to_tone(toned, "flat") <= MOST_REST else []
