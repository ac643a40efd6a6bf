"""Skew and clock difference of two receivers, from one signal that both hear.

Both are tuned to the same modulated signal. What it does is compared as demodulated frequency,
piece by piece: where in the second stream is this piece of the first? A straight line through the
answers gives how far apart the streams stand and how that changes, which is the difference of the
clocks. The carrier, its level and where each receiver is tuned do not matter; the modulation does:
it must not repeat within the reach of the search (speech, noise or music; no tone).

The place of a piece is found in two steps: the highest correlation at whole samples, then least
squares on the difference of both between samples (Gauss and Newton's steps), which noise in both
leaves unbiased.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy.signal import fftconvolve

from harness.blocks import Block, Frames, flow
from harness.dsp.channel import ChannelReceiver, plan_channel
from harness.dsp.demodulate import Discriminator
from harness.errors import BadInput, TooShort
from harness.units import FloatArray

PIECE_S = 0.25
"""Chosen: hundreds of syllables' worth of edges, and 100 ppm move it by 25 us only."""
LEAST_CORRELATION = 0.5
"""Less alike is another signal, or none: at half, noise is as strong as the modulation. Chosen."""
SECOND_PEAK = 0.8
"""A second place that is as good to this share of the first: the modulation repeats. Chosen."""
LEAST_PIECES = 6
"""A line has two parameters; four more pieces tell how far to trust it. Chosen."""
_REACH = 16
_SHAPE = 9.0
_STEPS = 6
"""Neighbours on either side of an interpolated sample, Kaiser's parameter, and steps of least
squares. Chosen: -90 dB up to 0.4 of the rate; the steps converge in three."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Skew:
    """How two streams stand to each other; uncertainties are standard ones.

    Parameters
    ----------
    at_s : time in the first stream that ``skew_s`` holds at: the middle of what was compared
    skew_s : added to the second stream's time to get the first's, both as counted
    skew_uncertainty_s : from the scatter of the pieces about their line, wider where they are few
    clock_difference_ppm : the second clock minus the first; positive: the second is faster
    clock_difference_uncertainty_ppm : likewise
    pieces : that took part
    degrees_of_freedom : pieces - 2
    correlation : least of the pieces'
    """

    at_s: float
    skew_s: float
    skew_uncertainty_s: float
    clock_difference_ppm: float
    clock_difference_uncertainty_ppm: float
    pieces: int
    degrees_of_freedom: int
    correlation: float

    def at(self, time_s: float) -> tuple[float, float]:
        """Give skew and its standard uncertainty, in s, at another time of the first stream."""
        away_s = time_s - self.at_s
        skew_s = self.skew_s - away_s * self.clock_difference_ppm * 1e-6
        grown_s = away_s * self.clock_difference_uncertainty_ppm * 1e-6
        return skew_s, math.hypot(self.skew_uncertainty_s, grown_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """What two comparisons, one before and one after, say of the time between.

    ``moved_s`` is the skew found later minus the skew expected from before,
    ``uncertainty_s`` its standard uncertainty.
    """

    moved_s: float
    uncertainty_s: float

    @property
    def is_plain(self) -> bool:
        """Whether it is more than chance: beyond two standard uncertainties."""
        return abs(self.moved_s) > 2.0 * self.uncertainty_s


def drift_between(before: Skew, after: Skew) -> Drift:
    """Compare a later skew with what an earlier one foretold, both in the same streams."""
    expected_s, uncertainty_s = before.at(after.at_s)
    return Drift(
        moved_s=after.skew_s - expected_s,
        uncertainty_s=math.hypot(uncertainty_s, after.skew_uncertainty_s),
    )


def skew_between(
    first: Iterable[Block],
    second: Iterable[Block],
    *,
    datatype: str,
    offsets_hz: tuple[float, float],
    spacing_hz: float,
    reach_s: float = 0.1,
) -> Skew:
    """Find how two streams of one signal stand to each other.

    Parameters
    ----------
    first, second : undecoded IQ blocks, shape (n, 2), at one nominal rate
    datatype : SigMF's
    offsets_hz : of the signal from where each is tuned; a clock's known error taken away
    spacing_hz : of its channel
    reach_s : largest skew that is looked for

    Raises
    ------
    TooShort : less than LEAST_PIECES pieces. BadInput : nothing in common, or what repeats.

    Notes
    -----
    Memory: a piece and the reach of each. Pieces that a gap cuts are left out.

    References
    ----------
    Line and its uncertainties: ordinary least squares, JCGM 100:2008, H.3.3; few pieces: standard
    deviation of Student's t, JCGM 101:2008, 6.4.9 (clauses from memory, check).
    """
    pieces = list(_places(first, second, datatype, offsets_hz, spacing_hz, reach_s))
    if len(pieces) < LEAST_PIECES:
        raise TooShort(
            f"{len(pieces)} pieces of {PIECE_S:g} s are in both streams",
            "skew",
            f"Give {LEAST_PIECES * PIECE_S + 2.0 * reach_s:g} s or more without a gap.",
        )
    least = min(piece.correlation for piece in pieces)
    if least < LEAST_CORRELATION:
        raise BadInput(
            f"the two streams have little in common (correlation {least:.2f})",
            "skew",
            "Tune both to one signal that both hear well, modulated with speech or noise.",
        )
    if any(piece.rival > SECOND_PEAK for piece in pieces):
        raise BadInput(
            "the modulation repeats: more than one skew fits",
            "skew",
            "Modulate with speech or noise, not with a tone.",
        )
    time_s = np.array([piece.time_s for piece in pieces])
    late_s = np.array([piece.late_s for piece in pieces])
    count, at_s = len(pieces), float(np.mean(time_s))
    away_s = time_s - at_s
    spread = float(np.sum(np.square(away_s)))
    slope = float(np.sum(away_s * late_s)) / spread
    left_s = late_s - np.mean(late_s) - slope * away_s
    # Student's t is wider than a normal by the root of freedom / (freedom - 2).
    scatter_s = math.sqrt(float(np.sum(np.square(left_s))) / (count - 4))
    return Skew(
        at_s=at_s,
        skew_s=-float(np.mean(late_s)),
        skew_uncertainty_s=scatter_s / math.sqrt(count),
        clock_difference_ppm=slope * 1e6,
        clock_difference_uncertainty_ppm=scatter_s / math.sqrt(spread) * 1e6,
        pieces=count,
        degrees_of_freedom=count - 2,
        correlation=least,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """Where a piece of the first stream stands in the second."""

    time_s: float
    late_s: float
    correlation: float
    rival: float


def _places(
    first: Iterable[Block],
    second: Iterable[Block],
    datatype: str,
    offsets_hz: tuple[float, float],
    spacing_hz: float,
    reach_s: float,
) -> Iterator[_Piece]:
    """Compare piece by piece; frames of both streams are paired by their number."""
    ours = _Cut(first, datatype, offsets_hz[0], spacing_hz, reach_s, wide=False)
    theirs = _Cut(second, datatype, offsets_hz[1], spacing_hz, reach_s, wide=True)
    waiting: dict[int, Block] = {}
    for frame in theirs.until():
        waiting[frame.start] = frame
        # Their frames begin earlier by the reach, at the same numbers otherwise.
        for piece in ours.until(frame.start + theirs.reach):
            other = waiting.pop(piece.start - theirs.reach, None)
            if other is not None:
                yield _compared(piece, other, theirs.reach)
        for old in [start for start in waiting if start < frame.start]:
            del waiting[old]


class _Cut:
    """Demodulated frequency of a stream, cut into frames counted from its sample 0."""

    def __init__(
        self,
        blocks: Iterable[Block],
        datatype: str,
        offset_hz: float,
        spacing_hz: float,
        reach_s: float,
        *,
        wide: bool,
    ) -> None:
        self._blocks = iter(blocks)
        self._head: Block | None = next(self._blocks, None)
        self.reach = 0
        self._frames: Iterator[Block] = iter(())
        self._next: Block | None = None
        if self._head is None:
            return
        plan = plan_channel(self._head.sample_rate_hz, offset_hz, spacing_hz)
        length = round(PIECE_S * plan.channel_rate_hz)
        self.reach = math.ceil(reach_s * plan.channel_rate_hz) + _REACH
        if wide:
            cut = _Framed(Frames(length + 2 * self.reach, length, align=length))
        else:
            cut = _Framed(Frames(length, length, align=length), begin=self.reach)
        receiver = ChannelReceiver(datatype, plan)
        self._frames = flow(self._all(), receiver, Discriminator(), cut)
        self._next = next(self._frames, None)

    def _all(self) -> Iterator[Block]:
        assert self._head is not None
        yield self._head
        yield from self._blocks

    def until(self, start: float = math.inf) -> Iterator[Block]:
        """Give the frames up to the one that begins there; without, all that are left."""
        while self._next is not None and self._next.start <= start:
            frame, self._next = self._next, next(self._frames, None)
            yield frame


class _Framed:
    """A stage around ``Frames``; ``begin`` shifts all frames later by so many samples."""

    def __init__(self, frames: Frames, begin: int = 0) -> None:
        self._frames = frames
        self._begin = begin

    def push(self, block: Block) -> list[Block]:
        moved = Block(
            block.samples, block.start - self._begin, block.sample_rate_hz, block.lost_before
        )
        return [
            Block(frame.samples, frame.start + self._begin, frame.sample_rate_hz)
            for frame in self._frames.push(moved)
        ]

    def finish(self) -> list[Block]:
        return []


def _compared(piece: Block, other: Block, reach: int) -> _Piece:
    """Find a piece in a longer one that begins earlier by ``reach`` samples."""
    x = piece.samples - np.mean(piece.samples)
    y = other.samples - np.mean(other.samples)
    rate_hz, length = piece.sample_rate_hz, len(x)
    products = fftconvolve(y, x[::-1], mode="valid")
    energies = fftconvolve(np.square(y), np.ones(length), mode="valid")
    norm = np.sqrt(np.maximum(energies, 1e-30) * max(float(np.sum(np.square(x))), 1e-30))
    alike = products / norm
    best = int(np.clip(np.argmax(alike), _REACH, len(alike) - 1 - _REACH))
    between, centre = _between(x, y, best)
    return _Piece(
        time_s=(piece.start + centre) / rate_hz,
        late_s=(best + between - reach) / rate_hz,
        correlation=float(alike[best]),
        rival=_rival(alike, best),
    )


def _rival(alike: FloatArray, best: int) -> float:
    """Height of the next peak apart from the highest's own slopes, as a share of the highest."""
    left, right = best, best
    while left > 0 and alike[left - 1] < alike[left]:
        left -= 1
    while right < len(alike) - 1 and alike[right + 1] < alike[right]:
        right += 1
    outside = np.concatenate([alike[:left], alike[right + 1 :]])
    return float(np.max(outside, initial=0.0) / max(float(alike[best]), 1e-30))


def _between(x: FloatArray, y: FloatArray, best: int) -> tuple[float, float]:
    """Find, by least squares, how much later than ``best`` x stands in y, and where that holds.

    Both in samples. It holds where the modulation is steep: while the clocks differ by 100 ppm, ten
    milliseconds beside that are a microsecond.
    """
    length = len(x)
    window = np.hanning(length)
    late = 0.0
    near = np.arange(-_REACH, _REACH + 1)
    around = y[best - _REACH : best + length + _REACH]
    for _ in range(_STEPS):
        place = near - late
        taps = np.sinc(place) * np.i0(
            _SHAPE * np.sqrt(np.clip(1.0 - np.square(place / (_REACH + 1)), 0.0, None))
        )
        there = np.convolve(around, taps[::-1] / np.sum(taps), mode="valid")
        slope = np.gradient(there)
        off = x - there
        off -= np.sum(window * off) / np.sum(window)
        step = float(np.sum(window * slope * off) / np.sum(window * np.square(slope)))
        late = float(np.clip(late + step, -1.0, 1.0))
    weight = window * np.square(slope)
    return late, float(np.sum(weight * np.arange(length)) / np.sum(weight))
