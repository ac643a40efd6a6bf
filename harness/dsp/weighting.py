"""Weightings of audio: what counts of a power density, and how much.

A weighting stands in a file of ``harness/data`` as points of a published table; between points
the decibels run straight against the logarithm of the frequency. A table is its own band limit:
outside its first and last point nothing counts.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from harness.units import ratio_from_db

FloatArray = NDArray[np.float64]

EMPHASIS_REFERENCE_HZ = 1000.0
"""Where 6 dB per octave of emphasis weighs 0 dB: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighting:
    """Points of a weighting curve; flat between its ends where the points are all 0 dB.

    Parameters
    ----------
    frequency_hz, weight_db : float64, shape (n,), frequency rising and above 0
    """

    name: str
    frequency_hz: FloatArray
    weight_db: FloatArray

    @property
    def low_hz(self) -> float:
        """Lower end of the band that counts."""
        return float(self.frequency_hz[0])

    @property
    def high_hz(self) -> float:
        """Upper end of the band that counts."""
        return float(self.frequency_hz[-1])

    def power_weight(self, frequency_hz: FloatArray | float) -> FloatArray:
        """Weight on a power at each frequency; the nearest end's outside the band."""
        held = np.clip(frequency_hz, self.low_hz, self.high_hz)
        weight_db = np.interp(np.log(held), np.log(self.frequency_hz), self.weight_db)
        return np.asarray(ratio_from_db(weight_db))


def de_emphasis_weight(frequency_hz: FloatArray | float) -> FloatArray:
    """Weight on a power of falling 6 dB per octave, 1 at 1 kHz: (1 kHz / f)^2.

    References
    ----------
    The line of emphasis_6db_per_octave.csv (by definition; a network of one pole departs from it
    by 1.6 dB at 300 Hz).
    """
    return np.asarray((EMPHASIS_REFERENCE_HZ / np.asarray(frequency_hz, dtype=np.float64)) ** 2)


def _flat(low_hz: float, high_hz: float) -> Weighting:
    return Weighting(
        name="flat", frequency_hz=np.array([low_hz, high_hz]), weight_db=np.array([0.0, 0.0])
    )


def _table(name: str, file_name: str) -> Weighting:
    text = (files("harness") / "data" / file_name).read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    return Weighting(
        name=name,
        frequency_hz=np.array([float(row["frequency_hz"]) for row in rows]),
        weight_db=np.array([float(row["weight_db"]) for row in rows]),
    )


SPEECH_LOW_HZ = 300.0
SPEECH_HIGH_HZ = 3000.0

WEIGHTINGS: Mapping[str, Weighting] = MappingProxyType(
    {
        "flat": _flat(SPEECH_LOW_HZ, SPEECH_HIGH_HZ),
        "psophometric": _table("psophometric", "weighting_psophometric_o41.csv"),
        "c-message": _table("c-message", "weighting_c_message.csv"),
    }
)
"""By the name that ``--weighting`` takes."""
