"""Steps of a receiver's gain, told look by look from the noise beside the emissions.

A look is a tenth of a second. A change of gain moves all that comes before it, the noise and the
emissions, by the same number of dB, and it lasts. So three looks are held against the three after
the next one (in which it may have happened):

====================  ==========================  =============================================
noise                 emissions                   said
====================  ==========================  =============================================
stays                 whatever                    nothing: keying, a generator that is set
moves, and comes back whatever                    nothing: a burst
moves                 move by the same            ``gain``
falls, or rises       appear or rise, or go       ``automatic gain``: what it does when a strong
                      away or fall                signal comes; keying only adds noise
moves                 stay                        ``noise``: it came or went by itself
moves                 none before, none after     ``gain or noise``: nothing to tell them apart
moves                 move the same way, not by   nothing: the transmitter's own noise
                      the same
moves                 not steady within a look    nothing
====================  ==========================  =============================================

Nothing is said over clipped looks, where the strong push the weak aside, and where the noise is
the converter's own: that does not move with the gain, and a signal alters it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from harness.units import db_from_ratio

Cause = Literal["gain", "automatic gain", "noise", "gain or noise"]

BESIDE = 3
"""Looks on each side of a step. Chosen: a burst of two is none."""
LEAST_STEP_DB = 0.7
"""Chosen: less than the smallest gain step of the usual tuner (0.9 dB, from memory)."""
SPREADS = 3.0
"""A step is more than so many times what the looks on a side differ by. Chosen."""
CONVERTER_RATIO = 3.0
"""The noise must be so many times the converter's own. Chosen: that is noise of 0.4 of a code, from
where on the converter's part is the same with a signal and without."""
STEADY_DB = 1.5
"""An emission whose power differs by more from look to look is keyed. Chosen."""
SAME_DB, SAME_SHARE = 1.0, 0.2
"""Emissions have moved as the noise did when they did so to 1 dB or a fifth of it. Chosen."""
UNCHANGED_DB = 0.5
"""Chosen."""
CLIPPED_SHARE = 1e-3
"""More clipped than this is not judged. Chosen."""
MOST_STEPS = 100
"""So many are told one by one; memory stays flat."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a tenth of a second held; powers are per line, and 1.0 is 0 dBFS.

    ``noise`` is that beside the emissions, ``emissions`` all that stands above it, 0 for none.
    """

    middle_s: float
    noise: float
    emissions: float
    clipped_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GainStep:
    """When the noise moved, by how much, how much the emissions did, and what that points to."""

    at_s: float
    noise_db: float
    emissions_db: float | None
    cause: Cause


class GainSteps:
    """Finds steps in a row of looks.

    Parameters
    ----------
    converter_noise : power per line of the converter's own noise, 0 where there is none
    """

    def __init__(self, converter_noise: float) -> None:
        self._converter = converter_noise
        self._looks: deque[Look] = deque(maxlen=2 * BESIDE + 1)
        self._pending: GainStep | None = None
        self._found: list[GainStep] = []
        self.count = 0
        self.judged = 0
        """How often looks on both sides could be held against each other."""

    @property
    def found(self) -> tuple[GainStep, ...]:
        """The steps so far, the first ``MOST_STEPS`` of ``count``."""
        return tuple(self._found)

    def push(self, look: Look) -> None:
        """Take the next look."""
        self._looks.append(look)
        step = self._step() if len(self._looks) == self._looks.maxlen else None
        if self._pending is None:
            self._pending = step
            return
        # Through the looks a step grows until it is seen whole.
        if step is not None and abs(step.noise_db) > abs(self._pending.noise_db):
            self._pending = step
            return
        self.finish()
        for _ in range(BESIDE):
            self._looks.popleft()

    def finish(self) -> None:
        """Count a step that was waiting for the next look."""
        if self._pending is None:
            return
        self.count += 1
        if len(self._found) < MOST_STEPS:
            self._found.append(self._pending)
        self._pending = None

    def _step(self) -> GainStep | None:
        looks = list(self._looks)
        before, middle, after = looks[:BESIDE], looks[BESIDE], looks[BESIDE + 1 :]
        beside = [*before, *after]
        least = CONVERTER_RATIO * self._converter
        if any(look.clipped_share > CLIPPED_SHARE for look in beside):
            return None
        if any(look.noise <= least for look in beside):
            return None
        self.judged += 1
        noise_db = [float(db_from_ratio(look.noise - self._converter)) for look in beside]
        first_db, last_db = noise_db[:BESIDE], noise_db[BESIDE:]
        step_db = sum(last_db) / BESIDE - sum(first_db) / BESIDE
        spread_db = max(max(first_db) - min(first_db), max(last_db) - min(last_db))
        if abs(step_db) < max(LEAST_STEP_DB, SPREADS * spread_db):
            return None
        cause, emissions_db = _cause(step_db, before, after)
        if cause is None:
            return None
        return GainStep(
            at_s=middle.middle_s, noise_db=step_db, emissions_db=emissions_db, cause=cause
        )


def _cause(
    step_db: float, before: Sequence[Look], after: Sequence[Look]
) -> tuple[Cause | None, float | None]:
    """Tell what a step of the noise points to, by what the emissions did meanwhile."""
    if not (_is_steady(before) and _is_steady(after)):
        return None, None
    was_on, is_on = before[0].emissions > 0.0, after[0].emissions > 0.0
    if not was_on and not is_on:
        return "gain or noise", None
    if was_on != is_on:
        return ("automatic gain" if is_on == (step_db < 0.0) else None), None
    moved_db = float(
        db_from_ratio(sum(look.emissions for look in after))
        - db_from_ratio(sum(look.emissions for look in before))
    )
    if abs(moved_db - step_db) <= max(SAME_DB, SAME_SHARE * abs(step_db)):
        return "gain", moved_db
    if abs(moved_db) <= UNCHANGED_DB:
        return "noise", moved_db
    return ("automatic gain" if (moved_db > 0.0) == (step_db < 0.0) else None), moved_db


def _is_steady(looks: Sequence[Look]) -> bool:
    """Whether the emissions are off in all looks, or on in all and of the same power."""
    powers = [look.emissions for look in looks]
    if min(powers) <= 0.0:
        return max(powers) <= 0.0
    return float(db_from_ratio(max(powers) / min(powers))) <= STEADY_DB
