"""Fewer points for a plot, without losing an extreme or a gap."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

MOST_POINTS = 3000
"""Chosen: about four to each point of a page's width."""


def thin(
    x: FloatArray, y: FloatArray, most_points: int = MOST_POINTS
) -> tuple[FloatArray, FloatArray]:
    """Keep the lowest and highest value of each short run, in order, and a NaN for each gap.

    Parameters
    ----------
    x, y : float64, shape (n,); NaN in y is a gap
    most_points : int, at least 4

    Returns
    -------
    (x, y) : shape (m,), m at most ``most_points`` beside the first and last point
    """
    if len(y) <= most_points:
        return x, y
    # Three points a run at most: lowest, highest, gap.
    bounds = np.linspace(0, len(y), most_points // 3 + 1).astype(np.intp)
    kept = {0, len(y) - 1}
    for first, last in pairwise(bounds):
        run = y[first:last]
        gaps = np.isnan(run)
        if gaps.any():
            kept.add(int(first + np.argmax(gaps)))
        if not gaps.all():
            kept.add(int(first + np.nanargmin(run)))
            kept.add(int(first + np.nanargmax(run)))
    order = np.array(sorted(kept), dtype=np.intp)
    return x[order], y[order]


def finite_span(values: FloatArray) -> tuple[float, float]:
    """Lowest and highest finite value; (nan, nan) when there is none."""
    finite = values[np.isfinite(values)]
    return (float(finite.min()), float(finite.max())) if finite.size else (np.nan, np.nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """A dense trace as columns: middle of each in x; lowest, highest and median in y."""

    x: FloatArray
    lowest: FloatArray
    highest: FloatArray
    middle: FloatArray


def columns(x: FloatArray, y: FloatArray, count: int) -> Columns:
    """Gather a trace into columns of nearly equal length, without losing an extreme.

    Parameters
    ----------
    x, y : float64, shape (n,), n at least ``count``; a column with nothing but NaN stays NaN
    count : int, at least 1
    """
    bounds = np.linspace(0, len(y), count + 1).astype(np.intp)
    rows = []
    for first, last in pairwise(bounds):
        held = y[first:last][~np.isnan(y[first:last])]
        middle_x = (x[first] + x[last - 1]) / 2.0
        row = (held.min(), held.max(), np.median(held)) if held.size else (np.nan,) * 3
        rows.append((middle_x, *row))
    table = np.array(rows, dtype=np.float64)
    return Columns(x=table[:, 0], lowest=table[:, 1], highest=table[:, 2], middle=table[:, 3])
