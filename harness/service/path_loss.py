"""Loss of a radio path: free space, plane earth, two rays, and the radio horizon.

Free space is the most that can be hoped for, plane earth the usual between low antennas on flat
ground; neither knows hills, woods or houses. Beyond the horizon neither holds.

References
----------
Free space: ITU-R P.525-5, formula as read in a stored page (worked example 7.1). Plane earth and
two rays: Rappaport, Wireless Communications, two-ray model (memory; worked examples 7.2, 7.3).
Horizon: ATIS glossary, radio horizon, read; 4/3 of an earth of 6371 km (worked example 7.4).
"""

from __future__ import annotations

import cmath
import math

LIGHT_M_PER_S = 299_792_458.0
"""Exact: SI."""
EARTH_RADIUS_M = 6_371_000.0
BENDING = 4.0 / 3.0
"""Of the effective earth radius: the usual atmosphere."""
PRINTED_CONSTANT_DB = 32.4
"""Of P.525 for MHz and km, as printed; exact it is 32.4478."""


def free_space_db(distance_m: float, frequency_hz: float) -> float:
    """Give the free-space loss between isotropic antennas, 20 log(4 pi d f / c), exact."""
    return 20.0 * math.log10(4.0 * math.pi * distance_m * frequency_hz / LIGHT_M_PER_S)


def free_space_as_printed_db(distance_m: float, frequency_hz: float) -> float:
    """Give it as ITU-R P.525 prints it: 32.4 + 20 log f(MHz) + 20 log d(km)."""
    return PRINTED_CONSTANT_DB + 20.0 * math.log10(frequency_hz / 1e6 * distance_m / 1e3)


def plane_earth_db(distance_m: float, height_m: float, other_height_m: float) -> float:
    """Give the loss over flat ground, 40 log d - 20 log(h1 h2): for far and low antennas."""
    return 40.0 * math.log10(distance_m) - 20.0 * math.log10(height_m * other_height_m)


def usual_db(
    distance_m: float, frequency_hz: float, height_m: float, other_height_m: float
) -> float:
    """Give plane earth, or free space where that is more (nearer than 4 pi h1 h2 / wavelength)."""
    return max(
        free_space_db(distance_m, frequency_hz),
        plane_earth_db(distance_m, height_m, other_height_m),
    )


def two_ray_db(
    distance_m: float, frequency_hz: float, height_m: float, other_height_m: float
) -> float:
    """Give the loss of a direct and a ground-reflected ray (coefficient -1), without approximation.

    ``distance_m`` is along the ground. Plane earth is what this comes to at long distances.
    """
    wavelength_m = LIGHT_M_PER_S / frequency_hz
    wavenumber = 2.0 * math.pi / wavelength_m
    direct_m = math.hypot(distance_m, height_m - other_height_m)
    reflected_m = math.hypot(distance_m, height_m + other_height_m)
    field = 1.0 / direct_m - cmath.exp(-1j * wavenumber * (reflected_m - direct_m)) / reflected_m
    return -20.0 * math.log10(wavelength_m / (4.0 * math.pi) * abs(field))


def horizon_m(height_m: float, bending: float = BENDING) -> float:
    """Give the distance to the radio horizon of an antenna, sqrt(2 k R h)."""
    return math.sqrt(2.0 * bending * EARTH_RADIUS_M * height_m)


def common_horizon_m(height_m: float, other_height_m: float) -> float:
    """Give the farthest that two antennas see each other over a smooth earth."""
    return horizon_m(height_m) + horizon_m(other_height_m)


def free_space_range_m(loss_db: float, frequency_hz: float) -> float:
    """Give the distance at which free space loses so much."""
    return LIGHT_M_PER_S / (4.0 * math.pi * frequency_hz) * math.pow(10.0, loss_db / 20.0)


def usual_range_m(
    loss_db: float, frequency_hz: float, height_m: float, other_height_m: float
) -> float:
    """Give the distance at which ``usual_db`` is so much."""
    over_ground_m = math.sqrt(height_m * other_height_m) * math.pow(10.0, loss_db / 40.0)
    return min(over_ground_m, free_space_range_m(loss_db, frequency_hz))
