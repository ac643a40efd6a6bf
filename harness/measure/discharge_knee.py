"""Where the power of a battery run begins to fall away: the knee of its course.

Two straight lines that meet, the later one steeper, by least squares through the power from the
settled start to the end of the run, or to where it is ``DOWN_DB`` below the start. The knee is
where they meet. A battery's course bends rather than breaks: what two lines leave of it hangs
together from row to row, and makes the uncertainty of the knee as wide as the bend is round.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import minimize_scalar

from harness.measure.course import Course, Start
from harness.measure.discharge_parts import edge_parts
from harness.measure.load import Edge
from harness.readings import Reading, measured, not_measured, sentence
from harness.uncertainty import Contribution
from harness.units import FloatArray

NAME = "power_knee"
DOWN_DB = 3.0
"""What is further down than this below the settled start is left out. Chosen: the last of a course
falls ever faster, and would draw the knee after it."""
PLACES = 400
"""Rows are averaged into so many at most. Chosen: the bend of a ten-hour run to a minute and a
half."""
BEFORE, AFTER = 4, 2
"""So many of them lie on either side of the knee at least. Chosen: a row in five minutes leaves
three of a steep end."""
STEEPER = 2.0
"""The later line falls so many times as fast as the earlier one at least. Chosen."""
CLEAR = 4.0
"""The bend is so many times its standard uncertainty at least. Chosen."""
LEAST_DB = 0.2
"""The end lies so far below the earlier line at least. Chosen: four times the accuracy that is
promised for drift."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Knee:
    """Where two lines meet: time, its standard uncertainty, level, slopes on either side."""

    time_s: float
    uncertainty_s: float
    degrees_of_freedom: float
    level_dbm: float
    before_per_s: float
    after_per_s: float


def knee_reading(power: Course, start: Start | None, on: Edge, more: Mapping[str, Any]) -> Reading:
    """Give ``power_knee``, the time from load on to the knee.

    Parameters
    ----------
    power : under load. start : its settled start, None without power
    on : load on. more : further fields of the reading
    """
    if start is None:
        return not_measured(NAME, "The log has no power under load.", **more)
    time_s, values = power.time_s[start.row :], power.values[start.row :]
    low = np.flatnonzero(values < start.level.value - DOWN_DB)
    if low.size:
        # One stray row is not the end: half of what follows must be as low.
        lasting = [at for at in low[:50] if 2 * np.count_nonzero(low >= at) > len(values) - at]
        last = int(lasting[0]) if lasting else len(values)
        time_s, values = time_s[:last], values[:last]
    knee = find_knee(time_s, values, power.noise)
    if knee is None:
        return not_measured(NAME, "No knee: the power fell evenly, or hardly at all.", **more)
    down_db = start.level.value - knee.level_dbm
    note = (
        f"{down_db:.2f} dB below the settled start; {knee.before_per_s * 3600.0:+.3g} dB/h before"
        f" it, {knee.after_per_s * 3600.0:+.3g} dB/h after it"
    )
    at = int(np.searchsorted(time_s, knee.time_s))
    parts = [
        Contribution(
            name=f"{NAME}.fit",
            standard_uncertainty=knee.uncertainty_s,
            kind="A",
            degrees_of_freedom=knee.degrees_of_freedom,
            source="residuals of two lines that meet, as they hang together from row to row",
        )
    ]
    parts += edge_parts("load on", on, -1.0)
    given: dict[str, Any] = {**more, "count": len(time_s)}
    value_s = knee.time_s
    if 0 < at < len(time_s) and time_s[at] - time_s[at - 1] > power.widest_s:
        value_s = float(time_s[at - 1])
        given["bound"] = "lower"
        note = f"it lies in a gap of the log, up to {time_s[at] - on.time_s:.0f} s; {note}"
    elif on.in_gap:
        given["bound"] = "lower"
    return measured(NAME, value_s - on.time_s, parts, note=sentence(note), **given)


def find_knee(time_s: FloatArray, values: FloatArray, noise: float) -> Knee | None:
    """Find where a course begins to fall faster; None where it falls evenly.

    Parameters
    ----------
    time_s, values : float64, shape (n,), rising in time
    noise : of one value; the residuals count as no smaller than this

    Notes
    -----
    The uncertainty is that of the place in a least-squares fit of four parameters, linear about the
    best (JCGM 100 has none such; Seber and Wild, Nonlinear Regression, 2.1, memory), grown as in
    ``fit_line`` for residuals that hang together.
    """
    if len(time_s) < BEFORE + AFTER + 2:
        return None
    zero_s, span_s = float(time_s[0]), float(time_s[-1] - time_s[0])
    if span_s <= 0.0:
        return None
    at, level, counts = _averaged((time_s - zero_s) / span_s, values)
    weights = counts / counts.mean()
    root = np.sqrt(weights)

    def fitted(place: float) -> tuple[float, FloatArray, FloatArray]:
        basis = np.stack([np.ones_like(at), at, np.maximum(at - place, 0.0)], axis=1)
        found = np.linalg.lstsq(basis * root[:, None], level * root, rcond=None)[0]
        left = (level - basis @ found) * root
        return float(left @ left), found, left

    inside = at[BEFORE:-AFTER]
    best = int(np.argmin([fitted(place)[0] for place in inside]))
    low, high = inside[max(best - 1, 0)], inside[min(best + 1, len(inside) - 1)]
    place = float(
        minimize_scalar(
            lambda place: fitted(place)[0],
            bounds=(low, high),
            method="bounded",
            options={"xatol": 1e-6},
        ).x
    )
    squares, found, left = fitted(place)
    before, bend = float(found[1]), float(found[2])
    count = len(at)
    if bend >= 0.0:
        return None
    spread = max(math.sqrt(squares / (count - 4)), noise / math.sqrt(float(counts.mean())))
    together = float(left[1:] @ left[:-1]) / squares if squares > 0.0 else 0.0
    together = min(max(together, 0.0), 0.99)
    grown = (1.0 + together) / (1.0 - together)
    past = at > place
    basis = np.stack([np.ones_like(at), at, np.maximum(at - place, 0.0), -bend * past], axis=1)
    basis = basis * root[:, None]
    try:
        covariance = np.linalg.inv(basis.T @ basis) * spread**2 * grown
    except np.linalg.LinAlgError:
        return None
    bend_uncertainty, place_uncertainty = np.sqrt(np.diag(covariance))[2:]
    is_knee = (
        -bend > CLEAR * bend_uncertainty
        and before + bend < STEEPER * min(before, 0.0)
        and -bend * (1.0 - place) > LEAST_DB
    )
    if not is_knee:
        return None
    return Knee(
        time_s=zero_s + place * span_s,
        uncertainty_s=float(place_uncertainty) * span_s,
        degrees_of_freedom=max(count / grown - 4.0, 1.0),
        level_dbm=float(found[0]) + before * place,
        before_per_s=before / span_s,
        after_per_s=(before + bend) / span_s,
    )


def _averaged(at: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give means of neighbouring rows, at most ``PLACES``, and how many are in each."""
    bounds = np.unique(np.linspace(0, len(at), min(PLACES, len(at)) + 1).astype(np.intp))
    counts = np.diff(bounds).astype(np.float64)
    means = [np.add.reduceat(column, bounds[:-1]) / counts for column in (at, values)]
    return means[0], means[1], counts
