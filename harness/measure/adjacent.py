"""Adjacent channel power of an emission, and what a spacing brings with it by the standards.

What the recorder adds itself (``Emission.own``) is taken off while the emission stands clear of
it; where it does not, the reading is a bound and flagged ``floor``.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Literal

import numpy as np

from harness.measure.emission import (
    CLEAR_RATIO,
    DB_PER_SHARE,
    NOISE_SPREAD,
    Emission,
    emission_conditions,
    scatter,
)
from harness.readings import Reading, measured, not_measured
from harness.uncertainty import Contribution
from harness.units import db_from_ratio

Side = Literal["lower", "upper"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjacentChannel:
    """Measuring bandwidth of the adjacent channel, and where it is written."""

    spacing_hz: float
    bandwidth_hz: float
    source: str
    verified: str


def _channels() -> dict[str, Any]:
    return tomllib.loads((files("harness") / "data" / "channels.toml").read_text("utf-8"))


def adjacent_channel(spacing_hz: float, radio_hz: float) -> AdjacentChannel | None:
    """Give the measuring bandwidth for a spacing at a radio frequency; None if none is stated."""
    for row in _channels()["adjacent"]:
        bands = row.get("bands_mhz")
        fits = bands is None or any(low <= radio_hz / 1e6 <= high for low, high in bands)
        if fits and math.isclose(row["spacing_hz"], spacing_hz, rel_tol=1e-6):
            return AdjacentChannel(
                spacing_hz=spacing_hz,
                bandwidth_hz=row["bandwidth_hz"],
                source=row["source"],
                verified=row["verified"],
            )
    return None


def authorised_bandwidth_hz(spacing_hz: float) -> float | None:
    """Give the authorised bandwidth that goes with a spacing; None if none is stated."""
    for row in _channels()["authorised"]:
        if math.isclose(row["spacing_hz"], spacing_hz, rel_tol=1e-6):
            return float(row["bandwidth_hz"])
    return None


def adjacent_channel_power(
    emission: Emission, adjacent: AdjacentChannel, side: Side, recording: str
) -> Reading:
    """Give the power in the adjacent channel's measuring bandwidth to the carrier's power."""
    offset_hz = adjacent.spacing_hz if side == "upper" else -adjacent.spacing_hz
    middle_hz = emission.middle_hz + offset_hz
    low_hz, high_hz = middle_hz - adjacent.bandwidth_hz / 2, middle_hz + adjacent.bandwidth_hz / 2
    conditions = emission_conditions(
        emission, side=side, offset_hz=offset_hz, bandwidth_hz=adjacent.bandwidth_hz
    )
    source = f"bandwidth after {adjacent.source}"
    if adjacent.verified == "memory":
        source += ", from memory"
    common: dict[str, Any] = {
        "count": emission.count,
        "recordings": (recording,),
        "conditions": conditions,
    }
    if max(abs(low_hz), abs(high_hz)) > emission.flat_hz:
        return not_measured(
            "adjacent_channel_power",
            f"the recording shows {emission.flat_hz:.0f} Hz on each side of the channel's middle;"
            f" the adjacent channel reaches to {max(abs(low_hz), abs(high_hz)):.0f} Hz",
            **common,
        )
    seen = emission.band(emission.lines, low_hz, high_hz)
    parts = {
        what: emission.band(lines, low_hz, high_hz)
        for what, lines in (
            ("noise", emission.noise),
            ("image", emission.image),
            ("centre spike", emission.spike),
        )
    }
    own = sum(parts.values())
    if seen < CLEAR_RATIO * own:
        most = max(parts, key=lambda what: parts[what])
        return Reading(
            name="adjacent_channel_power",
            value=float(db_from_ratio(max(seen, 1e-30) / emission.carrier_power)),
            unit="dB",
            bound="upper",
            flags=("floor",),
            note=f"the recorder's own {most} hides the answer; {source}",
            **common,
        )
    power = seen - own
    groups = np.array([emission.band(g, low_hz, high_hz) for g in emission.groups]) - own
    contributions = [
        Contribution(
            name="adjacent_channel_power.floor",
            standard_uncertainty=NOISE_SPREAD * DB_PER_SHARE * own / power,
            source="the recorder's own noise, image and centre spike",
        ),
        *scatter("adjacent_channel_power", DB_PER_SHARE * groups / power),
    ]
    return measured(
        "adjacent_channel_power",
        float(db_from_ratio(power / emission.carrier_power)),
        contributions,
        note=f"{source}; the recorder's own part is {db_from_ratio(own / seen):.1f} dB of what is"
        " seen and taken off"
        if own > 0.01 * seen
        else source,
        **common,
    )
