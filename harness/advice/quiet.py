"""What time without a signal proves of false keying.

Theory
------
Key-ups without a signal are taken to come one by one, none because of another, at a rate that does
not change: a Poisson process. Of k key-ups in a time T that was fixed beforehand, the one-sided
95 % upper bound of the rate is Garwood's, chi-square(0.95; 2 k + 2) / 2 T. With no key-up it is
-ln(0.05) / T = 2.9957 / T, the "3.0 / T" of the trade; each key-up seen makes it dearer: 4.74 / T
after one, 6.30 / T after two.

One side, not two: only too many key-ups matter, so all of the 5 % may stand on that side. The
interval of the reading ``false_keying_rate`` has two ends; its upper one is passed with a chance of
2.5 %, not 5 %, and is 3.69 / T with no key-up. Verdicts against a limit go by that one, advice by
this one; both are exact, and the text says which it is.

What it does not hold for: key-ups that come in bursts (one cause, many key-ups), a watch that is
ended because it looks good just then, another day with other interference.

References
----------
F. Garwood, Fiduciary limits for the Poisson distribution, Biometrika 28 (1936) 437-442 (title and
page from memory; its values recomputed from chi-square quantiles in the tests).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.uncertainty import garwood_interval, garwood_upper

CONFIDENCE = 0.95
HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """How often the transmitter keyed in how long a time without a signal.

    ``key_ups`` is 0 or more, ``watched_s`` above 0.
    """

    key_ups: int
    watched_s: float

    def __post_init__(self) -> None:
        """Refuse what nobody can have watched."""
        if self.key_ups < 0 or not 0.0 < self.watched_s < math.inf:
            raise ValueError(f"{self.key_ups=} in {self.watched_s=} cannot be")

    @property
    def rate_per_h(self) -> float:
        """Key-ups in an hour, as seen."""
        return self.key_ups * HOUR_S / self.watched_s

    @property
    def upper_per_h(self) -> float:
        """One-sided 95 % upper bound of the rate: the least limit that this time can support."""
        return garwood_upper(self.key_ups, CONFIDENCE) * HOUR_S / self.watched_s

    @property
    def lower_per_h(self) -> float:
        """One-sided 95 % lower bound of the rate."""
        both_tails = 2.0 * CONFIDENCE - 1.0
        return garwood_interval(self.key_ups, both_tails)[0] * HOUR_S / self.watched_s


def needed_s(limit_per_h: float, key_ups: int = 0) -> float:
    """Time in which no more than so many key-ups prove a limit; infinite for a limit of 0."""
    if limit_per_h <= 0.0:
        return math.inf
    return garwood_upper(key_ups, CONFIDENCE) * HOUR_S / limit_per_h


def needed_at_rate_s(limit_per_h: float, rate_per_h: float) -> float:
    """Time after which the bound falls under a limit if key-ups go on coming at a rate.

    Parameters
    ----------
    limit_per_h : float, above 0
    rate_per_h : float, 0 or more

    Returns
    -------
    float : infinite when the rate is not below the limit; no watching proves it then

    Notes
    -----
    Solves upper(rate t) = limit t for t; the expected count need not be whole. The bound of a
    count is concave in it, so that limit t less the bound is convex, negative at t = 0, and
    crosses zero once.
    """
    if not rate_per_h < limit_per_h:
        return math.inf

    def is_proven(time_h: float) -> bool:
        return garwood_upper(rate_per_h * time_h, CONFIDENCE) <= limit_per_h * time_h

    short_h = 0.0
    long_h = needed_s(limit_per_h) / HOUR_S
    while not is_proven(long_h):
        short_h, long_h = long_h, 2.0 * long_h
    for _ in range(60):
        middle_h = 0.5 * (short_h + long_h)
        if is_proven(middle_h):
            long_h = middle_h
        else:
            short_h = middle_h
    return long_h * HOUR_S
