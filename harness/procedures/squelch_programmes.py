"""What is done at one position of the squelch knob, take by take, chosen by what the unit does.

==========  =====================================================================================
programme   moves
==========  =====================================================================================
Keyings     generator off until the unit drops; then a strong signal on and off, several times
Search      levels halved between one that does not open and one that does, each from rest
Staircase   time without a signal; then sweeps up to where it opens, down to where it closes
Listening   opened by a strong signal, then standard test modulation at the opening, or above it
==========  =====================================================================================

**Least time.** A level that does not open costs the time that the squelch takes; waiting for a drop
costs the hang. So rising sweeps begin just below the region and end at the first level that keys;
the falling sweep begins there, jumps to just above where it closes and ends at the first level at
which the unit drops. That has it unkeyed for the next rising sweep without waiting once more. When
enough is known of the closing, rising sweeps go on alone.

**Truth first.** The levels come from what was seen so far; each sweep gives one draw whatever they
are, and the likelihood of a draw does not ask why it was looked at there. The number of sweeps may
depend on what was seen too, and then chance ends a row that scatters little early: how much that
costs the intervals is tried over seeds (``tests/procedures/test_squelch_design.py``).
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, field
from statistics import mean, stdev

from harness.errors import HardwareFault
from harness.measure.ogive import fit_ogive
from harness.measure.ogive_likelihood import draws_from_bounds
from harness.measure.setup import ABOVE_OPENING, AT_OPENING, NO_SIGNAL
from harness.measure.staircase import Bounds
from harness.procedures.steps import Move, Moves, Seen, Stimulus

TEST_TONE_HZ = 1000.0
STRONG_DBM = -80.0
"""Full quieting for any unit that works. Chosen."""
LONGEST_HANG_S = 10.0
"""No hang is longer. Chosen: usual ones are half a second to two (common practice, no source)."""
AFTER_DROP_S = 0.3
"""Rest between two keyings. Chosen: longer than edges take to settle."""
GRID_DB = 0.1
"""Levels are multiples of it. Chosen: what usual generators can be set to."""
FIRST_STEP_DB = 0.7
FINEST_STEP_DB, COARSEST_STEP_DB = 0.2, 1.0
"""Steps of the sweeps lie within these."""
STEP_SPREADS = 0.7
"""A step is so many spreads. Chosen: levels seen in steps scatter by step squared / 12 more
(grouping; common practice, no source), which is 4 % here."""
FIRST_FALLING_STEP_DB = 1.5
REACH_RISING, REACH_FALLING = 3.5, 2.5
"""Sweeps begin so many spreads before the middle of the region. Chosen: rising steps cost little;
of falling sweeps one in 160 drops at its first level, which is still a draw."""
LEAST_SPREAD_DB = 0.2
LIFT_DB = 2.0
"""Above where it opened, to have it well open: where the transmitter deafens the receiver, the
level that opened the squelch does not keep it open. Chosen: what a sound transmitter costs."""
ROUND_SWEEPS = 4
"""Asked after so many sweeps each. Chosen: the more often one asks, the sooner chance says yes."""
DRAWS_TO_TRUST = 5
"""Before so many draws of one kind its spread is not believed. Chosen."""
ABOVE_STEP_DB, MOST_ABOVE = 1.0, 6
"""How a level at which the squelch does not stay open is raised, and how often. Chosen."""
DEEPEST_DB = 20.0
"""A falling sweep goes no further below the opening. Chosen."""


def stuck(seconds: float, knob: str) -> HardwareFault:
    """Make the fault of a transmitter that does not drop where it has dropped before."""
    return HardwareFault(
        f"the transmitter is still keyed {seconds:.0f} s after the signal was switched off, longer"
        " than any hang; it has dropped before",
        f"knob at {knob}",
        "RF is off. Take the unit's supply away, and find what keeps it keyed: its keying line, a"
        " relay, or a signal from elsewhere.",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Keyings:
    """Rest, then a strong signal on and off.

    Ends early where the unit does not drop (``always keyed``) or does not key.

    Parameters
    ----------
    knob : position. count : keyings. deviation_hz : of the test tone
    rest_s : how long the first drop is waited for
    has_dropped : whether the unit dropped at a looser position: not to drop is then a fault

    Raises
    ------
    HardwareFault : the transmitter is stuck.
    """

    knob: str
    count: int
    deviation_hz: float
    rest_s: float
    has_dropped: bool = False
    on_s: float = 0.9

    def moves(self) -> Moves:
        """Yield the moves."""
        off = Stimulus(duration_s=self.rest_s, level_port_dbm=None)
        seen = yield Move(stimulus=off, until=False, least_s=0.5, after_s=AFTER_DROP_S)
        if seen.keyed:
            if self.has_dropped:
                raise stuck(seen.seconds, self.knob)
            return
        on = Stimulus(
            duration_s=self.on_s,
            level_port_dbm=STRONG_DBM,
            tone_hz=TEST_TONE_HZ,
            deviation_hz=self.deviation_hz,
        )
        has_dropped, falses = self.has_dropped, seen.key_ups > 0
        for number in range(self.count):
            seen = yield Move(stimulus=on, share=number / self.count)
            if not seen.keyed:
                return
            seen = yield _off(AFTER_DROP_S)
            falses |= seen.key_ups > 0
            if seen.keyed:
                # Where noise keys it, noise may keep it keyed.
                if has_dropped and not falses:
                    raise stuck(seen.seconds, self.knob)
                return
            has_dropped = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """Bisection on the opening, each level from rest.

    Parameters
    ----------
    knob : position
    low_dbm, high_dbm : levels between which it is looked for
    within_db : how near the two levels are in the end
    dwell_s : how long the unit is given to open

    Raises
    ------
    HardwareFault : the transmitter is stuck.
    """

    knob: str
    low_dbm: float
    high_dbm: float
    within_db: float
    dwell_s: float

    def moves(self) -> Moves:
        """Yield the moves."""
        low, high = self.low_dbm, self.high_dbm
        seen = yield _off()
        probes, falses = 0, seen.key_ups > 0
        while True:
            # The ends are tried as well: the region may lie beyond.
            level = high if not probes else (low if probes == 1 else (low + high) / 2.0)
            level = on_grid(level)
            seen = yield Move(stimulus=_level(level, self.dwell_s), until=True)
            probes += 1
            if seen.keyed:
                high = level
                seen = yield _off()
                falses |= seen.key_ups > 0
                if seen.keyed and falses:
                    return
                if seen.keyed:
                    raise stuck(seen.seconds, self.knob)
            elif probes == 1:
                return
            else:
                low = level
            if probes > 1 and (high <= self.low_dbm or high - low <= self.within_db):
                return


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """How near the truth a row of sweeps has to come: half of the 95 % interval, in dB.

    ``spread_sweeps`` are those that the spread takes. From n draws a standard deviation has the
    standard uncertainty 1/sqrt(2 (n - 1)) of itself (common practice, no source): twice that is
    30 % at 24.
    """

    opening_db: float = 0.3
    closing_db: float = 0.3
    hysteresis_db: float = 0.42
    spread_sweeps: int = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Staircase:
    """Time without a signal, then sweeps up and down through the region.

    The first goes up only, and then off from well above: so the take holds the hang itself, which
    says at which level a squelch closed whose transmitter drops later.

    Parameters
    ----------
    knob : position. opening_dbm : about where it opens
    quiet_s : without a signal
    sweeps : most rising ones, and most falling ones
    least : fewest of either, whatever was seen
    goal : ends them earlier; None: all are made
    rising_dwell_s : how long the unit is given to open
    falling_dwell_s : to close, its hang included
    sweep_s, later_s : how long a sweep up and down takes, and what comes after all of them: to say
        how much time is left

    Raises
    ------
    HardwareFault : the transmitter is stuck.
    """

    knob: str
    opening_dbm: float
    quiet_s: float
    sweeps: int
    least: int
    goal: Goal | None
    rising_dwell_s: float
    falling_dwell_s: float
    sweep_s: float = 0.0
    later_s: float = 0.0

    def moves(self) -> Moves:
        """Yield the moves."""
        quiet = Stimulus(duration_s=self.quiet_s, level_port_dbm=None)
        left_s = self.quiet_s + self.sweeps * self.sweep_s + self.later_s
        title = f"Squelch at {self.knob}: {in_time(self.quiet_s)} without a signal"
        if self.sweep_s:
            title += f", about {in_time(left_s)} left"
        seen = yield Move(stimulus=quiet, title=title)
        falses = seen.key_ups > 0
        opening, closing = Row(), Row()
        at_dbm = -math.inf
        while not self._enough(opening, closing):
            number, is_first = len(closing.draws), not opening.draws
            title = f"Squelch at {self.knob}: sweeps, {number + 1} of at most {self.sweeps}"
            if self.sweep_s:
                left_s = (self.sweeps - number) * self.sweep_s + self.later_s
                title += f", about {in_time(left_s)} left"
            start = opening.start_dbm(-REACH_RISING)
            first = on_grid(self.opening_dbm - 3.0 * FIRST_STEP_DB) if start is None else start
            if seen.keyed or first <= at_dbm:
                # A hang that noise began, or a level no higher than the last: from rest.
                seen = yield _off()
                if seen.keyed and falses:
                    return
                if seen.keyed:
                    raise stuck(seen.seconds, self.knob)
                at_dbm = -math.inf
            share = number / self.sweeps
            opened_dbm = yield from self._rise(first, at_dbm, opening, title, share)
            if opened_dbm is None:
                return
            if is_first:
                yield Move(stimulus=_level(opened_dbm + LIFT_DB, self.rising_dwell_s), share=share)
            if is_first or self._closing_enough(closing):
                seen = yield _off()
                if seen.keyed and not falses:
                    raise stuck(seen.seconds, self.knob)
                at_dbm = -math.inf
                continue
            dropped_dbm = yield from self._fall(opened_dbm, closing, share)
            seen = Seen(keyed=dropped_dbm is None, seconds=0.0)
            at_dbm = -math.inf if dropped_dbm is None else dropped_dbm

    def _rise(
        self, first: float, below: float, row: Row, title: str, share: float
    ) -> Generator[Move, Seen, float | None]:
        """Step up until the unit keys; give that level, None where it never does."""
        level, before, is_first = first, below, True
        while level <= self.opening_dbm + DEEPEST_DB:
            seen = yield Move(
                stimulus=_level(level, self.rising_dwell_s),
                title=title if is_first else "",
                share=share,
            )
            if seen.keyed:
                row.draws.append((before, level))
                return level
            before, level, is_first = level, on_grid(level + row.step_db(FIRST_STEP_DB)), False
        return None

    def _fall(self, opened: float, row: Row, share: float) -> Generator[Move, Seen, float | None]:
        """Step down until the unit drops; give that level, None where it does not."""
        step = row.step_db(FIRST_STEP_DB if row.draws else FIRST_FALLING_STEP_DB)
        start = row.start_dbm(REACH_FALLING)
        level = on_grid(opened + LIFT_DB) if start is None else start
        before = opened
        if level > opened:
            before = on_grid(level + step)
            yield Move(stimulus=_level(before, self.rising_dwell_s), share=share)
        else:
            level = min(level, on_grid(opened - step))
        while level >= self.opening_dbm - DEEPEST_DB:
            # The whole dwell, also where it drops sooner: each step gives it the same chance.
            seen = yield Move(stimulus=_level(level, self.falling_dwell_s), share=share)
            if not seen.keyed or seen.key_ups:
                row.draws.append((level, before))
                return None if seen.keyed else level
            before, level = level, on_grid(level - step)
        return None

    def _enough(self, opening: Row, closing: Row) -> bool:
        # The first way up has no way down.
        count = len(opening.draws) - 1
        if count >= self.sweeps:
            return True
        if self.goal is None or count < self.goal.spread_sweeps or not self._is_round(count):
            return False
        return opening.half_db <= self.goal.opening_db and self._closing_enough(closing)

    def _is_round(self, count: int) -> bool:
        """Whether a round of sweeps has ended, after which it is asked whether they are enough."""
        return count >= self.least and (count - self.least) % ROUND_SWEEPS == 0

    def _closing_enough(self, closing: Row) -> bool:
        count = len(closing.draws)
        if count >= self.sweeps:
            return True
        if self.goal is None or not self._is_round(count):
            return False
        # The hysteresis has what the opening's goal leaves of its own.
        left_db = math.sqrt(max(self.goal.hysteresis_db**2 - self.goal.opening_db**2, 0.0))
        return closing.half_db <= min(self.goal.closing_db, left_db)


@dataclass(slots=True)
class Row:
    """Draws of one kind so far, and what they say.

    Levels are planned by the middles of the draws; only whether a goal is reached takes the fit.
    """

    draws: list[Bounds] = field(default_factory=list)

    @property
    def middles_dbm(self) -> list[float]:
        """Middle of each draw; of one that is open below, half a step under its end."""
        return [
            high - FIRST_STEP_DB / 2.0 if math.isinf(low) else (low + high) / 2.0
            for low, high in self.draws
        ]

    @property
    def spread_db(self) -> float:
        """Spread to plan with: not below what can be seen, nor believed of few draws."""
        if len(self.draws) < DRAWS_TO_TRUST:
            return FIRST_STEP_DB
        return max(stdev(self.middles_dbm), LEAST_SPREAD_DB)

    def start_dbm(self, reach: float) -> float | None:
        """Level so many spreads from the middle, where a sweep may begin; None: unknown."""
        if not self.draws:
            return None
        return on_grid(mean(self.middles_dbm) + reach * self.spread_db)

    def step_db(self, first: float) -> float:
        """Step to go on with; ``first`` before anything is known."""
        if len(self.draws) < DRAWS_TO_TRUST:
            return first
        step_db = STEP_SPREADS * self.spread_db
        return on_grid(min(max(step_db, FINEST_STEP_DB), COARSEST_STEP_DB))

    @property
    def half_db(self) -> float:
        """Half of the 95 % interval of the middle so far."""
        low, high = fit_ogive(draws_from_bounds(self.draws)).mean_interval
        return (high - low) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Listening:
    """Opened by a strong signal, then standard test modulation at a level, and above it.

    A weak signal that is modulated may close a squelch that it opened without: then the level is
    raised until it stays open.

    Parameters
    ----------
    knob : position. level_dbm : of the opening. deviation_hz : of the test tone
    seconds : at each level
    """

    knob: str
    level_dbm: float
    deviation_hz: float
    seconds: float

    def moves(self) -> Moves:
        """Yield the moves."""
        has_held = False
        for number in range(MOST_ABOVE + 1):
            yield _off()
            yield Move(stimulus=_level(STRONG_DBM, 1.0), until=True, after_s=AFTER_DROP_S)
            seen = yield Move(
                stimulus=Stimulus(
                    duration_s=self.seconds,
                    level_port_dbm=on_grid(self.level_dbm + number * ABOVE_STEP_DB),
                    tone_hz=TEST_TONE_HZ,
                    deviation_hz=self.deviation_hz,
                    label=ABOVE_OPENING if number else AT_OPENING,
                ),
                until=False,
            )
            # The hang hides a squelch that flutters: one level more than what is keyed to its end.
            if seen.keyed and (has_held or number == 0):
                return
            has_held = seen.keyed


def _off(after_s: float | None = None) -> Move:
    stimulus = Stimulus(duration_s=LONGEST_HANG_S, level_port_dbm=None, label=NO_SIGNAL)
    if after_s is None:
        return Move(stimulus=stimulus, until=False)
    return Move(stimulus=stimulus, until=False, after_s=after_s)


def _level(level_dbm: float, seconds: float) -> Stimulus:
    return Stimulus(duration_s=seconds, level_port_dbm=level_dbm)


def on_grid(level: float) -> float:
    """Give the nearest level that is set."""
    return round(round(level / GRID_DB) * GRID_DB, 3)


def in_time(seconds: float) -> str:
    """Say a time as people do on a bench."""
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    if seconds < 5400.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.1f} h"
