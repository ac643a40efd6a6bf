"""What the input recording shows of the signal beside its level: a fade, impulses, an offset.

A squelch's levels mean something only under the conditions they were taken in. Where the input
recording can see them they are looked for here and stated; where nobody can see them, what the
steps' annotations say is stated instead.

=======================  ==========================================================================
condition                stated where
=======================  ==========================================================================
input_fade_db            the level moves within a step, or between steps set alike, by more than
                         ``FADE_DB`` from peak to peak
input_impulses_per_s     samples stand ``IMPULSE_RATIO`` above the carrier at least
                         ``LEAST_IMPULSES`` times, and more often than ``LEAST_PER_S``
input_offset_hz          the carrier lies more than ``OFFSET_SHARE`` of a channel from nominal
=======================  ==========================================================================

Looked at is only where the carrier rules: noise alone jumps and scatters like all three.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from harness.blocks import Block, Frames
from harness.dsp.demodulate import power
from harness.measure.setup import NO_MODULATION, NO_SIGNAL, Channel, Step
from harness.measure.steps import piece, settled_span_s
from harness.readings import ConditionValue
from harness.units import FloatArray, db_from_ratio, ratio_from_db

FADE_DB = 1.0
"""Chosen: generators hold and repeat a level to a few tenths, and the noise on the weakest steps
that are looked at moves a piece by a tenth."""
IMPULSE_RATIO = ratio_from_db(10.0)
"""Chosen: with the carrier ``LEAST_CONTRAST_DB`` over the noise, chance gets there once in 1e20."""
LEAST_IMPULSES = 5
LEAST_PER_S = 0.5
"""Chosen: a switch nearby is one or two; interference comes again and again."""
OFFSET_SHARE = 0.02
"""Chosen: 250 Hz of 12.5 kHz, 1.6 ppm at 158 MHz. A generator's own reference is far better, and a
mobile station may be 5 ppm off there (47 CFR 90.213)."""
LEAST_CONTRAST_DB = 10.0
"""Carrier over noise from which a piece is looked at. Chosen."""
PIECE_SAMPLES = 1024
"""Chosen: 40 ms at 12.5 kHz spacing; the noise of a piece is averaged over hundreds of samples."""
GUARD_SAMPLES = 4
"""On both sides of an impulse, for the ringing of the channel filter. Chosen."""


@dataclass(slots=True)
class _Seen:
    """What the pieces of one step have shown so far."""

    lowest: float = math.inf
    highest: float = 0.0
    power_sum: float = 0.0
    samples: int = 0
    turn: complex = 0j
    impulses: int = 0
    seconds: float = 0.0


class InputWatch:
    """Watches the input channel during the steps of a take.

    Parameters
    ----------
    steps : in order of time, on the input's own clock
    channel : the input channel, or None when there is no input recording
    """

    def __init__(self, steps: Sequence[Step], channel: Channel | None) -> None:
        self._steps = tuple(steps)
        self._channel = channel
        rate_hz = channel.sample_rate_hz if channel is not None else 1.0
        spans_s = np.array([settled_span_s(step) for step in self._steps]).reshape(-1, 2)
        self._spans = np.rint(spans_s * rate_hz).astype(np.int64)
        self._frames = Frames(PIECE_SAMPLES)
        self._seen = [_Seen() for _ in self._steps]

    def push(self, block: Block) -> None:
        """Take a block of the input channel."""
        if self._frames.interrupted_by(block):
            self._frames.rest()
        for frame in self._frames.push(block):
            first, last = self._spans.T
            # A piece belongs to a step as a whole or not at all.
            for number in np.flatnonzero((first <= frame.start) & (last >= frame.end)):
                part = piece(frame, int(first[number]), int(last[number]))
                if part is not None and self._steps[number].level_port_dbm is not None:
                    self._look(self._seen[number], part)

    def _look(self, seen: _Seen, part: Block) -> None:
        samples_power = power(part.samples)
        middle = float(np.median(samples_power))
        if middle <= 0.0 or not _rules(samples_power, middle):
            return
        hits = samples_power > IMPULSE_RATIO * middle
        kept = ~_widened(hits)
        seen.impulses += int(np.count_nonzero(hits[1:] & ~hits[:-1]) + hits[0])
        seen.seconds += len(samples_power) / part.sample_rate_hz
        if np.count_nonzero(kept) < PIECE_SAMPLES // 4:
            return
        mean = float(samples_power[kept].mean())
        seen.lowest, seen.highest = min(seen.lowest, mean), max(seen.highest, mean)
        seen.power_sum += float(samples_power[kept].sum())
        seen.samples += int(np.count_nonzero(kept))
        both = kept[1:] & kept[:-1]
        turned = part.samples[1:] * np.conj(part.samples[:-1])
        seen.turn += complex(turned[both].astype(np.complex128).sum())

    def level_port_dbm(self, number: int) -> float | None:
        """Level of a step without its impulses; None where the carrier does not rule."""
        seen, channel = self._seen[number], self._channel
        if channel is None or channel.level_offset_db is None or not seen.samples:
            return None
        return float(db_from_ratio(seen.power_sum / seen.samples)) + channel.level_offset_db

    @property
    def is_disturbed(self) -> bool:
        """Whether the level of a step is to be taken from that step alone, without impulses."""
        found = self.conditions(range(len(self._steps)))
        return "input_fade_db" in found or "input_impulses_per_s" in found

    def conditions(self, numbers: Iterable[int]) -> dict[str, ConditionValue]:
        """Give the conditions of some of the steps, by name."""
        chosen = [n for n in numbers if self._steps[n].level_port_dbm is not None]
        stated: dict[str, ConditionValue] = {}
        moved_db = self._moved_db(chosen)
        if moved_db > FADE_DB:
            stated["input_fade_db"] = round(moved_db, 1)
        impulses = sum(self._seen[n].impulses for n in chosen)
        seconds = sum(self._seen[n].seconds for n in chosen)
        if impulses >= LEAST_IMPULSES and impulses > LEAST_PER_S * seconds:
            stated["input_impulses_per_s"] = float(f"{impulses / seconds:.2g}")
        offset_hz = self._offset_hz(chosen)
        if offset_hz is not None:
            stated["input_offset_hz"] = offset_hz
        told = {self._steps[n].label for n in chosen}
        if len(told) == 1 and not told & {"", NO_SIGNAL, NO_MODULATION}:
            stated["stimulus"] = told.pop()
        return stated

    def _moved_db(self, numbers: Sequence[int]) -> float:
        """Movement of the level from peak to peak, within steps and between those set alike."""
        by_setting: dict[float, list[float]] = {}
        for number in numbers:
            seen, level = self._seen[number], self._steps[number].level_port_dbm
            if seen.samples and level is not None:
                by_setting.setdefault(level, []).extend([seen.lowest, seen.highest])
        ratios = [max(powers) / min(powers) for powers in by_setting.values()]
        return float(db_from_ratio(max(ratios, default=1.0)))

    def _offset_hz(self, numbers: Sequence[int]) -> float | None:
        """Carrier from nominal where that is far; as annotated where it cannot be seen."""
        channel = self._channel
        turn = sum((self._seen[n].turn for n in numbers), 0j)
        if channel is not None and channel.nominal_hz is not None and turn != 0j:
            seen_hz = math.atan2(turn.imag, turn.real) / (2.0 * math.pi) * channel.sample_rate_hz
            offset_hz = seen_hz + channel.centre_hz - channel.nominal_hz
            is_far = abs(offset_hz) > OFFSET_SHARE * channel.spacing_hz
            return round(offset_hz, -1) if is_far else None
        annotated = {self._steps[n].offset_hz or 0.0 for n in numbers}
        return annotated.pop() or None if len(annotated) == 1 else None


def _rules(samples_power: FloatArray, middle: float) -> bool:
    """Whether a carrier stands well over the noise; impulses do not count.

    About a carrier, noise N below it spreads the power by a standard deviation of sqrt(2 N) of it:
    between the quartiles lie 1.35 of these.
    """
    low, high = np.quantile(samples_power, [0.25, 0.75])
    spread = float(high - low) / middle / 1.35
    return spread < math.sqrt(2.0 * ratio_from_db(-LEAST_CONTRAST_DB))


def _widened(hits: np.ndarray) -> np.ndarray:
    if not hits.any():
        return hits
    ones = np.ones(2 * GUARD_SAMPLES + 1)
    return np.asarray(np.convolve(hits, ones, mode="same") > 0.0)
