"""How bounds of a rate, times without a signal and differences of levels are written.

A bound is rounded up and a time that was watched down, so that nothing is claimed beyond what was
shown.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from harness.advice import Gap, Quiet
from harness.report.wording import hours_in_words, plain, quantity

_DIGITS = 2


def rate_in_words(per_h: float, limit_per_h: float | None = None, *, is_upper: bool) -> str:
    """Write a bound of a rate: an upper one rounded up, a lower one down, two figures.

    Parameters
    ----------
    per_h : float, 0 or more
    limit_per_h : an upper bound at or under it is not written as more than it
    is_upper : which way it is rounded
    """
    if per_h <= 0.0:
        return "0 per hour"
    exact = Decimal(per_h)
    step = Decimal(1).scaleb(exact.adjusted() - _DIGITS + 1)
    rounded = (exact / step).to_integral_value(ROUND_CEILING if is_upper else ROUND_FLOOR) * step
    if is_upper and limit_per_h is not None and per_h <= limit_per_h < rounded:
        return plain(limit_per_h, "1/h")
    return f"{rounded.normalize():f} per hour"


def watched_in_words(seconds: float) -> str:
    """Write a time that was watched, rounded down."""
    return _lasting(seconds, math.floor)


def wanted_in_words(seconds: float) -> str:
    """Write a time that is asked for, rounded up."""
    return "for ever" if math.isinf(seconds) else _lasting(seconds, math.ceil)


def _lasting(seconds: float, whole: Callable[[float], int]) -> str:
    if seconds < 10.0:
        # A tenth of a second is shown; what is a whole number but for rounding stays it.
        return f"{whole(round(seconds * 10.0, 6)) / 10.0:g} s"
    step = 1 if seconds < 600.0 else 60
    return hours_in_words(step * whole(round(seconds / step, 6)))


def gap_in_words(gap: Gap | None) -> str:
    """Write a difference of levels with its U, or as the bound that it is."""
    if gap is None:
        return "not measured"
    if gap.bound is None:
        return quantity(gap.value_db, "dB", gap.expanded_uncertainty_db, signed=True)
    reach = "at least" if gap.bound == "lower" else "at most"
    return f"{reach} {quantity(gap.value_db, 'dB', decimals=1, signed=True)}"


def distance_in_words(gap: Gap) -> str:
    """Write how far two levels lie apart, whichever is the higher."""
    size = abs(gap.value_db)
    if gap.bound is None:
        return quantity(size, "dB", gap.expanded_uncertainty_db)
    return f"at least {quantity(size, 'dB', decimals=1)}"


def key_ups_in_words(key_ups: int) -> str:
    """Write how many key-ups were seen."""
    return "no key-up" if key_ups == 0 else f"{key_ups} key-up{'s' if key_ups > 1 else ''}"


def seen_in_words(quiet: Quiet) -> str:
    """Write what was seen: ``no key-up in 3 h``."""
    return f"{key_ups_in_words(quiet.key_ups)} in {watched_in_words(quiet.watched_s)}"
