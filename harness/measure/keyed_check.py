"""Whether the transmitter was really on and off as the steps of a take say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from harness.blocks import Block, Frames
from harness.devices import Role
from harness.measure.frames import keyed_frame
from harness.measure.setup import Channel, Step
from harness.measure.steps import piece, settled_span_s

CHECK_FRAME_S = 0.05
KEYED_SHARE = 0.9
"""Part of a step that must be keyed, or unkeyed, as its annotation says. Chosen."""


class KeyedCheck:
    """Whether the transmitter was really on and off as the steps say, seen in the output."""

    def __init__(self, steps: Sequence[Step], channels: Mapping[Role, Channel], role: Role) -> None:
        output = channels.get("output") if role == "audio" else None
        told = any(step.transmitter is not None for step in steps)
        self._channel = output if output is not None and output.signal == "iq" and told else None
        self._steps = tuple(steps)
        self._lead_s = 0.0
        self._counts = np.zeros((len(self._steps), 2), dtype=np.int64)
        if self._channel is not None:
            self._lead_s = channels[role].skew_s - self._channel.skew_s
            hop = max(round(CHECK_FRAME_S * self._channel.sample_rate_hz), 1)
            self._frames = [Frames(hop) for _ in self._steps]

    def push(self, role: Role, block: Block) -> None:
        """Take a block of any channel."""
        if self._channel is None or role != "output":
            return
        rate_hz = block.sample_rate_hz
        for number, step in enumerate(self._steps):
            begin_s, end_s = (time_s + self._lead_s for time_s in settled_span_s(step))
            part = piece(block, round(begin_s * rate_hz), round(end_s * rate_hz))
            if part is None:
                continue
            if self._frames[number].interrupted_by(part):
                self._frames[number].rest()
            for frame in self._frames[number].push(part):
                keyed = keyed_frame(frame.samples, rate_hz)
                self._counts[number] += (1, keyed is not None and keyed.holds_carrier)

    def holds(self) -> list[bool]:
        """Give for each step whether it was as said; True where nobody can tell."""
        told = []
        for step, (whole, keyed) in zip(self._steps, self._counts, strict=True):
            if step.transmitter is None or not whole:
                told.append(True)
                continue
            share = keyed / whole
            told.append(bool(share >= KEYED_SHARE) == (step.transmitter == "on"))
            if step.transmitter == "off":
                told[-1] = bool(share <= 1.0 - KEYED_SHARE)
        return told
