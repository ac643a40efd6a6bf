"""Where a measured curve passes a wanted value: SINAD and quieting against level or offset.

Local regression (W. S. Cleveland, J. Am. Stat. Assoc. 74 (1979) 829, from memory): a parabola
through the points near the wanted value, weighted by their own uncertainty and by a tricube of
their distance; a line where they are few. Distance is taken along the curve itself, found by the
round before: were it each point's own, points would count by how their noise fell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

ROUNDS = 3
"""The first goes by the points themselves, the others by the curve. Chosen."""
LEAST_POINT_DB = 0.05
"""Least standard uncertainty of a point: the parabola is not the true curve. Chosen."""
UNCHECKED_SHARE = 0.1
"""A line through two points may be off by this share of their distance, evenly. Chosen."""
OUTSIDE_SHARE = 0.1
"""A crossing may lie this share of the points' width outside of them. Chosen."""
FARTHEST = 0.99
"""Share of the reach at which a point still counts for next to nothing, not for nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """Where the curve passes the wanted value, rising.

    Parameters
    ----------
    at : float, in the unit of x
    standard_uncertainty : float, of the fit, in the unit of x
    slope : float, above 0, unit of y per unit of x
    count : int, points that it rests on
    x, y : float64, shape (101,), the fitted curve
    """

    at: float
    standard_uncertainty: float
    slope: float
    count: int
    x: FloatArray
    y: FloatArray


def crossing(
    x: FloatArray, y: FloatArray, sigma: FloatArray, *, wanted: float, reach: float
) -> Crossing | None:
    """Fit a curve near a wanted value and give where it passes it on its rising side.

    Parameters
    ----------
    x, y, sigma : float64, shape (n,), in any order, repeats allowed; standard uncertainty of y
    wanted : float, in the unit of y; points lie on both sides of it
    reach : float, unit of y: points further from ``wanted`` do not count

    Returns
    -------
    Crossing, or None where the curve does not rise through the wanted value

    Notes
    -----
    Uncertainty: of the fit at the crossing (scatter of the points about the curve where that is
    larger than their own), divided by the slope there.
    """
    sigma = np.maximum(sigma, LEAST_POINT_DB)
    distance = np.abs(y - wanted) / reach
    found: Crossing | None = None
    for _ in range(ROUNDS):
        latest = _fitted(x, y, sigma, distance, wanted)
        if latest is None:
            break
        found = latest
        distance = np.abs(x - found.at) * found.slope / reach
    return found


def _fitted(
    x: FloatArray, y: FloatArray, sigma: FloatArray, distance: FloatArray, wanted: float
) -> Crossing | None:
    """Fit once, with the points' distances from the crossing as shares of the reach."""
    near = distance < 1.0
    both = bool(near.any()) and y[near].min() < wanted < y[near].max()
    if not both:
        if not (y < wanted).any() or not (y >= wanted).any():
            return None
        below, above = x[y < wanted].max(), x[y >= wanted].min()
        near = (x == below) | (x == above)
        if below == above:
            return None
    kernel = (1.0 - np.minimum(distance[near], FARTHEST) ** 3) ** 3
    middle = float(np.average(x[near], weights=kernel))
    different = len(np.unique(np.round((x[near] - middle) / max(np.ptp(x[near]), 1e-9), 3)))
    if different < 2:
        return None
    degree = 2 if both and different >= 4 else 1
    basis = np.vander(x[near] - middle, degree + 1, increasing=True)
    weight = kernel / sigma[near] ** 2
    inverse = np.linalg.inv(basis.T @ (basis * weight[:, None]))
    coefficients = inverse @ (basis.T @ (y[near] * weight))
    # Of a weighted fit: what the points' own variances make of the coefficients.
    spread = basis * (weight * sigma[near])[:, None]
    covariance = inverse @ (spread.T @ spread) @ inverse
    freedom = int(near.sum()) - degree - 1
    if freedom > 0:
        rest = ((y[near] - basis @ coefficients) / sigma[near]) ** 2 * kernel
        share = float(kernel.sum()) * freedom / int(near.sum())
        covariance = covariance * max(float(rest.sum()) / share, 1.0)
    span = x[near] - middle
    root = _root(coefficients, wanted, float(span.min()), float(span.max()))
    if root is None:
        return None
    at, slope = root
    there = np.vander([at], degree + 1, increasing=True)[0]
    standard = float(np.sqrt(there @ covariance @ there)) / slope
    if freedom <= 0:
        standard = float(np.hypot(standard, UNCHECKED_SHARE * np.ptp(span) / np.sqrt(3.0)))
    fine = np.linspace(span.min(), span.max(), 101)
    return Crossing(
        at=middle + at,
        standard_uncertainty=standard,
        slope=slope,
        count=int(near.sum()),
        x=fine + middle,
        y=np.vander(fine, degree + 1, increasing=True) @ coefficients,
    )


def _root(
    coefficients: FloatArray, wanted: float, low: float, high: float
) -> tuple[float, float] | None:
    """Find where the curve passes on its rising side, among the points, and its slope there.

    Of a parabola's two crossings one rises. By the form that holds for a straight line too: the
    roots of a parabola that hardly bends, as a general solver gives them, are off by 0.1 dB.
    """
    start, slope = float(coefficients[0]) - wanted, float(coefficients[1])
    bend = float(coefficients[2]) if len(coefficients) > 2 else 0.0
    square = slope * slope - 4.0 * bend * start
    if not square > 0.0:
        return None
    rising = float(np.sqrt(square))
    if slope > 0.0:
        at = -2.0 * start / (slope + rising)
    elif bend > 0.0:
        at = (rising - slope) / (2.0 * bend)
    else:
        return None
    beyond = OUTSIDE_SHARE * (high - low)
    return (at, rising) if low - beyond <= at <= high + beyond else None
