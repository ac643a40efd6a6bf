"""What to do with a unit, from one results file: where to set its squelch knob, what to mend."""

from harness.advice.diagnosis import Cause, Hint, diagnose
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
    "Cause",
    "Contradiction",
    "FalseKeyingLimit",
    "Gap",
    "Hint",
    "Judged",
    "NextStep",
    "Position",
    "Quiet",
    "advise",
    "diagnose",
    "limit_for",
    "needed_s",
]
