"""How long the squelch takes: the programmes run through on paper, with a unit as units are.

What is done hangs on what is seen, so the time cannot be summed up beforehand. The programmes are
run against a unit of usual figures instead, which takes no time, and the mean of a few such runs is
what is said. A unit whose spread or hysteresis is another takes longer or less; of many positions
the ones that are always keyed take next to nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from harness.describe import Bench
from harness.procedures.acceptance import SHORT, sensitivity_stimuli
from harness.procedures.squelch_depths import (
    FALLING_MORE_S,
    LITTLE_QUIET_S,
    MOST_IN_TAKE_S,
    REST_S,
    RISING_DWELL_S,
    SETTLED_S,
    WITHIN_DB,
    Depth,
)
from harness.procedures.squelch_programmes import Keyings, Listening, Search, Staircase, on_grid
from harness.procedures.steps import Move, Programme, Seen

TYPICAL_HANG_S = 1.0
"""Taken before the unit's own is known. Chosen: hangs are half a second to two (common practice, no
source)."""
RUNS = 8
BY_HAND_S = 12.0
"""For a setting that the operator makes, beside the step itself. Chosen."""


@dataclass(slots=True)
class TypicalUnit:
    """A unit on paper: opens and closes at levels that scatter, hangs, and is always well.

    Figures are chosen.
    """

    hang_s: float
    random: np.random.Generator
    opening_dbm: float = -117.0
    hysteresis_db: float = 1.5
    spread_db: float = 0.5
    attack_s: float = 0.06
    keyed: bool = False
    settings: int = 0
    _opens_dbm: float = -117.0
    _closes_dbm: float = -118.5
    _level_dbm: float | None = None

    def __post_init__(self) -> None:
        """Draw the first levels."""
        self._draw()

    def answer(self, move: Move) -> Seen:
        """Tell how a move ends."""
        level = move.stimulus.level_port_dbm
        if level != self._level_dbm:
            self.settings += 1
        self._level_dbm = level
        took_s, was = math.inf, self.keyed
        if not was and level is not None and level >= self._opens_dbm:
            self.keyed, took_s = True, self.attack_s
        elif was and (level is None or level <= self._closes_dbm):
            if self.hang_s + self.attack_s <= move.stimulus.duration_s:
                self.keyed, took_s = False, self.hang_s + self.attack_s
        if was != self.keyed and not self.keyed:
            self._draw()
        longest_s = move.stimulus.duration_s
        if move.until is None or self.keyed != move.until:
            return Seen(keyed=self.keyed, seconds=longest_s)
        reached_s = 0.0 if was == self.keyed else took_s
        return Seen(keyed=self.keyed, seconds=max(move.least_s, reached_s) + move.after_s)

    def _draw(self) -> None:
        opens, closes = self.random.standard_normal(2) * self.spread_db
        self._opens_dbm = self.opening_dbm + float(opens)
        self._closes_dbm = self.opening_dbm - self.hysteresis_db + float(closes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """Bench time of the parts of one position, in seconds, and settings of the generator in all."""

    keyings_s: float
    search_s: float
    sweeps_s: float
    listening_s: float
    settings: float
    watch_s: float = 0.0

    @property
    def position_s(self) -> float:
        """Bench time of the position."""
        parts_s = self.watch_s + self.keyings_s + self.search_s + self.sweeps_s + self.listening_s
        return SETTLED_S + parts_s

    def with_settings_s(self, setting_s: float) -> float:
        """Time of the position where each setting takes time of its own."""
        return self.position_s + setting_s * self.settings


@cache
def expected(depth: Depth, hang_s: float = TYPICAL_HANG_S) -> Times:
    """Give the bench time of one position with a squelch that opens and closes."""
    random = np.random.default_rng(1)
    low, high = depth.search_dbm
    totals = np.zeros(5)
    watch_s = depth.quiet_s if depth.quiet_s > MOST_IN_TAKE_S else 0.0
    for _ in range(RUNS):
        unit = TypicalUnit(hang_s, random)
        programmes: tuple[Programme, ...] = (
            Keyings(knob="", count=depth.keyings, deviation_hz=0.0, rest_s=REST_S),
            Search(
                knob="", low_dbm=low, high_dbm=high, within_db=WITHIN_DB, dwell_s=RISING_DWELL_S
            ),
            Staircase(
                knob="",
                opening_dbm=on_grid(unit.opening_dbm + float(random.uniform(-1.0, 1.0))),
                quiet_s=depth.quiet_s if not watch_s else LITTLE_QUIET_S,
                sweeps=depth.sweeps,
                least=depth.least,
                goal=depth.goal,
                rising_dwell_s=RISING_DWELL_S,
                falling_dwell_s=hang_s + FALLING_MORE_S,
            ),
            Listening(
                knob="",
                level_dbm=on_grid(unit.opening_dbm),
                deviation_hz=0.0,
                seconds=depth.listening_s,
            ),
        )
        totals[:4] += [run_through(programme, unit) for programme in programmes]
        totals[4] += unit.settings
    mean = (totals / RUNS).tolist()
    return Times(
        keyings_s=mean[0],
        search_s=mean[1],
        sweeps_s=mean[2],
        listening_s=mean[3],
        settings=mean[4],
        watch_s=watch_s,
    )


def is_by_hand(bench: Bench) -> bool:
    """Whether the operator sets the generator."""
    return bench.generator is not None and bench.generator.source == "by hand"


def sensitivity_s(setting_s: float) -> float:
    """Give the time of the sweep of SINAD at the loosest position."""
    stimuli = sensitivity_stimuli(0.0, SHORT)
    return sum(stimulus.duration_s + setting_s for stimulus in stimuli)


def setting_s(bench: Bench) -> float:
    """Give what a setting of the generator takes on a bench, beside what is recorded."""
    return BY_HAND_S if is_by_hand(bench) else 0.0


def position_s(bench: Bench, depth: Depth, hang_s: float = TYPICAL_HANG_S) -> float:
    """Give the time of one position on a bench, with what the operator does at the generator."""
    return expected(depth, hang_s).with_settings_s(setting_s(bench))


def run_through(programme: Programme, unit: TypicalUnit) -> float:
    """Give how long a programme takes with a unit on paper."""
    moves = programme.moves()
    total_s = 0.0
    try:
        move = next(moves)
        while True:
            seen = unit.answer(move)
            total_s += seen.seconds
            move = moves.send(seen)
    except StopIteration:
        return total_s
