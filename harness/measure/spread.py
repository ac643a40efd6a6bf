"""How far single times lie apart: their standard deviation, and in words least to greatest."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from scipy.special import chdtri

from harness.measure.hang_timer import LEAST_RUNS
from harness.measure.pairs import Pair
from harness.readings import ConditionValue, Reading

LEAST_FOR_QUARTILES = 20
"""Fewer have no middle half that says more than their ends. Chosen."""
TAIL_SHARE = 0.025
"""Of each end of a 95 % interval."""


def spread_reading(
    name: str,
    pairs: Sequence[Pair],
    conditions: Mapping[str, ConditionValue],
    recordings: tuple[str, ...],
) -> list[Reading]:
    """Give the standard deviation of single times, the measurement's own noise taken off.

    Returns
    -------
    list of one reading; none where there are too few times

    Notes
    -----
    The interval is that of a normal sample's variance by chi-square. Where its lower end is not
    above the noise, there is an upper bound and no more.
    """
    count = len(pairs)
    if count < LEAST_RUNS:
        return []
    variance = float(np.var([pair.lasted_s for pair in pairs], ddof=1))
    noise = float(np.mean([pair.noise_s**2 for pair in pairs]))
    # chdtri takes the share above.
    lower, upper = (
        (count - 1) * variance / float(chdtri(count - 1, share)) - noise
        for share in (TAIL_SHARE, 1.0 - TAIL_SHARE)
    )
    if lower <= 0.0:
        return [
            Reading(
                name=name,
                # The noise is not taken off: it may have been less than it is taken for.
                value=math.sqrt(upper + noise),
                unit="s",
                bound="upper",
                count=count,
                conditions=conditions,
                recordings=recordings,
                note="The measurement's own noise explains what there is.",
            )
        ]
    value_s, lower_s, upper_s = (math.sqrt(v) for v in (variance - noise, lower, upper))
    return [
        Reading(
            name=name,
            value=value_s,
            unit="s",
            expanded_uncertainty=max(upper_s - value_s, value_s - lower_s),
            interval=(lower_s, upper_s),
            count=count,
            conditions=conditions,
            recordings=recordings,
        )
    ]


def range_in_words(pairs: Sequence[Pair]) -> str:
    """Say least and greatest of several times, and where their middle half lies; or nothing."""
    if len(pairs) < 2:
        return ""
    times_s = np.array([pair.lasted_s for pair in pairs])
    said = f"{len(pairs)} times, {_to(times_s.min(), times_s.max())}"
    if len(pairs) >= LEAST_FOR_QUARTILES:
        low_s, middle_s, high_s = np.quantile(times_s, (0.25, 0.5, 0.75))
        said += f", median {_to(middle_s)}, half of them {_to(low_s, high_s)}"
    return said + "."


def _to(*times_s: float) -> str:
    """Write times of one length, to 0.01 ms below a second."""
    if max(times_s) < 1.0:
        return " to ".join(f"{1e3 * time_s:.2f}" for time_s in times_s) + " ms"
    return " to ".join(f"{time_s:.4f}" for time_s in times_s) + " s"
