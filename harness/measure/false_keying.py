"""The rate of key-ups without a signal: a count, a time, and the exact interval between them."""

from __future__ import annotations

from typing import Any

from harness.readings import Reading, not_measured
from harness.uncertainty import garwood_interval

NAME = "false_keying_rate"
HOUR_S = 3600.0


def false_keying_rate(key_ups: int, watched_s: float, **more: Any) -> Reading:
    """Make the reading of key-ups in a time without a signal.

    Parameters
    ----------
    key_ups : counted
    watched_s : without a signal and without a hang from one
    **more : further fields of ``Reading``

    References
    ----------
    Garwood, Biometrika 28 (1936), through ``uncertainty.garwood_interval``.
    """
    hours = watched_s / HOUR_S
    if hours <= 0.0:
        return not_measured(NAME, "no time without a signal and without hang", **more)
    low, high = (counts / hours for counts in garwood_interval(key_ups))
    value = key_ups / hours
    return Reading(
        name=NAME,
        value=value,
        unit="1/h",
        expanded_uncertainty=max(high - value, value - low) if key_ups else None,
        interval=(low, high),
        count=key_ups,
        note=f"{key_ups} in {watched_s:.1f} s without a signal",
        **more,
    )
