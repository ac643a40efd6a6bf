"""Centre and acceptance bandwidth of a receiver from SINAD or sensitivity against offset."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.measure.sensitivity import WANTED_SINAD_DB
from harness.uncertainty import rectangular

FloatArray = NDArray[np.float64]

EDGE_GRID = 65
EDGE_SHARE, RESOLVED_HZ = 0.1, 250.0
"""How far off, evenly, the curve between two offsets may be, as a share of their distance: the
cliff is some 400 Hz wide, and points further apart than 250 Hz do not show its shape: the share
grows with the square of their distance, to three times. Chosen
by trial on a receiver model: tests/measure/receiver_makers.py."""
LOST_DB = 3.0
"""Loss of sensitivity that marks an edge where there are sweeps of level at each offset. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Centre:
    """An offset, or a width, with its standard uncertainty and how many points it rests on."""

    at_hz: float
    standard_uncertainty_hz: float
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """Where SINAD is 12 dB on both sides at a level.

    ``centre`` and ``width`` are None where a side was not reached; ``why`` says which, and
    ``covered_hz`` is how far apart the outermost offsets with 12 dB or more lie. ``is_dented``:
    SINAD falls below 12 dB between them too.
    """

    level_dbm: float
    low_hz: float = np.nan
    high_hz: float = np.nan
    centre: Centre | None = None
    width: Centre | None = None
    covered_hz: float = 0.0
    is_dented: bool = False
    count: int = 0
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Edge:
    """An edge; standard uncertainties for the noise of its points and the shape between them."""

    at_hz: float
    noise_hz: float
    shape_hz: float


def acceptance(
    offset_hz: FloatArray, sinad_db: FloatArray, sigma_db: FloatArray, level_dbm: float
) -> Edges:
    """Find the offsets on both sides of the channel at which SINAD is 12 dB.

    Parameters
    ----------
    offset_hz, sinad_db, sigma_db : float64, shape (n,), n at least 3, in any order
    level_dbm : at which they were taken
    """
    offset_hz, found_db, sigma_db = _merged(offset_hz, sinad_db, sigma_db)
    count = len(offset_hz)
    sinad_db = _falling_outwards(found_db)
    good = np.flatnonzero(sinad_db >= WANTED_SINAD_DB)
    if not len(good):
        why = "SINAD is below 12 dB at every offset; go to a higher level"
        return Edges(level_dbm=level_dbm, count=count, why=why)
    first, last = int(good[0]), int(good[-1])
    covered_hz = float(offset_hz[last] - offset_hz[first])
    missing = [
        word for word, reached in (("below", first > 0), ("above", last < count - 1)) if not reached
    ]
    if missing:
        why = f"SINAD does not fall to 12 dB {' and '.join(missing)} the channel; go further off"
        return Edges(level_dbm=level_dbm, covered_hz=covered_hz, count=count, why=why)
    low = _edge(offset_hz, sinad_db, sigma_db, first - 1)
    high = _edge(offset_hz, sinad_db, sigma_db, last)
    noise_hz = math.hypot(low.noise_hz, high.noise_hz)
    shape_hz = math.hypot(low.shape_hz, high.shape_hz)
    return Edges(
        level_dbm=level_dbm,
        low_hz=low.at_hz,
        high_hz=high.at_hz,
        centre=Centre(
            at_hz=(low.at_hz + high.at_hz) / 2.0,
            standard_uncertainty_hz=math.hypot(noise_hz, shape_hz) / 2.0,
            count=count,
        ),
        # Both cliffs have one shape: a curve that cuts their corners makes the width less twice.
        width=Centre(
            at_hz=high.at_hz - low.at_hz,
            standard_uncertainty_hz=math.hypot(noise_hz, low.shape_hz + high.shape_hz),
            count=count,
        ),
        covered_hz=covered_hz,
        is_dented=bool((found_db[first:last] < WANTED_SINAD_DB).any()),
        count=count,
    )


def _merged(
    offset_hz: FloatArray, sinad_db: FloatArray, sigma_db: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Put points of one offset together, and all in order of offset."""
    different, place = np.unique(offset_hz, return_inverse=True)
    number = np.bincount(place)
    mean_db = np.bincount(place, weights=sinad_db) / number
    mean_sigma_db = np.sqrt(np.bincount(place, weights=sigma_db**2)) / number
    return different, mean_db, mean_sigma_db


def _falling_outwards(sinad_db: FloatArray) -> FloatArray:
    """Give the nearest curve that only falls on the way out of the channel.

    Beyond the channel's edge a receiver only gets worse, so a point above one nearer in is chance,
    and of several crossings of 12 dB the outermost would be the luckiest: width came out 14 Hz too
    much. Least squares under that order (isotonic regression).
    """
    # A fifth of a second to import, so only when a receiver is measured.
    from scipy.optimize import isotonic_regression

    good = np.flatnonzero(sinad_db >= WANTED_SINAD_DB)
    if not len(good):
        return sinad_db
    middle = int(good[0] + good[-1]) // 2
    rising = isotonic_regression(sinad_db[: middle + 1], increasing=True).x
    falling = isotonic_regression(sinad_db[middle:], increasing=False).x
    return np.concatenate([rising[:-1], [sinad_db[middle]], falling[1:]])


def _edge(offset_hz: FloatArray, sinad_db: FloatArray, sigma_db: FloatArray, at: int) -> _Edge:
    """Find 12 dB between point ``at`` and the next, one of which is below it.

    SINAD falls off a cliff there, by more than 10 dB in a few hundred hertz, which no parabola
    follows: a monotone cubic through the points (Fritsch and Carlson, SIAM J. Numer. Anal. 17
    (1980) 238, from memory), that is as far off as the points stand apart. What noise makes of it
    is found by moving each of the two points up and down. Clicks come in bursts there, of which a
    step of a second holds few, so that a point may have seen none and think itself sure: both are
    moved by the largest uncertainty on the cliff, and the further of the two ways counts.
    """
    is_upper = bool(sinad_db[at] >= WANTED_SINAD_DB)
    at_hz = _outermost_hz(offset_hz, sinad_db, is_upper)
    on_cliff = np.abs(offset_hz - at_hz) <= RESOLVED_HZ
    on_cliff[[at, at + 1]] = True
    largest_db = float(sigma_db[on_cliff].max())
    moved_hz = []
    for point in (at, at + 1):
        shift = np.zeros(len(sinad_db))
        shift[point] = largest_db
        ends_hz = [
            _outermost_hz(offset_hz, _falling_outwards(sinad_db + way * shift), is_upper)
            for way in (-1.0, 1.0)
        ]
        moved_hz.append(max(abs(end_hz - at_hz) for end_hz in ends_hz))
    apart_hz = float(offset_hz[at + 1] - offset_hz[at])
    share_off = EDGE_SHARE * min(max(apart_hz / RESOLVED_HZ, 1.0) ** 2, 3.0)
    return _Edge(
        at_hz=at_hz, noise_hz=math.hypot(*moved_hz), shape_hz=rectangular(share_off * apart_hz)
    )


def _outermost_hz(offset_hz: FloatArray, sinad_db: FloatArray, is_upper: bool) -> float:
    """Find the outermost offset on a side at which the curve through the points is 12 dB."""
    # A fifth of a second to import, so only when a receiver is measured.
    from scipy.interpolate import PchipInterpolator

    steps = np.arange(EDGE_GRID) / EDGE_GRID
    fine_hz = np.append(offset_hz[:-1, None] + np.diff(offset_hz)[:, None] * steps, offset_hz[-1])
    rest = PchipInterpolator(offset_hz, sinad_db)(fine_hz) - WANTED_SINAD_DB
    good = np.flatnonzero(rest >= 0.0)
    if not len(good):
        return float(offset_hz[np.argmax(sinad_db)])
    inner = int(good[-1] if is_upper else good[0])
    outer = inner + (1 if is_upper else -1)
    if not 0 <= outer < len(fine_hz):
        return float(fine_hz[inner])
    share = float(rest[inner] / (rest[inner] - rest[outer]))
    return float(fine_hz[inner] + share * (fine_hz[outer] - fine_hz[inner]))


def middle_by_sensitivity(
    offset_hz: FloatArray, level_dbm: FloatArray, sigma_db: FloatArray
) -> Centre | None:
    """Find the middle between the offsets at which the sensitivity is 3 dB worse than on channel.

    Parameters
    ----------
    offset_hz, level_dbm, sigma_db : float64, shape (n,), n at least 3; the level of 12 dB SINAD

    Returns
    -------
    Centre, or None where a side does not fall off by as much

    Notes
    -----
    The offset of the least level itself is no measure of the centre: through a flat filter the
    sensitivity gets better on either side, because one side of the noise is cut off before the
    signal is.
    """
    on_channel_dbm = float(level_dbm[np.argmin(np.abs(offset_hz))])
    lost_db = level_dbm - on_channel_dbm
    return acceptance(
        offset_hz, WANTED_SINAD_DB + LOST_DB - lost_db, sigma_db, on_channel_dbm
    ).centre
