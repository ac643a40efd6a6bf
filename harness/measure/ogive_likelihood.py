"""The likelihood of draws from a normal distribution of which only bounds were seen.

What the draws are, and why, stands in ``ogive.py``.

Method: with slope b = 1/sigma and a = mean/sigma the log likelihood is concave (the probability
of an interval under a log-concave density is log-concave in its ends: Prekopa 1973, from memory),
so a damped Newton climb finds its only top. Intervals are profile likelihoods: all means for
which the best other parameter brings 2 log L to within a critical value of its top. For n draws
bounded on both sides this value is n log(1 + t^2/(n - 1)), t the 97.5 % point of Student's
distribution for n - 1: in the limit of fine steps the interval is then exactly Student's, where
the usual 3.84 would say too little for few sweeps. For trials it is 3.84.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import log_ndtr, stdtrit

from harness.units import FloatArray

CHI_SQUARE_95 = 3.8414588
"""95 % point of chi-square with one degree of freedom: 1.959964 squared."""
SHARPEST = 0.02
"""Least sigma that is tried, as a share of the finest step: nothing finer can be seen. Chosen."""
FLATTEST = 1e4
"""Largest sigma that is tried, as a multiple of the range of the levels; a top there is none."""
HALF_LOG_TWO_PI = 0.5 * math.log(2.0 * math.pi)


@dataclass(frozen=True, slots=True, kw_only=True)
class Draws:
    """Draws of which only bounds were seen: float64 arrays of one shape (n,).

    Each of ``weight`` like draws lies above ``lower`` and at or below ``upper``.
    """

    lower: FloatArray
    upper: FloatArray
    weight: FloatArray

    def __post_init__(self) -> None:
        """Refuse what is no interval."""
        if not len(self.lower) == len(self.upper) == len(self.weight):
            raise ValueError("lower, upper and weight differ in length")
        if len(self.lower) and not (self.lower < self.upper).all():
            raise ValueError("a draw's lower bound is not below its upper one")


def draws_from_bounds(bounds: Sequence[tuple[float, float]]) -> Draws:
    """Make draws of sweeps: one (lower, upper) each; an end may be infinite."""
    ends = np.array(bounds, dtype=np.float64).reshape(-1, 2)
    return Draws(lower=ends[:, 0], upper=ends[:, 1], weight=np.ones(len(ends)))


def draws_from_trials(levels: FloatArray, keyed: FloatArray, trials: FloatArray) -> Draws:
    """Make draws of independent trials: ``keyed`` of ``trials`` at each level, shape (n,)."""
    levels = np.asarray(levels, dtype=np.float64)
    yes, every = np.asarray(keyed, dtype=np.float64), np.asarray(trials, dtype=np.float64)
    if not ((yes >= 0) & (yes <= every)).all():
        raise ValueError("more keyed than tried, or fewer than none")
    lower = np.concatenate([np.full(len(levels), -np.inf), levels])
    upper = np.concatenate([levels, np.full(len(levels), np.inf)])
    weight = np.concatenate([yes, every - yes])
    kept = weight > 0
    return Draws(lower=lower[kept], upper=upper[kept], weight=weight[kept])


def finite_ends(values: FloatArray) -> FloatArray:
    """Leave out the open ends."""
    return values[np.isfinite(values)]


class Likelihood:
    """The log likelihood of draws, in levels counted from ``origin`` in units of ``scale``."""

    def __init__(self, draws: Draws, origin: float, scale: float, bounded: int) -> None:
        self.origin, self.scale, self.bounded = origin, scale, bounded
        self.lower = (draws.lower - origin) / scale
        self.upper = (draws.upper - origin) / scale
        self.weight = draws.weight
        ends = np.concatenate([finite_ends(self.lower), finite_ends(self.upper)])
        self.first, self.last = float(ends.min()), float(ends.max())
        self.range = max(self.last - self.first, 1.0)
        self.steepest = 1.0 / SHARPEST
        self.shallowest = 1.0 / (FLATTEST * self.range)
        self.critical = CHI_SQUARE_95
        self.student = math.sqrt(CHI_SQUARE_95)
        self.degrees_of_freedom = math.inf
        if bounded >= 2:
            self.degrees_of_freedom = bounded - 1.0
            self.student = float(stdtrit(self.degrees_of_freedom, 0.975))
            self.critical = bounded * math.log1p(self.student**2 / self.degrees_of_freedom)

    def at(self, a: float, b: float) -> tuple[float, FloatArray, FloatArray]:
        """Log likelihood at (a, b), its gradient (2,) and its Hessian (2, 2)."""
        low, high = b * self.lower - a, b * self.upper - a
        turned = low > 0.0
        # On the far side both are mirrored: differences of small numbers, not of numbers near 1.
        near, far = np.where(turned, -low, high), np.where(turned, -high, low)
        log_near = log_ndtr(near)
        with np.errstate(over="ignore"):
            log_p = log_near + np.log1p(-np.exp(np.minimum(log_ndtr(far) - log_near, -1e-300)))
        ratio_low, low = _density_ratio(low, log_p)
        ratio_high, high = _density_ratio(high, log_p)
        at_low = np.where(ratio_low > 0.0, self.lower, 0.0)
        at_high = np.where(ratio_high > 0.0, self.upper, 0.0)
        w = self.weight
        gradient = np.array(
            [
                np.sum(w * (ratio_low - ratio_high)),
                np.sum(w * (at_high * ratio_high - at_low * ratio_low)),
            ]
        )
        hh = -high * ratio_high - ratio_high**2
        ll = low * ratio_low - ratio_low**2
        hl = ratio_high * ratio_low
        hessian_ab = -np.sum(w * (at_high * (hh + hl) + at_low * (ll + hl)))
        hessian = np.array(
            [
                [np.sum(w * (hh + ll + 2.0 * hl)), hessian_ab],
                [
                    hessian_ab,
                    np.sum(w * (at_high**2 * hh + at_low**2 * ll + 2.0 * at_high * at_low * hl)),
                ],
            ]
        )
        return float(np.sum(w * log_p)), gradient, hessian

    def top(self) -> tuple[float, float, float]:
        """Give (a, b, log likelihood) of the top, b kept between its limits."""
        middle = np.clip(
            (np.maximum(self.lower, self.first) + np.minimum(self.upper, self.last)) / 2.0,
            self.first,
            self.last,
        )
        mean = float(np.average(middle, weights=self.weight))
        spread = float(np.sqrt(np.average((middle - mean) ** 2, weights=self.weight))) + 0.5
        a, b = mean / spread, 1.0 / spread
        value, gradient, hessian = self.at(a, b)
        for _ in range(200):
            step = _newton(gradient, hessian)
            rise = float(gradient @ step)
            if rise < 1e-13:
                break
            share = 1.0
            while True:
                b_next = min(max(b + share * step[1], self.shallowest), self.steepest)
                a_next = a + share * step[0]
                following = self.at(a_next, b_next)
                if following[0] >= value + 1e-4 * share * rise or share < 1e-9:
                    break
                share /= 2.0
            gained = following[0] - value
            a, b, (value, gradient, hessian) = a_next, b_next, following
            if gained < 1e-12 and share < 1.0:
                break
            if b >= self.steepest and gained < 1e-9:
                break
        return float(a), float(b), value

    def best_at_mean(self, mean: float) -> float:
        """Log likelihood at a mean with the slope that suits it best."""

        def along(log_b: float) -> tuple[float, float, float]:
            b = math.exp(log_b)
            value, gradient, hessian = self.at(mean * b, b)
            way = np.array([mean, 1.0])
            slope, bend = float(gradient @ way), float(way @ hessian @ way)
            return value, slope * b, bend * b * b + slope * b

        return _highest(along, math.log(self.shallowest), math.log(self.steepest), 0.0)

    def best_at_slope(self, b: float) -> float:
        """Log likelihood at a slope with the mean that suits it best."""

        def along(a: float) -> tuple[float, float, float]:
            value, gradient, hessian = self.at(a, b)
            return value, float(gradient[0]), float(hessian[0, 0])

        reach = 1.0 + b * self.range
        middle = b * (self.first + self.last) / 2.0
        return _highest(along, middle - 5.0 * reach, middle + 5.0 * reach, middle)

    def mean_interval(self, mean: float, top: float) -> tuple[float, float]:
        """Means whose profile lies within the critical value of the top, in levels."""
        floor = top - self.critical / 2.0

        def above(x: float) -> float:
            return self.best_at_mean(x) - floor

        ends = [_edge(above, mean, way, 30.0 * self.range) for way in (-1.0, 1.0)]
        return self.origin + self.scale * ends[0], self.origin + self.scale * ends[1]

    def sigma_interval(self, sigma: float, top: float) -> tuple[float, float]:
        """Sigmas whose profile lies within the critical value of the top, in levels' unit."""
        floor = top - self.critical / 2.0

        def above(log_sigma: float) -> float:
            return self.best_at_slope(math.exp(-log_sigma)) - floor

        at = math.log(sigma)
        sharpest = math.log(SHARPEST)
        low = 0.0
        if above(sharpest) < 0.0:
            low = self.scale * math.exp(_edge(above, at, -1.0, at - sharpest))
        widest = _edge(above, at, 1.0, math.log(FLATTEST * self.range) - at)
        return low, self.scale * math.exp(widest) if math.isfinite(widest) else math.inf


def _density_ratio(z: FloatArray, log_p: FloatArray) -> tuple[FloatArray, FloatArray]:
    """phi(z) / p, and z with 0 where it is infinite."""
    finite = np.isfinite(z)
    z = np.where(finite, z, 0.0)
    # exp(-700) is 1e-304: what is less does not count, what is more cannot be.
    power = np.clip(-0.5 * z * z - HALF_LOG_TWO_PI - log_p, -700.0, 700.0)
    ratio = np.where(finite & (power > -690.0), np.exp(power), 0.0)
    return ratio, z


def _newton(gradient: FloatArray, hessian: FloatArray) -> FloatArray:
    """Step uphill of a concave function; along the gradient where it is nearly flat."""
    damped = -hessian + 1e-12 * max(float(-np.trace(hessian)), 1e-12) * np.eye(2)
    try:
        step = np.linalg.solve(damped, gradient)
    except np.linalg.LinAlgError:
        return gradient
    return np.asarray(step if float(gradient @ step) > 0.0 else gradient, dtype=np.float64)


def _highest(
    along: Callable[[float], tuple[float, float, float]], low: float, high: float, start: float
) -> float:
    """Give the greatest value of a one-humped function: Newton, halving where that leaves."""
    at = min(max(start, low), high)
    best = -math.inf
    for _ in range(60):
        value, slope, bend = along(at)
        best = max(best, value)
        if slope > 0.0:
            low = at
        else:
            high = at
        if high - low < 1e-9 or abs(slope) < 1e-9:
            break
        following = at - slope / bend if bend < 0.0 else math.inf
        at = following if low < following < high else (low + high) / 2.0
    return best


def _edge(above: Callable[[float], float], start: float, way: float, most: float) -> float:
    """Where a function that is above 0 at ``start`` first falls to 0; infinite if not in reach."""
    reach, inside = min(0.25, most), 0.0
    while above(start + way * reach) > 0.0:
        inside = reach
        if reach >= most:
            return way * math.inf
        reach = min(2.0 * reach, most)
    if inside == 0.0 and above(start) <= 0.0:
        return start
    found = brentq(lambda far: above(start + way * far), inside, reach, xtol=1e-7, rtol=1e-7)
    return start + way * float(found)
