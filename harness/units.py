"""Conversions between the trade's units, each written once.

Powers and voltages refer to 50 ohm. Functions take and give floats or float64 arrays.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

BOLTZMANN_J_PER_K = 1.380649e-23
"""Exact: SI 2019."""
REFERENCE_TEMPERATURE_K = 290.0
"""The T0 of noise figure: IEEE definition, from memory."""
SYSTEM_IMPEDANCE_OHM = 50.0


def db_from_ratio(power_ratio: Any) -> Any:
    """Decibels of a power ratio; 0 gives -inf."""
    with np.errstate(divide="ignore"):
        result = 10.0 * np.log10(power_ratio)
    return float(result) if np.isscalar(power_ratio) else result


def ratio_from_db(level_db: Any) -> Any:
    """Power ratio of a level in decibels."""
    result = 10.0 ** (np.asarray(level_db, dtype=np.float64) / 10.0)
    return float(result) if np.isscalar(level_db) else result


def dbm_from_w(power_w: Any) -> Any:
    """Decibels above one milliwatt of a power in watts; 0 gives -inf."""
    return db_from_ratio(power_w) + 30.0


def w_from_dbm(level_dbm: Any) -> Any:
    """Watts of a level in dBm."""
    return ratio_from_db(level_dbm) * 1e-3


def uv_from_dbm(level_dbm: float) -> float:
    """Microvolts across 50 ohm (potential difference, not emf) of a level in dBm."""
    return 1e6 * math.sqrt(w_from_dbm(level_dbm) * SYSTEM_IMPEDANCE_OHM)


def dbm_from_uv(voltage_uv: float) -> float:
    """Level in dBm of microvolts across 50 ohm (potential difference, not emf)."""
    return float(dbm_from_w((voltage_uv * 1e-6) ** 2 / SYSTEM_IMPEDANCE_OHM))


LEAST_CARRIER_HZ = 100e3
"""Below it lies no radio channel of this bench: it was meant in MHz or kHz. Chosen."""


def mhz_in_words(frequency_hz: float) -> str:
    """Write a radio frequency for people: in MHz, to the hertz, at least three places."""
    whole, _, places = f"{frequency_hz / 1e6:.6f}".partition(".")
    return f"{whole}.{places.rstrip('0').ljust(3, '0')} MHz"


def ppm_from_ratio(ratio: float) -> float:
    """Parts in a million of a plain ratio."""
    return ratio * 1e6


def thermal_noise_dbm(bandwidth_hz: float, temperature_k: float = REFERENCE_TEMPERATURE_K) -> float:
    """Available thermal noise kTB in dBm."""
    return float(dbm_from_w(BOLTZMANN_J_PER_K * temperature_k * bandwidth_hz))
