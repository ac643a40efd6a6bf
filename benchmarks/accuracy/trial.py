"""A trial: a signal whose truth is known, and what measuring it gave."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from harness.readings import Findings, Reading

ALIKE = 0.01
"""A condition that is a number may be a measured one: alike within so much of it."""


def _alike(found: Any, wanted: Any) -> bool:
    if isinstance(wanted, float) and isinstance(found, float):
        return abs(found - wanted) <= ALIKE * abs(wanted)
    return bool(found == wanted)


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What a reading ought to be, and how far off it may be (DESIGN section 3).

    ``goal`` is in the reading's unit, or a share of the truth where ``relative``.
    """

    reading: str
    value: float
    goal: float
    relative: bool = False
    conditions: Mapping[str, Any] = field(default_factory=dict)

    @property
    def goal_absolute(self) -> float:
        """Goal in the unit of the reading."""
        return self.goal * abs(self.value) if self.relative else self.goal

    def of(self, findings: Findings) -> Reading | None:
        """Give the one reading this is the truth of, None where there is none.

        Raises
        ------
        LookupError : there are several.
        """
        found = [
            reading
            for reading in findings.readings
            if reading.name == self.reading
            and all(_alike(reading.conditions.get(k), v) for k, v in self.conditions.items())
        ]
        if len(found) > 1:
            raise LookupError(f"{len(found)} readings {self.reading} {dict(self.conditions)}")
        return found[0] if found else None


@dataclass(frozen=True, kw_only=True)
class Trial:
    """A signal by construction.

    Parameters
    ----------
    signal : str, what it is, in words
    truths : what its readings ought to be; a tuple, or a function of the draw
    measure : makes the signal of a draw in an empty folder and measures it
    why : for a reading whose interval cannot hold the truth as often as it says, the reason
    """

    signal: str
    truths: tuple[Truth, ...] | Callable[[int], tuple[Truth, ...]]
    measure: Callable[[int, Path], Findings]
    why: Mapping[str, str] = field(default_factory=dict)

    def truths_of(self, draw: int) -> tuple[Truth, ...]:
        """Give what the readings of a draw ought to be."""
        return self.truths(draw) if callable(self.truths) else self.truths


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What one reading of one draw came to; ``value`` None where it was not measured."""

    truth: Truth
    value: float | None
    lower: float = 0.0
    upper: float = 0.0
    expanded_uncertainty: float = 0.0

    @property
    def error(self) -> float | None:
        """What was got minus the truth."""
        return None if self.value is None else self.value - self.truth.value

    @property
    def holds(self) -> bool:
        """Whether the interval holds the truth."""
        return self.value is not None and self.lower <= self.truth.value <= self.upper

    @property
    def within_goal(self) -> bool:
        """Whether the error is within the goal."""
        return self.error is not None and abs(self.error) <= self.truth.goal_absolute


def outcome(truth: Truth, findings: Findings) -> Outcome:
    """Find the reading of a truth and what it came to."""
    reading = truth.of(findings)
    value = None if reading is None else reading.value
    if reading is None or not isinstance(value, int | float) or reading.bound is not None:
        return Outcome(truth=truth, value=None)
    half = reading.expanded_uncertainty or 0.0
    lower, upper = reading.interval or (value - half, value + half)
    return Outcome(
        truth=truth, value=float(value), lower=lower, upper=upper, expanded_uncertainty=half
    )
