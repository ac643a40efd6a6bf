"""Where samples stand in time: segments, annotations and gaps.

Two counts run side by side. *Stored* samples are counted in the data file, as SigMF does. The
*stream* counts the lost ones too, so that its index over the rate is the time; blocks, segments
and annotations outside this room are in the stream's count.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from harness.devices import TransmitterState


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A part of a recording with one centre frequency.

    Parameters
    ----------
    start_sample : int, in the stream's count
    centre_hz : float; 0 where the recording does not tell (a caution of it says so)
    start_utc : time of its first sample by the recording's clock, or None
    """

    start_sample: int
    centre_hz: float = 0.0
    start_utc: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Annotation:
    """What somebody wrote about a part of a recording.

    Parameters
    ----------
    start_sample : int, in the stream's count
    sample_count : int, or None for "to the end of the segment"
    label, comment : str, or None
    level_dbm : input level at the unit's port during this part, or None (generator off, unknown)
    knob : squelch knob position as marked on the unit, or None
    offset_hz : the generator's carrier minus the unit's nominal receive frequency, or None
    transmitter : whether the unit transmitted during this part, "on" or "off", or None
    lost_samples : samples missing just before ``start_sample``, or None
    freq_lower_hz, freq_upper_hz : edges of the emission, absolute, or None
    """

    start_sample: int
    sample_count: int | None = None
    label: str | None = None
    comment: str | None = None
    level_dbm: float | None = None
    knob: str | None = None
    offset_hz: float | None = None
    transmitter: TransmitterState | None = None
    lost_samples: int | None = None
    freq_lower_hz: float | None = None
    freq_upper_hz: float | None = None


@dataclass(frozen=True, slots=True)
class Run:
    """Samples without a gap: first stored sample, its place in the stream, length, lost before."""

    stored: int
    start: int
    length: int
    lost_before: int


class Timeline:
    """The two counts of one recording and the way between them.

    Parameters
    ----------
    stored_samples : int, samples in the data file
    lost : mapping of stored index to the number of samples missing just before it. What is
        missing before sample 0 or after the last one is outside the recording.
    """

    def __init__(self, stored_samples: int, lost: Mapping[int, int]) -> None:
        gaps = sorted((at, n) for at, n in lost.items() if n > 0 and 0 < at < stored_samples)
        edges = [0, *(at for at, _ in gaps), stored_samples]
        runs = []
        shift = 0
        for position, missing in enumerate([0, *(n for _, n in gaps)]):
            shift += missing
            first, stop = edges[position], edges[position + 1]
            runs.append(Run(first, first + shift, stop - first, missing))
        self.runs: tuple[Run, ...] = tuple(runs)
        self.stored_samples = stored_samples
        self.lost_samples = shift
        self._stored = [run.stored for run in runs]
        self._starts = [run.start for run in runs]

    @property
    def end(self) -> int:
        """One past the last sample, in the stream's count."""
        return self.stored_samples + self.lost_samples

    def stream_index(self, stored: int) -> int:
        """Place in the stream of a stored sample."""
        run = self.runs[bisect_right(self._stored, stored) - 1]
        return stored + run.start - run.stored

    def stream_stop(self, stored: int) -> int:
        """Place in the stream just behind the stored samples before this one."""
        return self.stream_index(stored - 1) + 1 if stored > 0 else 0

    def stored_index(self, start: int) -> int:
        """How many stored samples stand before a place in the stream."""
        position = bisect_right(self._starts, start) - 1
        if position < 0:
            return 0
        run = self.runs[position]
        return run.stored + min(start - run.start, run.length)

    def pieces(self, start: int, stop: int, cuts: Iterable[int] = ()) -> list[Run]:
        """Give the runs inside a part of the stream, cut also at ``cuts`` (stream's count)."""
        places = sorted(set(cuts))
        given = []
        # Not all of them: a look into a long recording must not pay for all of its gaps.
        begin = max(bisect_right(self._starts, start) - 1, 0)
        for run in self.runs[begin : bisect_left(self._starts, stop)]:
            first, last = max(run.start, start), min(run.start + run.length, stop)
            if first >= last:
                continue
            missing = min(run.lost_before, first - start) if first == run.start else 0
            inner = places[bisect_right(places, first) : bisect_right(places, last - 1)]
            edges = [first, *inner, last]
            for place, end in pairwise(edges):
                stored = run.stored + place - run.start
                given.append(Run(stored, place, end - place, missing if place == first else 0))
        return given
