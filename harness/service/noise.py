"""Noise that an antenna picks up, and what it does to a receiver.

Theory
------
Man-made noise after ITU-R P.372: the median noise factor of a short vertical lossless antenna is
F_am = c - d log10(f / MHz) in dB over k T0 B, with c and d by surroundings. It is a median: hours
and places scatter about it by several dB. On the bench the generator feeds a receiver of noise
factor f_r with noise of T0; on an antenna of noise factor f_a behind a loss l at T0 the receiver
sees f_a / l + 1 - 1/l in its place. The level that a given SINAD takes rises with the noise, by

    (f_a / l + 1 - 1/l + f_r - 1) / f_r.

The receiver's noise factor comes from its 12 dB SINAD sensitivity: above threshold

    S/N = 1.5 dev^2 (C/N0) / (f2^3 - f1^3)            flat audio from f1 to f2
    S/N = 0.5 dev^2 (C/N0) / (f0^2 (f2 - f1))         6 dB per octave de-emphasis about f0

so the C/N0 that 12 dB SINAD takes is known, and N0 from the level. Losses of demodulation count as
noise. Clicks are left out (worked example 2.4).

References
----------
P.372 and CCIR Report 258: constants read in three public implementations; valid 0.3 to 250 MHz,
quiet rural to 30 MHz (memory). FM noise: Haykin & Moher, published solution 9.18 (worked example
2.1); de-emphasis by the same integral.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from types import MappingProxyType

from harness.units import REFERENCE_TEMPERATURE_K, db_from_ratio, ratio_from_db, thermal_noise_dbm

AUDIO_HZ = (300.0, 3000.0)
"""Band in which SINAD is measured (DESIGN section 3)."""
EMPHASIS_HZ = 1000.0
TEST_DEVIATION_SHARE = 0.6
"""Of the rated deviation: standard test modulation (DESIGN section 3)."""
SIGNAL_TO_NOISE_AT_12_DB_SINAD = 10.0**1.2 - 1.0
"""(S+N)/N = 10^1.2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Environment:
    """A row of the man-made noise: constants in dB, and the frequencies that they hold for."""

    name: str
    c_db: float
    d_db: float
    from_hz: float
    to_hz: float
    source: str
    verified: str

    def median_db(self, frequency_hz: float) -> float | None:
        """Give F_am in dB over k T0 B; None outside the frequencies that it holds for."""
        if not self.from_hz <= frequency_hz <= self.to_hz:
            return None
        return self.c_db - self.d_db * math.log10(frequency_hz / 1e6)


def _load() -> Mapping[str, Environment]:
    text = (files("harness") / "data" / "man_made_noise.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(text.splitlines())
    return MappingProxyType(
        {
            row["environment"]: Environment(
                name=row["environment"],
                c_db=float(row["c_db"]),
                d_db=float(row["d_db"]),
                from_hz=float(row["from_mhz"]) * 1e6,
                to_hz=float(row["to_mhz"]) * 1e6,
                source=row["source"],
                verified=row["verified"],
            )
            for row in rows
        }
    )


ENVIRONMENTS: Mapping[str, Environment] = _load()
"""By the name that a field file gives."""


def antenna_temperature_k(noise_db: float) -> float:
    """Give the noise temperature of an antenna of so much noise over k T0 B."""
    return REFERENCE_TEMPERATURE_K * float(ratio_from_db(noise_db))


def raised_by_db(antenna_noise_db: float, loss_db: float, noise_figure_db: float) -> float:
    """Give how much more signal a receiver needs on an antenna than on a generator.

    Parameters
    ----------
    antenna_noise_db : of the antenna, over k T0 B
    loss_db : between antenna and receiver (feeder, and what a short antenna loses), 0 or more
    noise_figure_db : of the receiver, 0 or more

    Returns
    -------
    float : dB; a little below 0 where the antenna is colder than T0
    """
    loss, receiver = ratio_from_db(loss_db), ratio_from_db(noise_figure_db)
    seen = ratio_from_db(antenna_noise_db) / loss + 1.0 - 1.0 / loss
    return float(db_from_ratio((seen + receiver - 1.0) / receiver))


def needed_carrier_to_noise_dbhz(deviation_hz: float, *, de_emphasis: bool) -> float:
    """Give the C/N0 in dBHz that 12 dB SINAD takes at a tone's deviation, clicks left out."""
    low_hz, high_hz = AUDIO_HZ
    if de_emphasis:
        noise = EMPHASIS_HZ**2 * (high_hz - low_hz) / 0.5
    else:
        noise = (high_hz**3 - low_hz**3) / 1.5
    return float(db_from_ratio(SIGNAL_TO_NOISE_AT_12_DB_SINAD * noise / deviation_hz**2))


def noise_figure_db(
    sensitivity_dbm: float, rated_deviation_hz: float, *, de_emphasis: bool
) -> float:
    """Give the noise figure that a 12 dB SINAD sensitivity (flat) speaks of.

    Parameters
    ----------
    sensitivity_dbm : at the antenna port, with standard test modulation
    rated_deviation_hz : of the channel; the test tone has 60 % of it
    de_emphasis : whether the audio was de-emphasised

    Returns
    -------
    float : dB; below 0 where the sensitivity is better than the formula allows
    """
    needed = needed_carrier_to_noise_dbhz(
        TEST_DEVIATION_SHARE * rated_deviation_hz, de_emphasis=de_emphasis
    )
    return sensitivity_dbm - needed - thermal_noise_dbm(1.0)
