"""What to do with a unit, from one results file: where to set its squelch knob, and why."""

from harness.advice.gap import Gap
from harness.advice.knob import (
    Advice,
    Contradiction,
    FalseKeyingLimit,
    Judged,
    NextStep,
    advise,
    limit_for,
)
from harness.advice.positions import Position
from harness.advice.quiet import Quiet, needed_s

__all__ = [
    "Advice",
    "Contradiction",
    "FalseKeyingLimit",
    "Gap",
    "Judged",
    "NextStep",
    "Position",
    "Quiet",
    "advise",
    "limit_for",
    "needed_s",
]
