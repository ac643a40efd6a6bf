"""What the output does, seen as it comes: to choose what comes next in a take, never to measure.

A measurement waits until it is sure of an edge; who steers a take wants to know within some
milliseconds. So the carrier's channel is cut out coarsely here, by a mean over the time of one
channel spacing, and the state machine that measures keying (``measure/keying_machine.py``) is
asked at once what it holds for likely. A wrong glance costs a step of the take, no more: the
readings come from the recording.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from harness.blocks import Block, Frames
from harness.describe import Bench, Unit
from harness.devices import Role, SampleSource
from harness.dsp.decode import decode
from harness.measure.health import Watched
from harness.measure.keying import NOISE_MOMENT_RATIO
from harness.measure.keying_machine import KeyingMachine, Rules
from harness.procedures.looking import channels_of, watched_stream
from harness.procedures.steps import Move
from harness.procedures.taking import Taking
from harness.units import FloatArray, ratio_from_db

GRAIN_MEANS = 8
"""Means over the time of a channel spacing that make a frame of the machine, so that it sees about
as many independent samples as where keying is measured."""
GRAINS = 16
"""Frames looked at together. Chosen: 10 ms at 12.5 kHz."""
SETTLE_GRAINS = 80
"""Some 50 ms, as where keying is measured."""
JUMP_DB = 10.0
"""As where keying is measured."""
PIECE_S = 0.02
"""Length of what is read at a time while something is waited for. Chosen."""


class Glance:
    """Whether the output is keyed, as far as one sees at once.

    Parameters
    ----------
    watched : the output's stream; None where there is none, and then it is never keyed
    """

    def __init__(self, watched: Watched | None) -> None:
        self._watched = watched
        jump = ratio_from_db(JUMP_DB)
        self._machine = KeyingMachine(
            Rules(jump=jump, least_contrast=jump, settle_frames=SETTLE_GRAINS)
        )
        self._moments = np.zeros(3)
        self._grain = 0
        self._was_keyed = False
        self.key_ups = 0
        """Since the take began, as far as one sees at once."""
        if watched is None or watched.channel_hz is None:
            self._watched = None
            return
        self._length = max(round(watched.sample_rate_hz / watched.spacing_hz), 1)
        self._turn = (watched.channel_hz - watched.centre_hz) / watched.sample_rate_hz
        self._frames = Frames(self._length * GRAIN_MEANS * GRAINS)

    @property
    def keyed(self) -> bool:
        """Whether the output is keyed now."""
        if self._machine.state != "undecided":
            return self._machine.state in ("rising", "on")
        count, second, fourth = self._moments
        return bool(count and fourth * count < NOISE_MOMENT_RATIO * second * second)

    def push(self, role: Role, blocks: Sequence[Block]) -> None:
        """Take what was read of a stream; all but the output's is left."""
        if role != "output" or self._watched is None:
            return
        for block in blocks:
            if self._frames.interrupted_by(block):
                self._machine.interrupt()
                self._moments[:] = 0.0
            for frame in self._frames.push(block):
                self._take(frame, self._watched.datatype)

    def hold(self, move: Move, taking: Taking) -> None:
        """Record for as long as a move is to last."""
        begin_s = taking.at_s
        end_s = begin_s + move.stimulus.duration_s
        if move.until is None:
            taking.until(end_s)
            return
        taking.until(min(begin_s + move.least_s, end_s))
        while taking.at_s < end_s:
            if self.keyed != move.until:
                taking.until(min(taking.at_s + PIECE_S, end_s))
                continue
            # It may turn back meanwhile: a squelch near its threshold does.
            taking.until(taking.at_s + move.after_s)
            if self.keyed == move.until:
                return

    def _take(self, frame: Block, datatype: str) -> None:
        powers = self._mean_powers(frame, datatype)
        self._moments += (len(powers), powers.sum(), (powers * powers).sum())
        grains = powers.reshape(GRAINS, GRAIN_MEANS).mean(axis=1)
        self._machine.push(self._grain, grains)
        self._grain += GRAINS
        keyed = self.keyed
        self.key_ups += keyed and not self._was_keyed
        self._was_keyed = keyed

    def _mean_powers(self, frame: Block, datatype: str) -> FloatArray:
        """Power of the carrier's channel, once for the time of a channel spacing."""
        numbers = decode(frame.samples, datatype)
        turns = (self._turn * np.arange(self._length * GRAIN_MEANS * GRAINS)) % 1.0
        iq = (numbers[:, 0] + 1j * numbers[:, 1]) * np.exp(-2j * np.pi * turns)
        means = iq.reshape(-1, self._length).mean(axis=1)
        return np.asarray(means.real**2 + means.imag**2, dtype=np.float64)


def glance_at(source: SampleSource, bench: Bench, unit: Unit) -> Glance:
    """Watch the output of a source, where it has one."""
    info = source.streams.get("output")
    if info is None:
        return Glance(None)
    return Glance(watched_stream(info, bench, channels_of(unit)))
