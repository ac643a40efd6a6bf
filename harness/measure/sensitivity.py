"""Sensitivity from SINAD against level: where the curve crosses 12 dB."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.readings import ConditionValue, Reading, measured, not_measured
from harness.uncertainty import Contribution
from harness.units import uv_from_dbm

FloatArray = NDArray[np.float64]

WANTED_SINAD_DB = 12.0
REACH_DB = 6.0
"""Points within this of 12 dB are fitted, the nearer the heavier (tricube): further down clicks
bend the curve, further up it flattens toward the unit's own distortion. Chosen."""
LEAST_POINT_DB = 0.05
"""Least standard uncertainty of a point: the parabola is not the true curve. Chosen."""


@dataclass(frozen=True, slots=True)
class SinadPoint:
    """SINAD at one level, with its standard uncertainty."""

    level_port_dbm: float
    sinad_db: float
    standard_uncertainty_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity:
    """The reading, and the fitted curve (levels, SINAD) where there is one."""

    reading: Reading
    curve: tuple[FloatArray, FloatArray] | None


def sensitivity(
    points: Sequence[SinadPoint],
    level_contributions: Sequence[Contribution],
    *,
    conditions: Mapping[str, ConditionValue],
    recordings: tuple[str, ...],
) -> Sensitivity:
    """Fit SINAD against level near 12 dB and give the level of 12 dB.

    Parameters
    ----------
    points : at any levels, repeats allowed
    level_contributions : uncertainty that all levels share, in dB

    Returns
    -------
    Sensitivity : a bound where all points lie on one side of 12 dB; "not measured" without points

    Notes
    -----
    Local regression (W. S. Cleveland, J. Am. Stat. Assoc. 74 (1979) 829, from memory): a parabola
    through the points near 12 dB, weighted by their own uncertainty and by a tricube of their
    distance from 12 dB; a line where they are fewer than four levels. Uncertainty: of the fit at
    the crossing (scatter of the points about the curve where that is larger than their own),
    divided by the slope there.
    """
    name = "sensitivity_12db_sinad"
    more = {"conditions": dict(conditions), "recordings": recordings}
    if not points:
        note = "no step of the sweep has a SINAD"
        return Sensitivity(reading=not_measured(name, note, **more), curve=None)
    level = np.array([p.level_port_dbm for p in points])
    sinad = np.array([p.sinad_db for p in points])
    if sinad.min() >= WANTED_SINAD_DB or sinad.max() <= WANTED_SINAD_DB:
        return Sensitivity(reading=_bound(points, level_contributions, more), curve=None)
    near = np.abs(sinad - WANTED_SINAD_DB) < REACH_DB
    both = near.any() and sinad[near].min() < WANTED_SINAD_DB < sinad[near].max()
    if not both:
        below = level[sinad < WANTED_SINAD_DB].max()
        above = level[sinad >= WANTED_SINAD_DB].min()
        near = (level == below) | (level == above)
    distance = np.minimum(np.abs(sinad[near] - WANTED_SINAD_DB) / REACH_DB, 0.99)
    kernel = (1.0 - distance**3) ** 3
    middle = float(np.average(level[near], weights=kernel))
    degree = 2 if both and len(np.unique(np.round(level[near], 1))) >= 4 else 1
    sigma = np.array([max(p.standard_uncertainty_db, LEAST_POINT_DB) for p in points])[near]
    x = level[near] - middle
    basis = np.vander(x, degree + 1, increasing=True)
    weight = kernel / sigma**2
    inverse = np.linalg.inv(basis.T @ (basis * weight[:, None]))
    coefficients = inverse @ (basis.T @ (sinad[near] * weight))
    # Of a weighted fit: what the points' own variances make of the coefficients.
    spread = basis * (weight * sigma)[:, None]
    covariance = inverse @ (spread.T @ spread) @ inverse
    freedom = int(near.sum()) - degree - 1
    if freedom > 0:
        rest = ((sinad[near] - basis @ coefficients) / sigma) ** 2 * kernel
        freedom_share = float(kernel.sum()) * freedom / int(near.sum())
        covariance = covariance * max(float(rest.sum()) / freedom_share, 1.0)
    found = _crossing(coefficients, x)
    if found is None:
        note = "SINAD does not rise with level through 12 dB"
        return Sensitivity(reading=not_measured(name, note, **more), curve=None)
    crossing, slope = found
    at = np.vander([crossing], degree + 1, increasing=True)[0]
    standard_db = float(np.sqrt(at @ covariance @ at)) / slope
    if freedom <= 0:
        # Nothing checks a line through two points: let it be off by a tenth of their distance.
        standard_db = float(np.hypot(standard_db, 0.1 * np.ptp(x) / np.sqrt(3.0)))
    fit = Contribution(
        name="sensitivity.fit",
        standard_uncertainty=standard_db,
        kind="A",
        source="least squares of SINAD against level",
    )
    value_dbm = middle + crossing
    reading = measured(
        name,
        value_dbm,
        [fit, *level_contributions],
        count=int(near.sum()),
        note=f"{uv_from_dbm(value_dbm):.3g} \N{MICRO SIGN}V across 50 ohm",
        **more,
    )
    fine = np.linspace(x.min(), x.max(), 101)
    curve = np.vander(fine, degree + 1, increasing=True) @ coefficients
    return Sensitivity(reading=reading, curve=(fine + middle, curve))


def _crossing(coefficients: FloatArray, x: FloatArray) -> tuple[float, float] | None:
    """Find where the curve is 12 dB on its rising side nearest to the points, and its slope."""
    polynomial = np.polynomial.Polynomial(coefficients)
    slope = polynomial.deriv()
    roots = (polynomial - WANTED_SINAD_DB).roots()
    real = [float(r.real) for r in np.atleast_1d(roots) if abs(r.imag) < 1e-9]
    rising = [r for r in real if slope(r) > 0.0]
    if not rising:
        return None
    best = min(rising, key=lambda r: max(x.min() - r, r - x.max(), 0.0))
    return best, float(slope(best))


def _bound(
    points: Sequence[SinadPoint],
    level_contributions: Sequence[Contribution],
    more: Mapping[str, object],
) -> Reading:
    """All points on one side of 12 dB: the nearest level is a bound."""
    name = "sensitivity_12db_sinad"
    all_above = points[0].sinad_db >= WANTED_SINAD_DB
    levels = [p.level_port_dbm for p in points]
    value = min(levels) if all_above else max(levels)
    return measured(
        name,
        value,
        level_contributions,
        count=len(points),
        bound="upper" if all_above else "lower",
        note=(
            "SINAD is above 12 dB at every level measured; go lower, with a looser squelch"
            if all_above
            else "SINAD is below 12 dB at every level measured; go higher"
        ),
        **more,
    )
