"""Steps of a stimulus: which samples belong to which, and at what level the input really was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.blocks import Block, Frames
from harness.dsp.demodulate import constant_envelope_power, power
from harness.measure.setup import Channel, Options, Step
from harness.uncertainty import Contribution
from harness.units import db_from_ratio

SETTLING_S = 0.2
"""Left out at the start of a step, or a quarter of the step where that is less. Chosen."""
GUARD_S = 0.01
"""Left out at the end of a step, for the generator's own time. Chosen."""
CARRIER_SHARE = 0.3
"""Below this share of the power, the input recording does not see the carrier. Chosen."""
FRAME_SAMPLES = 4096
"""Powers are summed over frames of so many samples, so that the cut of the blocks does not show
in the last bits."""


def settled_span_s(step: Step) -> tuple[float, float]:
    """Begin and end of the part of a step that is measured, in seconds."""
    begin_s = step.start_s + min(SETTLING_S, 0.25 * step.duration_s)
    return begin_s, max(step.end_s - GUARD_S, begin_s)


def piece(block: Block, first: int, last: int) -> Block | None:
    """Give the part of a block that lies in samples ``first`` to ``last`` (not included)."""
    begin, end = max(block.start, first), min(block.end, last)
    if end <= begin:
        return None
    lost = block.lost_before if begin == block.start else 0
    samples = block.samples[begin - block.start : end - block.start]
    return Block(samples, begin, block.sample_rate_hz, lost)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepLevel:
    """Level at the unit's port during a step: None where there was no carrier to be seen."""

    level_port_dbm: float | None
    is_measured: bool


class StepLevels:
    """Level of each step at the unit's port: from the input channel where it can see it.

    Parameters
    ----------
    steps : in order of time
    channel : the input channel, or None when there is no input recording
    """

    def __init__(self, steps: Sequence[Step], channel: Channel | None) -> None:
        self._steps = tuple(steps)
        calibrated = channel is not None and channel.level_offset_db is not None
        self._channel = channel if calibrated else None
        self._frames = Frames(FRAME_SAMPLES)
        rate_hz = channel.sample_rate_hz if channel is not None else 1.0
        spans_s = np.array([settled_span_s(step) for step in self._steps]).reshape(-1, 2)
        self._spans = np.rint(spans_s * rate_hz).astype(np.int64)
        self._moments = np.zeros((len(self._steps), 3))

    @property
    def is_measured(self) -> bool:
        """Whether levels come from the input recording, not from what was set."""
        return self._channel is not None

    def push(self, block: Block) -> None:
        """Take a block of the input channel."""
        if self._channel is None:
            return
        if self._frames.interrupted_by(block):
            self._take_rest()
        for frame in self._frames.push(block):
            self._take(frame)

    def _take_rest(self) -> None:
        rest = self._frames.rest()
        if rest is not None:
            self._take(rest)

    def _take(self, frame: Block) -> None:
        first, last = self._spans.T
        for number in np.flatnonzero((first < frame.end) & (last > frame.start)):
            part = piece(frame, int(first[number]), int(last[number]))
            if part is not None:
                samples_power = power(part.samples)
                self._moments[number] += (
                    len(samples_power),
                    samples_power.sum(),
                    (samples_power * samples_power).sum(),
                )

    def level(self, number: int) -> StepLevel:
        """Give the level of a step, from all that was pushed so far; asked after the last block."""
        self._take_rest()
        step = self._steps[number]
        count, second, fourth = self._moments[number]
        if self._channel is None or not count or self._channel.level_offset_db is None:
            return StepLevel(level_port_dbm=step.level_port_dbm, is_measured=False)
        if step.level_port_dbm is None:
            return StepLevel(level_port_dbm=None, is_measured=True)
        carrier = constant_envelope_power(second / count, fourth / count)
        if carrier < CARRIER_SHARE * second / count:
            return StepLevel(level_port_dbm=step.level_port_dbm, is_measured=False)
        level = float(db_from_ratio(carrier)) + self._channel.level_offset_db
        return StepLevel(level_port_dbm=level, is_measured=True)

    def contributions(self, options: Options) -> tuple[Contribution, ...]:
        """Uncertainty that all levels share: of the input's calibration, or of the generator."""
        if self._channel is not None:
            return self._channel.level_contributions
        return options.stimulus_contributions
