"""How far from a keyed antenna the exposure limits are met.

S = k EIRP / (4 pi R^2), solved for R. The factor k is 1 in free space, 2.56 with the usual
reflection of the ground (field 1.6 times) and 4 with a perfect one (field doubled); the largest is
the careful one. It is a far-field formula: within a wavelength or so of an antenna, and beside a
large one, it is an indication and no more.

The limits are averages over 6 (occupational) or 30 minutes (general public). Unless a share of the
time is given, the transmitter counts as keyed all the while: nobody can rely on how long people
talk.

References
----------
Limits: 47 CFR 1.1310(e) Table 1, 2015 annual edition (read). Formula and factors: OET Bulletin 65,
equations 3 to 9 (memory; the factor 2.56 checked against a published table, worked example 6.3).
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from importlib.resources import files
from typing import Literal

Public = Literal["general public", "occupational"]

REFLECTIONS = (1.0, 2.56, 4.0)
"""Free space, usual ground, perfect ground: factors of the power density."""
CAREFUL = REFLECTIONS[-1]
MW_PER_CM2 = 10.0
"""In W/m^2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureLimit:
    """A row of the limits: ``limit (f / at)^power`` in mW/cm^2, averaged over so many minutes."""

    public: Public
    from_hz: float
    to_hz: float
    limit_mw_per_cm2: float
    at_hz: float
    power: float
    averaging_min: float
    source: str

    def at(self, frequency_hz: float) -> float:
        """Give the limit of the power density at a frequency, in mW/cm^2."""
        return float(self.limit_mw_per_cm2 * (frequency_hz / self.at_hz) ** self.power)


def _load() -> tuple[ExposureLimit, ...]:
    text = (files("harness") / "data" / "exposure_limits.csv").read_text(encoding="utf-8")
    limits = []
    for row in csv.DictReader(text.splitlines()):
        public: Public = "occupational" if row["class"] == "occupational" else "general public"
        limits.append(
            ExposureLimit(
                public=public,
                from_hz=float(row["from_mhz"]) * 1e6,
                to_hz=float(row["to_mhz"]) * 1e6,
                limit_mw_per_cm2=float(row["limit_mw_per_cm2"]),
                at_hz=float(row["at_mhz"]) * 1e6,
                power=float(row["power"]),
                averaging_min=float(row["averaging_min"]),
                source=row["source"],
            )
        )
    return tuple(limits)


EXPOSURE_LIMITS = _load()


def exposure_limit(public: Public, frequency_hz: float) -> ExposureLimit | None:
    """Give the limit that holds at a frequency; None where the table has none.

    Where two rows meet they agree.
    """
    return next(
        (
            limit
            for limit in EXPOSURE_LIMITS
            if limit.public == public and limit.from_hz <= frequency_hz <= limit.to_hz
        ),
        None,
    )


def exposure_distance_m(
    eirp_w: float, limit_mw_per_cm2: float, reflection: float = CAREFUL, share: float = 1.0
) -> float:
    """Give the distance from the antenna at which the power density is at the limit.

    Parameters
    ----------
    eirp_w : equivalent isotropically radiated power while keyed
    limit_mw_per_cm2 : above 0
    reflection : factor of the power density, out of ``REFLECTIONS``
    share : of the averaging time that it is keyed, 0 to 1
    """
    limit_w_per_m2 = limit_mw_per_cm2 * MW_PER_CM2
    return math.sqrt(reflection * share * eirp_w / (4.0 * math.pi * limit_w_per_m2))
