"""Contributions to uncertainty, how they combine, and intervals.

A contribution has a name and is one quantity wherever it appears. A result holds its sensitivity
to each name, so what two results share (one calibration) drops out of their difference before
anything is squared. Combined after JCGM 100: 5.1.2 for the sum of squares, G.4 for the effective
degrees of freedom (clauses from memory; the H.1 example in the tests was read). Where a
contribution is a rectangle, the coverage factor is that of the sum's own distribution (JCGM 101:
distributions are propagated, not only their spreads): two standard deviations of a rectangle lie
outside it, so that k = 2 would claim more than all.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Literal

import numpy as np

from harness.units import FloatArray

Distribution = Literal["normal", "rectangular"]

COVERAGE_PROBABILITY = 0.9545
"""Two sides of two standard deviations of a normal: the level that k = 2 stands for."""
MANY_DEGREES_OF_FREEDOM = 50.0
"""Above this the t factor at 95.45 % is below 2.06 and k = 2 is used (JCGM 100 G.6.6, memory)."""
SMALL_RECTANGLE = 0.1
"""A rectangle whose half-width is below this share of the whole standard uncertainty counts as a
normal: it is a three-hundredth of the variance, and its shape moves k by less than 1e-5."""
GRID = 4096
"""Steps in which a sum of several rectangles is worked out; chosen: k to 1e-4."""


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
    distribution : "normal", or "rectangular": evenly within sqrt(3) standard uncertainties
    """

    name: str
    standard_uncertainty: float
    sensitivity: float = 1.0
    kind: Literal["A", "B"] = "B"
    degrees_of_freedom: float = math.inf
    source: str = ""
    distribution: Distribution = "normal"

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
        if earlier.distribution != contribution.distribution:
            raise ValueError(f"two distributions for one quantity {contribution.name!r}")
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
    two-sided t quantile at 95.45 %; with rectangles among them the quantile of what is drawn from
    all, 1.653 for a rectangle alone. No contribution at all gives U = 0 with k = 2.

    References
    ----------
    JCGM 100:2008, 5.1.2, G.1.3 and G.4.1 (clauses from memory); JCGM 101:2008, 5.
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
    standard = math.sqrt(variance)
    freedom = _effective_freedom(merged)
    wide = [c for c in merged if _is_wide_rectangle(c, standard)]
    if wide:
        rest = [c for c in merged if not _is_wide_rectangle(c, standard)]
        factor = _factor_with_rectangles(
            round(math.sqrt(sum(c.effect**2 for c in rest)) / standard, 5),
            round(_effective_freedom(rest), 2),
            tuple(sorted(round(_half_width(c) / standard, 5) for c in wide)),
        )
    else:
        factor = coverage_factor(freedom)
    return Expanded(
        standard_uncertainty=standard,
        degrees_of_freedom=freedom,
        coverage_factor=factor,
        expanded_uncertainty=factor * standard,
    )


def _half_width(contribution: Contribution) -> float:
    return math.sqrt(3.0) * abs(contribution.effect)


def _is_wide_rectangle(contribution: Contribution, standard: float) -> bool:
    is_wide = _half_width(contribution) > SMALL_RECTANGLE * standard
    return contribution.distribution == "rectangular" and is_wide


def _effective_freedom(parts: Iterable[Contribution]) -> float:
    """Welch-Satterthwaite; infinite where no part has degrees of freedom."""
    held = tuple(parts)
    share = sum(c.effect**4 / c.degrees_of_freedom for c in held)
    return sum(c.effect**2 for c in held) ** 2 / share if share > 0.0 else math.inf


def coverage_factor(degrees_of_freedom: float) -> float:
    """Give k for 95.45 % coverage: 2 with many degrees of freedom, else the t quantile."""
    if degrees_of_freedom >= MANY_DEGREES_OF_FREEDOM:
        return 2.0
    from scipy.special import stdtrit

    return float(stdtrit(max(degrees_of_freedom, 1.0), 0.5 + COVERAGE_PROBABILITY / 2.0))


@lru_cache(maxsize=4096)
def _factor_with_rectangles(
    rest: float,
    freedom: float,
    half_widths: tuple[float, ...],
    probability: float = COVERAGE_PROBABILITY,
) -> float:
    """Give k of a normal or t distribution and rectangles together.

    Parameters
    ----------
    rest : standard uncertainty of all but the rectangles, as a share of the whole; may be 0
    freedom : its effective degrees of freedom
    half_widths : of the rectangles, as shares of the whole standard uncertainty, ascending
    probability : of the two-sided interval, at most that of ``coverage_factor``

    Notes
    -----
    A rectangle of half-width a averages a distribution function over 2 a. The widest one is
    averaged by formula, the others on a grid. The quantile lies below the rest's own quantile
    plus all half-widths, since the rectangles cannot reach further.
    """
    *others, widest = half_widths
    reach = coverage_factor(freedom) * rest + sum(half_widths)
    at = np.linspace(0.0, reach + sum(others), GRID + 1)
    # The distribution function less a half is odd, what it is the slope of is even: the right
    # half of both is enough.
    area = _area_under(rest, freedom)
    above_half = (area(at + widest) - area(at - widest)) / (2.0 * widest)
    for half in others:
        gathered = np.concatenate(
            [[0.0], np.cumsum((above_half[1:] + above_half[:-1]) / 2.0) * at[1]]
        )
        right, left = (np.interp(np.abs(at + way * half), at, gathered) for way in (1.0, -1.0))
        above_half = (right - left) / (2.0 * half)
    is_valid = at <= reach
    return float(np.interp(probability / 2.0, above_half[is_valid], at[is_valid]))


def _area_under(scale: float, freedom: float) -> Callable[[FloatArray], FloatArray]:
    """Give the integral of a normal's or t's distribution function less a half.

    By parts it is x (F(x) - 1/2) plus, for a normal, its density; for t of v degrees of freedom
    its density times (v + x^2) / (v - 1), and -log(1 + x^2) / (2 pi) at v = 1. With no scale it
    is the step's, |x| / 2.
    """
    if scale == 0.0:
        return lambda x: np.abs(x) / 2.0
    if freedom >= MANY_DEGREES_OF_FREEDOM:

        def of_normal(x: FloatArray) -> FloatArray:
            z = x / scale
            above_half = np.array([math.erf(one / math.sqrt(2.0)) / 2.0 for one in z])
            density = np.exp(-(z**2) / 2.0) / math.sqrt(2.0 * math.pi)
            gathered: FloatArray = scale * (z * above_half + density)
            return gathered

        return of_normal
    from scipy.special import stdtr

    v = max(freedom, 1.0)

    def of_t(x: FloatArray) -> FloatArray:
        z: Any = x / scale
        if v == 1.0:
            tail = -np.log1p(z**2) / (2.0 * math.pi)
        else:
            peak = math.lgamma((v + 1.0) / 2.0) - math.lgamma(v / 2.0)
            density = math.exp(peak) / math.sqrt(v * math.pi)
            tail = density * (1.0 + z**2 / v) ** ((1.0 - v) / 2.0) * v / (v - 1.0)
        return np.asarray(scale * (z * (stdtr(v, z) - 0.5) + tail), dtype=np.float64)

    return of_t


def rectangular(half_width: float) -> float:
    """Give the standard uncertainty of what lies evenly within +/- half_width (JCGM 100 4.3.7).

    A contribution that is this alone has ``distribution="rectangular"``.
    """
    return half_width / math.sqrt(3.0)


def garwood_interval(count: float, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided interval of a Poisson mean from one count (Garwood 1936).

    An expected count, which need not be whole, is taken as it is.

    Returns
    -------
    (lower, upper), in counts; lower is 0 for a count of 0.
    """
    from scipy.special import gammaincinv

    tail = (1.0 - confidence) / 2.0
    lower = float(gammaincinv(count, tail)) if count else 0.0
    return lower, float(gammaincinv(count + 1, 1.0 - tail))


def garwood_upper(count: float, confidence: float = 0.95) -> float:
    """Exact one-sided upper bound of a Poisson mean from one count (Garwood 1936).

    An expected count, which need not be whole, is taken as it is.
    """
    from scipy.special import gammaincinv

    return float(gammaincinv(count + 1, confidence))
