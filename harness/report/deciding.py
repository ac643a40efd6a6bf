"""What would decide an undecided reading, in words."""

from __future__ import annotations

import math

from harness.report.wording import quantity, title_of
from harness.results.conformity import Deciding
from harness.results.judgement import Row


def deciding_in_words(row: Row) -> tuple[str, ...]:
    """Write what would decide a row, a sentence each; nothing where it is decided."""
    return tuple(_sentence(one, row) for one in row.deciding)


def _sentence(one: Deciding, row: Row) -> str:
    reading = row.reading
    if one.way == "averaging" and one.times is not None:
        many = f" ({one.count} in place of {reading.count})" if one.count else ""
        return f"More averaging would decide it: {_times(one.times)} as much as now{many}."
    if one.way == "watching" and one.times is not None:
        return (
            f"Watching {_times(one.times)} as long would decide it, if key-ups come as often as"
            " so far."
        )
    if one.way == "calibration" and one.part is not None and one.needed_uncertainty is not None:
        needed = _spread(one.needed_uncertainty, reading.unit)
        return (
            f"A better calibration would decide it: {100.0 * (one.share or 0.0):.0f} % of the"
            f" variance is from {one.part.name}, whose standard uncertainty of"
            f" {_spread(abs(one.part.effect), reading.unit)} has to come down to {needed}."
        )
    if one.way == "declaring":
        return (
            "No uncertainty is declared of what it rests on: declare it in the bench file, or"
            " calibrate."
        )
    if one.way == "receiver":
        return (
            "The receiver's own noise or image hides the answer: one with more range, or a notch"
            " at the carrier before it, would decide it."
        )
    if reading.bound is not None:
        return (
            f"Only a bound of {title_of(reading.name).lower()} is known: it decides nothing here."
        )
    return (
        f"It lies {_spread(one.distance, reading.unit)} from the limit: neither more averaging"
        " nor one better calibration would decide it."
    )


def _spread(value: float, unit: str) -> str:
    """Write a distance or an uncertainty with two figures, and that of a level in dB."""
    places = 0 if value <= 0.0 else max(1 - math.floor(math.log10(value)), 0)
    return quantity(value, "dB" if unit == "dBm" else unit, decimals=places)


def _times(times: float) -> str:
    return f"{times:.1f} times" if times < 10.0 else f"{times:.0f} times"
