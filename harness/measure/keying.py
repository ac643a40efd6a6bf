"""When a channel was keyed: its edges, and the spans between them.

The state machine of ``keying_machine.py`` says near which frame a channel is keyed or drops.

Edges are refined afterwards on the samples: an edge lies where the power crosses half of the
settled power of *its own* keying (DESIGN section 3, Conventions), seen 8 times finer than the
samples. The channel filter is symmetric, so a step of the carrier passes half its *amplitude*
at the true moment and half its *power* later when rising, earlier when falling. With d the time
from half amplitude to half power as seen, and d_f the same for a step through the filter alone,
the edge is moved by d - sqrt(d^2 - d_f^2): all of d_f for a step, nothing for a transmitter that
rises much more slowly than the filter (widths add in squares). d_f is 11 microseconds at 12.5 kHz.

A stretch in which nothing changes is judged by its statistics: E|x|^4 / (E|x|^2)^2 is 1 for a
carrier and 2 for noise (moments of the Rice distribution); the border is at 1.5 (chosen).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from harness.uncertainty import rectangular

NOISE_MOMENT_RATIO = 1.5


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


MODEL_SHARE = 0.4
"""What is left of the filter's part is at most this share of it. By simulation: edges with a rise
of 0.02 to 2 ms stand within 4 of 11 microseconds of where they are, rising ones early and falling
ones late, most where the transmitter is as fast as the filter."""


def model_uncertainty_s(spacing_hz: float) -> float:
    """Give the standard uncertainty of the filter's part in an edge, a rectangle."""
    return rectangular(MODEL_SHARE * filter_half_s(spacing_hz))
