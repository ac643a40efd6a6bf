"""The one state machine that decides whether a channel is keyed, from its envelope.

Theory
------
The machine sees the envelope as *frames*: mean power over a few samples each, counted from
sample 0. It knows two levels. *Below* is the median of the last 50 ms without a carrier, *above*
the median of the last 50 ms with one. No level is asked for and none is fixed: a recording whose
carrier stands at -60 dBFS is read like one at -3 dBFS.

==========  ======================================================  =========================
state       event                                                   next state, what is said
==========  ======================================================  =========================
undecided   a frame 10 dB above the median so far                   rising
undecided   two frames 10 dB below the median so far                off: was on, fell
off         a frame above 0.6 of the way from below to above, in    rising
            dB; 10 dB above below while above is unknown
rising      a frame under 0.4 of the way from below to the          off: rose and fell
            strongest frame since; contrast 10 dB or more
rising      the same with less contrast                             off: nothing said
rising      50 ms passed, contrast 10 dB or more                    on: rose
rising      50 ms passed, less contrast                             off: nothing said
on          a frame under 0.4 of the way from below to above;       off: fell
            10 dB under above while below is unknown
on          a frame 10 dB above above                               rising: what was taken for a
                                                                    carrier was none, withdrawn
any         samples missing                                         undecided, levels kept
==========  ======================================================  =========================

Chosen: 0.4 and 0.6 are hysteresis; 10 dB because the mean of 8 samples of noise (6 independent
ones) exceeds ten times its mean once in 1e20 frames and falls under a tenth of it once in 3e4,
so two in a row are asked for. 50 ms is longer than a transmitter takes to settle.

Discriminator audio has no envelope. There the noise above the speech band quiets when a
carrier comes; its inverse power is the envelope that the same machine sees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from harness.units import FloatArray

State = Literal["undecided", "off", "rising", "on"]

UP_SHARE, DOWN_SHARE = 0.6, 0.4
LEAST_FRAMES = 4
"""Frames before a median is believed. Chosen."""
LEAST_POWER = 1e-18
"""Stands for a frame of zeros: -180 dBFS, below any receiver's noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """Figures of the machine: the jump that begins a change, the contrast it must reach.

    ``settle_frames`` is the length of the medians and of the wait after a rise.
    """

    jump: float
    least_contrast: float
    settle_frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What the machine says: the frame of a change and the levels on both sides of it.

    ``above`` is the settled power of the keying, ``below`` that without one (0 when unknown).
    A withdrawal takes back the last rise.
    """

    frame: int
    is_rising: bool
    above: float
    below: float
    is_withdrawal: bool = False


class KeyingMachine:
    """Frames of envelope in, changes out; the table above."""

    def __init__(self, rules: Rules) -> None:
        self._rules = rules
        self.state: State = "undecided"
        self.above: float | None = None
        self.below: float | None = None
        self._recent: FloatArray = np.empty(0)
        self._rise_frame = 0
        self._strongest = 0.0
        self._since: list[FloatArray] = []
        self._since_frames = 0

    def interrupt(self) -> list[Change]:
        """Say what can be said before missing samples or the end, and start undecided."""
        said: list[Change] = []
        if self.state == "rising":
            self._settle(said)
        self.state = "undecided"
        self._recent = np.empty(0)
        return said

    def push(self, first_frame: int, powers: FloatArray) -> list[Change]:
        """Take frames, any number; give the changes that are now certain, in order."""
        said: list[Change] = []
        powers = np.maximum(powers, LEAST_POWER)
        done = 0
        self._learn()
        while done < len(powers):
            left = powers[done:]
            if self.state == "rising":
                done += self._rising(first_frame + done, left, said)
            elif self.state == "undecided" and len(self._recent) < LEAST_FRAMES:
                taken = LEAST_FRAMES - len(self._recent)
                self._remember(left[:taken])
                done += min(taken, len(left))
            else:
                done += self._steady(first_frame + done, left, said)
        return said

    def _remember(self, powers: FloatArray) -> None:
        self._recent = np.concatenate([self._recent, powers])[-self._rules.settle_frames :]

    def _learn(self) -> None:
        """Take the level of the present state from its last frames."""
        if len(self._recent) < LEAST_FRAMES:
            return
        if self.state == "off":
            self.below = float(np.median(self._recent))
        elif self.state == "on":
            self.above = float(np.median(self._recent))

    def _between(self, share: float, above: float) -> float:
        assert self.below is not None
        return float(self.below * max(above / self.below, 1.0) ** share)

    def _steady(self, frame: int, powers: FloatArray, said: list[Change]) -> int:
        """Frames while undecided, off or on; gives how many were used up."""
        jump = self._rules.jump
        level = float(np.median(self._recent)) if len(self._recent) else 0.0
        up, down = math.inf, 0.0
        if self.state == "undecided":
            up, down = level * jump, level / jump
        elif self.state == "off":
            up = self._up()
        else:
            assert self.above is not None
            up = self.above * jump
            known = self.below is not None and self.below * jump <= self.above
            down = self._between(DOWN_SHARE, self.above) if known else self.above / jump
        low = powers <= down
        if self.state == "undecided":
            low[1:] &= powers[:-1] <= down
            low[0] &= self._recent[-1] <= down
        hits = np.flatnonzero((powers >= up) | low)
        if not len(hits):
            self._remember(powers)
            return len(powers)
        at = int(hits[0])
        self._remember(powers[:at])
        if low[at]:
            self._fall(frame + at, said)
        else:
            self._begin_rise(frame + at, said)
        return at

    def _up(self) -> float:
        if self.below is None:
            assert self.above is not None
            return float(self.above / self._rules.jump**DOWN_SHARE)
        if self.above is None or self.above < self.below * self._rules.jump:
            return self.below * self._rules.jump
        return self._between(UP_SHARE, self.above)

    def _fall(self, frame: int, said: list[Change]) -> None:
        if self.state == "undecided" or len(self._recent) >= LEAST_FRAMES:
            self.above = float(np.median(self._recent))
        assert self.above is not None
        said.append(Change(frame=frame, is_rising=False, above=self.above, below=self.below or 0.0))
        self.state, self._recent = "off", np.empty(0)

    def _begin_rise(self, frame: int, said: list[Change]) -> None:
        if self.state == "on":
            said.append(
                Change(frame=frame, is_rising=False, above=0.0, below=0.0, is_withdrawal=True)
            )
        if len(self._recent) >= LEAST_FRAMES:
            self.below = float(np.median(self._recent))
        self.state, self._recent = "rising", np.empty(0)
        self._rise_frame, self._strongest = frame, 0.0
        self._since, self._since_frames = [], 0

    def _rising(self, frame: int, powers: FloatArray, said: list[Change]) -> int:
        wanted = self._rules.settle_frames - self._since_frames
        powers = powers[:wanted]
        strongest = np.maximum.accumulate(np.maximum(powers, self._strongest))
        below = self.below if self.below is not None else float(strongest[0]) / self._rules.jump
        down = below * np.maximum(strongest / below, 1.0) ** DOWN_SHARE
        hits = np.flatnonzero(powers <= down)
        used = int(hits[0]) if len(hits) else len(powers)
        if used:
            self._since.append(powers[:used])
            self._since_frames += used
            self._strongest = float(strongest[used - 1])
        if len(hits):
            if self._settle(said):
                self._fall(frame + used, said)
            self.state, self._recent = "off", np.empty(0)
        elif self._since_frames >= self._rules.settle_frames:
            self._settle(said)
        return used

    def _settle(self, said: list[Change]) -> bool:
        """End a rise; say it when the contrast is enough."""
        since = np.concatenate([*self._since, np.empty(0)])
        level = float(np.median(since)) if len(since) else 0.0
        enough = self.below is None or level >= self.below * self._rules.least_contrast
        self._since, self._since_frames = [], 0
        if not enough or not len(since):
            self.state, self._recent = "off", np.empty(0)
            return False
        self.above = level
        said.append(
            Change(frame=self._rise_frame, is_rising=True, above=level, below=self.below or 0.0)
        )
        self.state, self._recent = "on", since[-1:]
        return True
