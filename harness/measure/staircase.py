"""The staircase: what steps of level, and keyed or not at their ends, say of the squelch.

Theory
------
A squelch has memory: what has opened stays open down to a lower level. So a step says something
only together with how it was reached. Steps in order of time form *sweeps*: runs of levels that
rise, or that fall. Keyed or not is read at the end of each step, when it has had its dwell; a
key-up or a drop before that counts all the same, though the unit has gone back by then.

=========  =====================================  ==============================================
sweep      event                                  what follows
=========  =====================================  ==============================================
none       first level, not keyed before it       a rising sweep begins; nothing was seen below
none       a higher level, not keyed before it    a rising sweep begins at the level before
none       a lower level, keyed before it         a falling sweep begins at the level before
none       anything else                          none: a hang, a key-up of its own, a way back
rising     a higher level or the same             goes on: keyed for the first time gives a draw
                                                  of the opening between the level before and it
falling    a lower level or the same              goes on: dropped for the first time gives a draw
                                                  of the closing between it and the level before
rising     a lower level                          ends; what begins is as from none
falling    a higher level                         ends; what begins is as from none
rising     dropped while at its highest level     gives a draw of the closing above that level (of
                                                  the lowest one within a hang before the drop);
                                                  the way down that follows gives none
any        generator off, other knob position     ends
=========  =====================================  ==============================================

A sweep that ends without a change gives a draw that is open on one side. A rising sweep keyed at
its first level gives one open below. A single level is a sweep that says as much as a trial does.
Steps of which nobody can tell (missing samples) are passed over: the draw spans them.

A transmitter that drops less than a hang after the first falling step began says that the squelch
had closed before, at the level that the way down begins from: the draw is open above it. So it is
where a transmitter deafens its own receiver, and a level that opened the squelch does not keep it
open. On the way down each step counts by what dropped in it: it has the same time for that, its
dwell less the hang.

A transmitter that drops says that the squelch closed no earlier than one hang before. Where a
falling step does not outlast the hang, the steps since then say nothing of the squelch: the draw
reaches up to the last step that had ended by then.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from harness.measure.setup import NO_SIGNAL, Step

Bounds = tuple[float, float]

EARLY_S = 0.02
"""A drop so much sooner than a hang after a step began was a closing before it. Chosen: hang times
scatter by less, unless the timer is unsteady, and a squelch takes some ms to close."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepEnd:
    """A step of the staircase and how it ended.

    Parameters
    ----------
    step : as annotated, on the output's clock
    level_port_dbm : as it really was; None with the generator off
    keyed : at the end of the step; None where nobody can tell
    keyed_before : at the start of the step, before the unit can have answered
    rose_s, dropped_s : when in the step the transmitter first keyed, and first dropped; None where
        it did not
    """

    step: Step
    level_port_dbm: float | None
    keyed: bool | None
    keyed_before: bool | None
    rose_s: float | None = None
    dropped_s: float | None = None


@dataclass(slots=True)
class Sweeps:
    """Draws of opening and closing, each (lower, upper) in dBm, an end open where infinite.

    ``opening``: above lower not yet keyed, at upper keyed. ``closing``: at lower dropped, at
    upper still keyed.
    """

    opening: list[Bounds] = field(default_factory=list)
    closing: list[Bounds] = field(default_factory=list)


def is_staircase_step(step: Step) -> bool:
    """Whether a step has a level or is one with the generator off."""
    return step.level_port_dbm is not None or step.label == NO_SIGNAL


class _Rising:
    """A run of rising levels, and the last two different ones that were not yet keyed."""

    def __init__(self, start: float, hang_s: float) -> None:
        self.draw: Bounds | None = None
        self.closed_above: float | None = None
        self._hang_s = hang_s
        self._levels: list[tuple[float, float]] = []
        self._last = self._before_last = start
        self._steps = 0

    def goes_on(self, rise_db: float) -> bool:
        return rise_db >= 0.0

    def step(self, end: StepEnd) -> None:
        level = end.level_port_dbm
        if end.keyed is None or level is None:
            return
        self._steps += 1
        self._look_for_drop(end, level)
        if self.draw is not None:
            return
        if end.keyed or end.rose_s is not None:
            # At a level that is held twice, what counts is the other one before it.
            last = self._last if self._last != level else self._before_last
            low, high = min(last, level), max(last, level)
            if low < high:
                self.draw = (low, high)
        elif level != self._last:
            self._before_last, self._last = self._last, level

    def _look_for_drop(self, end: StepEnd, level: float) -> None:
        """Keep at what level it closed, if it dropped at the highest one so far."""
        if self._levels and level > self._levels[-1][1]:
            self.closed_above = None
        self._levels.append((end.step.end_s, level))
        if end.dropped_s is not None and self.closed_above is None:
            since_s = end.dropped_s - self._hang_s
            self.closed_above = min(held for end_s, held in self._levels if end_s > since_s)

    def end(self, sweeps: Sweeps) -> None:
        if self._steps:
            sweeps.opening.append(self.draw or (self._last, math.inf))
        if self.closed_above is not None:
            sweeps.closing.append((self.closed_above, math.inf))


class _Falling:
    """A run of falling levels, and when each that was still keyed ended."""

    def __init__(self, start: float, start_s: float, hang_s: float) -> None:
        self.draw: Bounds | None = None
        self._held = [(start_s, start)]
        self._hang_s = hang_s
        self._outlasts = True
        self._steps = 0

    def goes_on(self, rise_db: float) -> bool:
        return rise_db <= 0.0

    def step(self, end: StepEnd) -> None:
        level = end.level_port_dbm
        if level is None:
            return
        self._outlasts = self._outlasts and end.step.duration_s > self._hang_s
        if end.keyed is None:
            return
        self._steps += 1
        if self.draw is not None:
            return
        if end.keyed and end.dropped_s is None:
            self._held.append((end.step.end_s, level))
            return
        dropped_s = end.dropped_s if end.dropped_s is not None else end.step.start_s
        if self._closed_before(end, dropped_s):
            return
        above = [held for held in self._open_at(dropped_s) if held != level]
        if above:
            low, high = min(above[-1], level), max(above[-1], level)
            self.draw = (low, high)

    def _closed_before(self, end: StepEnd, dropped_s: float) -> bool:
        """Take the drop as a closing above the first level, if it came too soon for the next."""
        if len(self._held) > 1 or not self._outlasts or not self._hang_s:
            return False
        if dropped_s - self._hang_s + EARLY_S >= end.step.start_s:
            return False
        self.draw = self._held[0][1], math.inf
        return True

    def _open_at(self, time_s: float) -> list[float]:
        """Levels at whose end the squelch was open, if the transmitter was keyed at a time."""
        if self._outlasts:
            return [level for _, level in self._held]
        known_s = time_s - self._hang_s
        return [self._held[0][1], *(level for end_s, level in self._held[1:] if end_s <= known_s)]

    def end(self, sweeps: Sweeps) -> None:
        if self._steps:
            last_s = self._held[-1][0]
            sweeps.closing.append(self.draw or (-math.inf, self._open_at(last_s)[-1]))


def find_sweeps(ends: Sequence[StepEnd], hang_s: float = 0.0) -> Sweeps:
    """Find the sweeps in steps of one knob position, in order of time; the table above.

    Parameters
    ----------
    ends : the steps and how they ended
    hang_s : from the end of a signal to the drop; 0 where it is not known
    """
    sweeps = Sweeps()
    sweep: _Rising | _Falling | None = None
    before: StepEnd | None = None
    has_closed = False
    for end in ends:
        level = end.level_port_dbm
        if level is None:
            if sweep is not None:
                sweep.end(sweeps)
            sweep, before, has_closed = None, None, False
            continue
        rise_db = _rise_db(before, end)
        if sweep is not None and not sweep.goes_on(rise_db):
            sweep.end(sweeps)
            has_closed = isinstance(sweep, _Rising) and sweep.closed_above is not None
            sweep = None
        if rise_db > 0.0:
            has_closed = False
        if sweep is None and not has_closed:
            sweep = _begin(before, rise_db, end, hang_s)
        if sweep is not None:
            sweep.step(end)
        before = end
    if sweep is not None:
        sweep.end(sweeps)
    return sweeps


def _rise_db(before: StepEnd | None, end: StepEnd) -> float:
    """Step up from the step before, as set: measured levels scatter and would turn by chance."""
    earlier = before.step.level_port_dbm if before is not None else None
    now = end.step.level_port_dbm
    return now - earlier if now is not None and earlier is not None else 0.0


def _begin(
    before: StepEnd | None, rise_db: float, end: StepEnd, hang_s: float
) -> _Rising | _Falling | None:
    """Begin the sweep that a step belongs to, or none where it would say nothing."""
    earlier = before.level_port_dbm if before is not None else None
    keyed = end.keyed_before
    if keyed is None:
        return None
    if earlier is None:
        return None if keyed else _Rising(-math.inf, hang_s)
    if keyed and rise_db < 0.0:
        return _Falling(earlier, end.step.start_s, hang_s)
    if not keyed and rise_db > 0.0:
        return _Rising(earlier, hang_s)
    return None
