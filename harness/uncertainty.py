"""Contributions to uncertainty, how they combine, and intervals.

A contribution has a name and is one quantity wherever it appears. A result holds its sensitivity
to each name, so what two results share (one calibration) drops out of their difference before
anything is squared. Combined after JCGM 100: 5.1.2 for the sum of squares, G.4 for the effective
degrees of freedom (clauses from memory; the H.1 example in the tests was read).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

COVERAGE_PROBABILITY = 0.9545
"""Two sides of two standard deviations of a normal: the level that k = 2 stands for."""
MANY_DEGREES_OF_FREEDOM = 50.0
"""Above this the t factor at 95.45 % is below 2.06 and k = 2 is used (JCGM 100 G.6.6, memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One named source of uncertainty and how far it moves the result.

    Parameters
    ----------
    name : str
        Dotted, the same wherever the same quantity enters: ``packing-shed.output.path``.
    standard_uncertainty : float, 0 or more, in the unit of the named quantity
    sensitivity : float
        Change of the result per unit of the named quantity, with its sign.
    kind : "A" from repetition in the data, "B" declared or from a table
    degrees_of_freedom : float, above 0, may be infinite
    source : str
        Where the figure comes from.
    """

    name: str
    standard_uncertainty: float
    sensitivity: float = 1.0
    kind: Literal["A", "B"] = "B"
    degrees_of_freedom: float = math.inf
    source: str = ""

    @property
    def effect(self) -> float:
        """Signed standard uncertainty that it gives the result, in the unit of the result."""
        return self.sensitivity * self.standard_uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class Expanded:
    """Combined uncertainty of a result: U = coverage_factor * standard_uncertainty."""

    standard_uncertainty: float
    degrees_of_freedom: float
    coverage_factor: float
    expanded_uncertainty: float


def merge(contributions: Iterable[Contribution]) -> tuple[Contribution, ...]:
    """Add the sensitivities of contributions of one name, so that each name stands once."""
    merged: dict[str, Contribution] = {}
    for contribution in contributions:
        earlier = merged.get(contribution.name)
        if earlier is None:
            merged[contribution.name] = contribution
            continue
        if not math.isclose(
            earlier.standard_uncertainty, contribution.standard_uncertainty, rel_tol=1e-9
        ):
            raise ValueError(f"two uncertainties for one quantity {contribution.name!r}")
        merged[contribution.name] = replace(
            earlier, sensitivity=earlier.sensitivity + contribution.sensitivity
        )
    return tuple(merged.values())


def scaled(contributions: Iterable[Contribution], factor: float) -> tuple[Contribution, ...]:
    """Multiply every sensitivity by a factor: the contributions of ``factor * result``."""
    return tuple(replace(c, sensitivity=c.sensitivity * factor) for c in contributions)


def difference(
    first: Sequence[Contribution], second: Sequence[Contribution]
) -> tuple[Contribution, ...]:
    """Contributions of ``first - second``: what both share with equal effect drops out."""
    return merge([*first, *scaled(second, -1.0)])


def combine(contributions: Iterable[Contribution]) -> Expanded:
    """Combine independent contributions into a standard and an expanded uncertainty.

    Notes
    -----
    k is 2 when the effective degrees of freedom (Welch-Satterthwaite) are many, else the
    two-sided t quantile at 95.45 %. No contribution at all gives U = 0 with k = 2.

    References
    ----------
    JCGM 100:2008, 5.1.2 and G.4.1 (clauses from memory).
    """
    merged = merge(contributions)
    variance = sum(c.effect**2 for c in merged)
    if variance == 0.0:
        return Expanded(
            standard_uncertainty=0.0,
            degrees_of_freedom=math.inf,
            coverage_factor=2.0,
            expanded_uncertainty=0.0,
        )
    share = sum(c.effect**4 / c.degrees_of_freedom for c in merged)
    freedom = variance**2 / share if share > 0.0 else math.inf
    factor = coverage_factor(freedom)
    standard = math.sqrt(variance)
    return Expanded(
        standard_uncertainty=standard,
        degrees_of_freedom=freedom,
        coverage_factor=factor,
        expanded_uncertainty=factor * standard,
    )


def coverage_factor(degrees_of_freedom: float) -> float:
    """Give k for 95.45 % coverage: 2 with many degrees of freedom, else the t quantile."""
    if degrees_of_freedom >= MANY_DEGREES_OF_FREEDOM:
        return 2.0
    from scipy.special import stdtrit

    return float(stdtrit(max(degrees_of_freedom, 1.0), 0.5 + COVERAGE_PROBABILITY / 2.0))


def rectangular(half_width: float) -> float:
    """Give the standard uncertainty of what lies evenly within +/- half_width (JCGM 100 4.3.7)."""
    return half_width / math.sqrt(3.0)


def garwood_interval(count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided interval of a Poisson mean from one count (Garwood 1936).

    Returns
    -------
    (lower, upper), in counts; lower is 0 for a count of 0.
    """
    from scipy.special import gammaincinv

    tail = (1.0 - confidence) / 2.0
    lower = float(gammaincinv(count, tail)) if count else 0.0
    return lower, float(gammaincinv(count + 1, 1.0 - tail))


def garwood_upper(count: int, confidence: float = 0.95) -> float:
    """Exact one-sided upper bound of a Poisson mean from one count (Garwood 1936)."""
    from scipy.special import gammaincinv

    return float(gammaincinv(count + 1, confidence))
