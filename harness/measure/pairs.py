"""Edges of the input and of the output that belong together."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.measure.keying import Keying

EARLY_S = 0.005
"""An output edge this much before its input edge is still its answer: two recorders' skew may be
out by as much. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two moments that belong together, in the take's time: what it is from, and to."""

    number: int
    from_s: float
    to_s: float
    noise_s: float

    @property
    def lasted_s(self) -> float:
        """Time between the two."""
        return self.to_s - self.from_s


def pair_edges(incoming: Keying, outgoing: Keying, *, is_rising: bool) -> list[Pair]:
    """Pair each input edge of a kind with the output edge that answers it.

    Notes
    -----
    Both in the take's time. ``number`` counts the input's edges of that kind from 1.
    """
    answers = [edge for edge in outgoing.edges if edge.is_rising is is_rising]
    times = np.array([edge.time_s for edge in answers])
    edges = incoming.edges
    pairs = []
    number = 0
    for place, edge in enumerate(edges):
        if edge.is_rising is not is_rising:
            continue
        number += 1
        # The input's next rise takes over: of a rise that is the second edge after it, for the
        # output may come up when the input has already gone.
        next_rise = place + (2 if is_rising else 1)
        until_s = edges[next_rise].time_s if next_rise < len(edges) else math.inf
        at = int(np.searchsorted(times, edge.time_s - EARLY_S))
        if at < len(answers) and times[at] < until_s:
            answer = answers[at]
            pairs.append(
                Pair(
                    number=number,
                    from_s=edge.time_s,
                    to_s=answer.time_s,
                    noise_s=math.hypot(edge.uncertainty_s, answer.uncertainty_s),
                )
            )
    return pairs
