"""Whether a reading conforms to a limit: how likely it does, and what would decide where it may.

A verdict is given with the whole of U as guard band (``readings.judge``). What is here stands
beside it: the probability that the true value keeps the limit (JCGM 106:2012 clause 7), and, for
an undecided reading, what would bring U below its distance from the limit.

More averaging lessens only what scatters (type A), better calibration only what was declared
(type B). With the expanded parts A and B of U, U^2 = A^2 + B^2, m times the readings give
A^2 / m + B^2; for a distance d from the limit that is enough when m = A^2 / (d^2 - B^2). The
coverage factor is left as it is: it would come down with more readings, so m is rather too large.
A calibration decides when what it declares falls so far that B^2 <= d^2 - A^2. Both suppose that
the value stays where it is, which no measurement promises.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from harness.readings import UNCALIBRATED, Limit, Reading, ends, judge
from harness.uncertainty import Contribution, garwood_interval, merge

Way = Literal["averaging", "calibration", "declaring", "watching", "receiver", "neither"]

MOST_TIMES = 1000.0
"""Of more averaging than so many times nobody is told: it is out of reach. Chosen."""
FLOOR = "floor"
"""The flag of a reading that the receiver's own noise or image could explain."""
RATE = "false_keying_rate"
"""A count in a time: longer watching is its averaging."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Deciding:
    """One thing that would decide an undecided reading.

    Parameters
    ----------
    way : "averaging" or "watching": ``times`` as much as now; "calibration": ``part`` has to come
        down to ``needed_uncertainty``; "declaring": the bench declares no uncertainty of what the
        value rests on; "receiver": its own noise or image hides the answer; "neither": the value
        lies too near to the limit for any of these
    distance : of the value from the limit, in the reading's unit, 0 or more
    times : how many times as many readings, sweeps or hours, above 1
    count : how many in all, where the reading says how many it rests on now
    part : the declared contribution that weighs most
    share : of the reading's variance that is that part's, 0 to 1
    needed_uncertainty : standard uncertainty in the reading's unit that ``part`` may have at most
    """

    way: Way
    distance: float
    times: float | None = None
    count: int | None = None
    part: Contribution | None = None
    share: float | None = None
    needed_uncertainty: float | None = None


def conformance_probability(reading: Reading, limit: Limit) -> float | None:
    """Give how likely the true value keeps the limit; None where no normal U stands for it.

    References
    ----------
    JCGM 106:2012, 7.2 to 7.4 (clauses from memory): the share of a normal distribution about the
    value that lies between the limits.
    """
    value, spread = reading.value, reading.expanded_uncertainty
    if not isinstance(value, int | float) or spread is None or spread <= 0.0:
        return None
    if reading.interval is not None or reading.bound is not None or UNCALIBRATED in reading.flags:
        return None
    standard = spread / reading.coverage_factor
    low, high = limit.minimum, limit.maximum
    below_high = 1.0 if high is None else _normal((high - value) / standard)
    below_low = 0.0 if low is None else _normal((low - value) / standard)
    return below_high - below_low


def _normal(deviations: float) -> float:
    """Give the standard normal distribution function."""
    return 0.5 * math.erfc(-deviations / math.sqrt(2.0))


def deciding(reading: Reading, limits: Sequence[Limit]) -> tuple[Deciding, ...]:
    """Give what would decide a reading that is undecided by some limit, the likeliest first.

    Parameters
    ----------
    reading : as measured
    limits : of which those that apply to it and leave it undecided count

    Returns
    -------
    tuple : empty where nothing is undecided
    """
    found: list[Deciding] = []
    for limit in limits:
        if limit.applies_to(reading) and judge(reading, limit) == "undecided":
            found += [one for one in _deciding(reading, limit) if one not in found]
    return tuple(found)


def _deciding(reading: Reading, limit: Limit) -> list[Deciding]:
    value = reading.value
    if not isinstance(value, int | float):
        return []
    low, high = ends(reading)
    # Of two limits the one that the interval reaches over, and of these the nearer.
    crossed = [
        edge for edge in (limit.minimum, limit.maximum) if edge is not None and low <= edge <= high
    ]
    edge = min(crossed, key=lambda at: abs(at - value), default=value)
    distance = abs(edge - value)
    if UNCALIBRATED in reading.flags:
        return [Deciding(way="declaring", distance=distance)]
    if FLOOR in reading.flags:
        return [Deciding(way="receiver", distance=distance)]
    if reading.bound is not None:
        return [Deciding(way="neither", distance=distance)]
    if reading.name == RATE:
        times = _times_longer(reading, edge)
        if times is None:
            return [Deciding(way="neither", distance=distance)]
        return [Deciding(way="watching", distance=distance, times=times)]
    half = abs((low if edge < value else high) - value)
    parts = [part for part in merge(reading.contributions) if part.kind == "B"]
    factor = reading.coverage_factor
    declared = factor * math.sqrt(sum(part.effect**2 for part in parts))
    scatter_squared = max(half**2 - declared**2, 0.0)
    ways = [
        *_by_averaging(reading, distance, scatter_squared, declared),
        *_by_calibration(distance, scatter_squared, declared, half, parts, factor),
    ]
    if scatter_squared < declared**2:
        ways.reverse()
    return ways or [Deciding(way="neither", distance=distance)]


def _by_averaging(
    reading: Reading, distance: float, scatter_squared: float, declared: float
) -> list[Deciding]:
    left = distance**2 - declared**2
    if left <= 0.0 or scatter_squared <= 0.0 or scatter_squared / left > MOST_TIMES:
        return []
    times = scatter_squared / left
    count = math.ceil(times * reading.count) if reading.count else None
    return [Deciding(way="averaging", distance=distance, times=times, count=count)]


def _by_calibration(
    distance: float,
    scatter_squared: float,
    declared: float,
    half: float,
    parts: Sequence[Contribution],
    factor: float,
) -> list[Deciding]:
    if not parts or declared <= 0.0 or half <= 0.0:
        return []
    part = max(parts, key=lambda one: abs(one.effect))
    others = declared**2 - (factor * part.effect) ** 2
    left = distance**2 - scatter_squared - others
    if left <= 0.0:
        return []
    return [
        Deciding(
            way="calibration",
            distance=distance,
            part=part,
            share=(factor * part.effect / half) ** 2,
            needed_uncertainty=math.sqrt(left) / factor,
        )
    ]


def _times_longer(reading: Reading, edge: float) -> float | None:
    """How many times as long a watch tells a rate from a limit, if key-ups come as often as now."""
    value = reading.value
    if not isinstance(value, int | float) or reading.interval is None:
        return None
    hours = reading.count / value if value > 0.0 else 0.0
    if not hours:
        # None was counted: the interval's upper end tells how long it was watched.
        _, most = garwood_interval(0)
        hours = most / reading.interval[1] if reading.interval[1] > 0.0 else 0.0
    if hours <= 0.0:
        return None
    times = 1.0
    while times <= MOST_TIMES:
        times *= 1.05
        low, high = garwood_interval(value * hours * times)
        if high / (hours * times) <= edge or low / (hours * times) > edge:
            return times
    return None
