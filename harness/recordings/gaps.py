"""Where samples are missing in a recording, from all that it says about itself.

Three witnesses: annotations with ``harness:lost_samples``; ``core:global_index`` of the segments
(place in the stream before storing); their ``core:datetime``. At the start of a segment an index
counts before a time, and neither adds to what annotations have already said. A time that jumps
forward by more than the tolerance counts as lost samples. One that falls back is a caution: the
samples are all there, only a clock was set, and the count of samples goes on unchanged.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from itertools import accumulate, pairwise

from harness.recordings.description import Capture, Description

JUMP_S = 1e-3
"""A later segment time within this of the count is the same time; chosen."""
UNKNOWN_CLOCK_PPM = 100.0
"""Allowed beside it where no clock error is declared: cheap crystals stay within; chosen."""


@dataclass(frozen=True, slots=True)
class Gaps:
    """Samples missing before stored indices, and what looked odd."""

    lost: dict[int, int]
    cautions: tuple[str, ...]


def find_gaps(description: Description) -> Gaps:
    """Collect what is missing; the description is checked already."""
    lost: dict[int, int] = {}
    for note in description.annotations:
        if note.lost_samples and note.start_sample:
            at = note.start_sample
            # Twice at one place is the same loss told by two.
            lost[at] = max(lost.get(at, 0), note.lost_samples)
    cautions = []
    places = sorted(lost)
    # Missing in all before the first, second, ... place: the sum of a stretch is a difference.
    sums = [0, *accumulate(lost[at] for at in places)]
    for position, (before, after) in enumerate(pairwise(description.captures), start=1):
        first = bisect_right(places, before.stored_start)
        told = sums[bisect_right(places, after.stored_start)] - sums[first]
        missing = _missing(description, before, after, told)
        if missing > 0:
            at = after.stored_start
            lost[at] = lost.get(at, 0) + missing
        elif missing < 0:
            rate_hz = description.sample_rate_hz
            cautions.append(
                f"captures[{position}] begins {-missing / rate_hz:.6g} s before the end of the "
                "samples ahead of it; its time is not used"
            )
    return Gaps(lost, tuple(cautions))


def _missing(description: Description, before: Capture, after: Capture, told: int) -> int:
    """Count what is missing between two segments beyond ``told``; negative for a step back."""
    stored = after.stored_start - before.stored_start
    if before.global_index is not None and after.global_index is not None:
        step = after.global_index - before.global_index - stored
        return step if step < 0 else max(0, step - told)
    if before.start_utc is None or after.start_utc is None:
        return 0
    clock = 1.0 + (description.clock_error_ppm or 0.0) * 1e-6
    true_rate_hz = description.sample_rate_hz * clock
    passed_s = (after.start_utc - before.start_utc).total_seconds()
    jump_s = passed_s - (stored + told) / true_rate_hz
    if description.clock_error_ppm is None:
        allowed_ppm = UNKNOWN_CLOCK_PPM
    else:
        allowed_ppm = description.clock_uncertainty_ppm or 0.0
    if abs(jump_s) <= JUMP_S + abs(passed_s) * allowed_ppm * 1e-6:
        return 0
    return round(jump_s * true_rate_hz)
