"""Sensitivity from SINAD against level: where the curve crosses 12 dB."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from harness.measure.crossing import crossing
from harness.readings import ConditionValue, Reading, measured, not_measured
from harness.uncertainty import Contribution
from harness.units import uv_from_dbm

FloatArray = NDArray[np.float64]

WANTED_SINAD_DB = 12.0
REACH_DB = 6.0
"""Points within this of 12 dB are fitted, the nearer the heavier: further down clicks bend the
curve, further up it flattens toward the unit's own distortion. Chosen."""
CLIFF_DB_PER_DB = 8.0
"""Steeper than this SINAD does not fall by noise, but where a squelch closes. Chosen: it falls by
2 to 3.5 dB per dB about 12 dB, in a receiver's model and in the simulated one."""
SURE = 3.0
"""Standard uncertainties by which two points have to differ for it. Chosen."""


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
    sweep: str = "",
) -> Sensitivity:
    """Fit SINAD against level near 12 dB and give the level of 12 dB.

    Parameters
    ----------
    points : at any levels, repeats allowed
    level_contributions : uncertainty that all levels share, in dB
    sweep : what tells this sweep from the others of its recording, for the name of the fit

    Returns
    -------
    Sensitivity : a bound where all points lie on one side of 12 dB; "not measured" without points
    """
    name = "sensitivity_12db_sinad"
    more = {"conditions": dict(conditions), "recordings": recordings}
    if not points:
        note = "no step of the sweep has a SINAD"
        return Sensitivity(reading=not_measured(name, note, **more), curve=None)
    level = np.array([p.level_port_dbm for p in points])
    sinad = np.array([p.sinad_db for p in points])
    sigma = np.array([p.standard_uncertainty_db for p in points])
    if sinad.min() >= WANTED_SINAD_DB or sinad.max() <= WANTED_SINAD_DB:
        return Sensitivity(reading=_bound(points, level_contributions, more), curve=None)
    cliff_dbm = _cliff_dbm(level, sinad, sigma)
    if cliff_dbm is not None:
        note = "SINAD falls off a cliff below that: the squelch closes; go on with a looser one"
        reading = measured(
            name,
            cliff_dbm,
            level_contributions,
            count=len(points),
            bound="upper",
            note=note,
            **more,
        )
        return Sensitivity(reading=reading, curve=None)
    found = crossing(level, sinad, sigma, wanted=WANTED_SINAD_DB, reach=REACH_DB)
    if found is None:
        note = "SINAD does not rise with level through 12 dB"
        return Sensitivity(reading=not_measured(name, note, **more), curve=None)
    fit = Contribution(
        name=f"sensitivity.fit {sweep}".strip(),
        standard_uncertainty=found.standard_uncertainty,
        kind="A",
        source="least squares of SINAD against level",
    )
    reading = measured(
        name,
        found.at,
        [fit, *level_contributions],
        count=found.count,
        note=f"{uv_from_dbm(found.at):.3g} \N{MICRO SIGN}V across 50 ohm",
        **more,
    )
    return Sensitivity(reading=reading, curve=(found.x, found.y))


def _cliff_dbm(level_dbm: FloatArray, sinad_db: FloatArray, sigma_db: FloatArray) -> float | None:
    """Give the lowest level above a cliff on which 12 dB lies; None without one."""
    order = np.argsort(level_dbm, kind="stable")
    for below, above in pairwise(order):
        if not sinad_db[below] < WANTED_SINAD_DB <= sinad_db[above]:
            continue
        chance_db = SURE * float(np.hypot(sigma_db[below], sigma_db[above]))
        fall_db = sinad_db[above] - sinad_db[below] - chance_db
        if fall_db > CLIFF_DB_PER_DB * (level_dbm[above] - level_dbm[below]) > 0.0:
            return float(level_dbm[above])
    return None


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
