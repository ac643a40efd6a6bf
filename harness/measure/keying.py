"""Keyed or not: the one state machine that decides it, from a channel's envelope.

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

A stretch in which nothing changes is judged by its statistics: E|x|^4 / (E|x|^2)^2 is 1 for a
carrier and 2 for noise (moments of the Rice distribution); the border is at 1.5 (chosen).

Edges are refined afterwards on the samples: an edge lies where the power crosses half of the
settled power of *its own* keying (DESIGN section 3, Conventions), seen 8 times finer than the
samples. The channel filter is symmetric, so a step of the carrier passes half its *amplitude*
at the true moment and half its *power* later when rising, earlier when falling. With d the time
from half amplitude to half power as seen, and d_f the same for a step through the filter alone,
the edge is moved by d - sqrt(d^2 - d_f^2): all of d_f for a step, nothing for a transmitter that
rises much more slowly than the filter (widths add in squares). d_f is 11 microseconds at 12.5 kHz.

Discriminator audio has no envelope. There the noise above the speech band quiets when a
carrier comes; its inverse power is the envelope that the same machine sees.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.uncertainty import rectangular

FloatArray = NDArray[np.float64]
State = Literal["undecided", "off", "rising", "on"]

UP_SHARE, DOWN_SHARE = 0.6, 0.4
LEAST_FRAMES = 4
"""Frames before a median is believed. Chosen."""
NOISE_MOMENT_RATIO = 1.5
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """A change of keying: when, which way, how surely, at what settled power of its keying.

    ``time_s`` is from the start of the recording on its own clock.
    """

    time_s: float
    is_rising: bool
    uncertainty_s: float
    settled_power: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A stretch of one state; ``keyed`` is None where nobody can tell.

    ``opened`` and ``closed`` are the edges at its ends, None where the stretch is cut off by the
    end of the recording or by missing samples.
    """

    start_s: float
    end_s: float
    keyed: bool | None
    opened: Edge | None = None
    closed: Edge | None = None


class Spans:
    """Collects edges and interruptions of one channel, and gives its spans.

    Parameters
    ----------
    least_share : float
        Keyings with less than this share of the strongest one's power count as none.
    least_power : float
        Likewise below this power, in the envelope's own unit.
    least_length_s : float
        Shorter keyings count as none.
    """

    def __init__(self, *, least_share: float, least_power: float, least_length_s: float) -> None:
        self._least_share = least_share
        self._least_power = least_power
        self._least_length_s = least_length_s
        self._stretches: list[tuple[float, float, bool | None, list[Edge]]] = []
        self._edges: list[Edge] = []
        self._withdrawn: list[int] = []

    def add(self, edge: Edge) -> None:
        """Take the next edge."""
        self._edges.append(edge)

    def withdraw(self) -> None:
        """Forget the last rise."""
        if self._edges and self._edges[-1].is_rising:
            self._edges.pop()

    def end_stretch(self, start_s: float, end_s: float, keyed_if_steady: bool | None) -> None:
        """Close an uninterrupted stretch; say what it is if nothing changed in it."""
        self._stretches.append((start_s, end_s, keyed_if_steady, self._edges))
        self._edges = []

    def spans(self) -> tuple[Span, ...]:
        """Give the spans in order of time; missing samples are spans that nobody can tell."""
        powers = [e.settled_power for *_, edges in self._stretches for e in edges if e.is_rising]
        powers += [e.settled_power for *_, edges in self._stretches for e in edges[:1]]
        least = max(self._least_power, self._least_share * max(powers, default=0.0))
        found: list[Span] = []
        for start_s, end_s, steady, edges in self._stretches:
            if found:
                found.append(Span(start_s=found[-1].end_s, end_s=start_s, keyed=None))
            kept = self._keyings(edges, least)
            state = not kept[0].is_rising if kept else (False if edges else steady)
            opened: Edge | None = None
            begin_s = start_s
            for edge in kept:
                found.append(
                    Span(
                        start_s=begin_s,
                        end_s=edge.time_s,
                        keyed=state,
                        opened=opened,
                        closed=edge,
                    )
                )
                begin_s, opened, state = edge.time_s, edge, edge.is_rising
            found.append(Span(start_s=begin_s, end_s=end_s, keyed=state, opened=opened))
        return tuple(found)

    def _keyings(self, edges: list[Edge], least_power: float) -> list[Edge]:
        """Leave out the keyings that are too weak or too short to be any."""
        kept: list[Edge] = []
        first = 0
        while first < len(edges):
            keying = edges[first : first + (2 if edges[first].is_rising else 1)]
            first += len(keying)
            length_s = keying[-1].time_s - keying[0].time_s if len(keying) == 2 else math.inf
            strong = max(edge.settled_power for edge in keying) >= least_power
            if strong and length_s >= self._least_length_s:
                kept += keying
        return kept


@dataclass(frozen=True, slots=True, kw_only=True)
class Keying:
    """When a channel was keyed: its spans in order of time."""

    spans: tuple[Span, ...] = ()

    @property
    def edges(self) -> tuple[Edge, ...]:
        """All edges in order of time."""
        return tuple(span.closed for span in self.spans if span.closed is not None)

    @property
    def keyed_spans(self) -> tuple[Span, ...]:
        """The spans with the carrier on."""
        return tuple(span for span in self.spans if span.keyed)

    @property
    def has_gaps(self) -> bool:
        """Whether there are stretches where nobody can tell."""
        return any(span.keyed is None for span in self.spans)

    def keyed_at(self, time_s: float) -> bool | None:
        """Whether the carrier was on at a time; None where nobody can tell."""
        for span in self._between(time_s, time_s):
            return span.keyed
        return None

    def edges_between(self, start_s: float, end_s: float) -> tuple[Edge, ...]:
        """Edges from ``start_s`` to before ``end_s``."""
        return tuple(
            span.closed
            for span in self._between(start_s, end_s)
            if span.closed is not None and start_s <= span.closed.time_s < end_s
        )

    def seconds(self, start_s: float, end_s: float, keyed: bool | None) -> float:
        """How much of a time was in a state."""
        return sum(
            max(min(span.end_s, end_s) - max(span.start_s, start_s), 0.0)
            for span in self._between(start_s, end_s)
            if span.keyed is keyed
        )

    def _between(self, start_s: float, end_s: float) -> Sequence[Span]:
        """Spans that touch a time; found by halving, for a day of keyings has many."""
        low, high = 0, len(self.spans)
        while low < high:
            middle = (low + high) // 2
            if self.spans[middle].end_s <= start_s:
                low = middle + 1
            else:
                high = middle
        last = low
        while last < len(self.spans) and self.spans[last].start_s <= end_s:
            last += 1
        return self.spans[low:last]

    def shifted(self, skew_s: float) -> Keying:
        """Give the same keying with ``skew_s`` added to all times."""

        def moved(edge: Edge | None) -> Edge | None:
            return None if edge is None else replace(edge, time_s=edge.time_s + skew_s)

        return Keying(
            spans=tuple(
                replace(
                    span,
                    start_s=span.start_s + skew_s,
                    end_s=span.end_s + skew_s,
                    opened=moved(span.opened),
                    closed=moved(span.closed),
                )
                for span in self.spans
            )
        )


def filter_half_s(spacing_hz: float) -> float:
    """Time from half amplitude to half power of a carrier's step behind the channel filter.

    The step response of a low-pass of cutoff c rises about its middle as
    1/2 + x - pi^2 x^3 / 18 with x = 2 c t; it reaches 1/sqrt 2 at x = 0.2120. The channel's
    cutoff is 0.75 of the spacing.
    """
    return 0.2120 / (1.5 * spacing_hz)


def model_uncertainty_s(spacing_hz: float) -> float:
    """Give the standard uncertainty of the filter's part in an edge, as if it were unknown."""
    return rectangular(filter_half_s(spacing_hz))
