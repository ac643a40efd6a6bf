"""Margin of an emission to a mask: what stands clear of the recorder, and what it may hide."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from harness.measure.emission import (
    CLEAR_RATIO,
    DB_PER_SHARE,
    NOISE_SPREAD,
    Emission,
    scatter,
)
from harness.measure.masks import Mask
from harness.readings import ConditionValue, Reading, measured, not_measured
from harness.uncertainty import Contribution
from harness.units import FloatArray, db_from_ratio, ratio_from_db

CLEAR_SIGMAS = 6.0
"""How far a line must stand clear, in standard deviations of its mean. Chosen: there are
thousands."""

BURST_CLEAR, HIDDEN_CLEAR = 5.0, 15.0
"""A peak counts beside its line's mean where it passes the mean's amplitude by that of noise of
power N (ln M + this). Chosen: one line in a thousand by chance where the line is clear, and one
recording in a thousand where all lines are noise."""
PEAK_LUCK, PEAK_SCATTER = 0.4, 0.5
"""What noise adds to the amplitude of a peak, as a share of sqrt(N ln M): half of what it adds to
the highest of M segments in phase (sqrt(N/2) times 1.5 for ten, order statistics of a normal), as
a peak may last for all of them or one. And its standard deviation as a share of sqrt(N)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MaskedEmission:
    """The emission as a mask sees it: levels against its reference, dB; NaN where it says nothing.

    ``offset_hz`` is from the channel's middle. ``level_db`` is what is sent where it stands clear
    of the recorder's own part (``is_clear``), elsewhere the most that it can be; ``is_peak`` where
    it is a peak above the line's mean.
    """

    offset_hz: FloatArray
    level_db: FloatArray
    attenuation_db: FloatArray
    is_clear: np.ndarray[Any, np.dtype[np.bool_]]
    is_peak: np.ndarray[Any, np.dtype[np.bool_]]


def masked_emission(emission: Emission, mask: Mask) -> MaskedEmission:
    """Put the lines of an emission beside a mask.

    Notes
    -----
    Peak hold makes noise higher: the highest of M segments of noise of mean power N has an
    amplitude near sqrt(N ln M), and the luckiest segment of a line gains less. Only a peak that
    noise does not explain counts beside the line's mean; what luck adds to it is taken off.
    """
    segments = max(emission.count / 2.0, 1.0)
    clean = np.clip(emission.lines - emission.own, 0.0, None)
    sigma = emission.own / math.sqrt(segments)
    is_clear = emission.lines - emission.own > np.maximum(
        (CLEAR_RATIO - 1.0) * emission.own, CLEAR_SIGMAS * sigma
    )
    level = clean
    is_peak = np.zeros(len(clean), dtype=np.bool_)
    if mask.file.detector == "peak hold":
        luck = PEAK_LUCK * np.sqrt(emission.own * math.log(segments + 1.0))
        held = np.clip(np.sqrt(emission.highest) - luck, 0.0, None) ** 2
        least = np.where(is_clear, BURST_CLEAR, HIDDEN_CLEAR) + math.log(segments)
        is_peak = np.sqrt(emission.highest) > np.sqrt(clean) + np.sqrt(emission.own * least)
        is_peak &= held > clean
        is_clear = is_clear | is_peak
        level = np.where(is_peak, held, clean)
    level = np.where(is_clear, level, np.maximum(emission.lines, emission.own))
    offset_hz = emission.offset_hz - emission.middle_hz
    attenuation_db = mask.attenuation_db(offset_hz)
    seen = (np.abs(emission.offset_hz) <= emission.flat_hz) & (np.abs(offset_hz) <= mask.reach_hz)
    return MaskedEmission(
        offset_hz=offset_hz,
        level_db=np.asarray(db_from_ratio(np.maximum(level / emission.carrier_power, 1e-20))),
        attenuation_db=np.where(seen, attenuation_db, np.nan),
        is_clear=is_clear,
        is_peak=is_peak,
    )


def emission_mask_margin(emission: Emission, mask: Mask, recording: str) -> Reading:
    """Give the least margin to a mask where it asks for any attenuation; positive is inside.

    Notes
    -----
    The reference is the power of the carrier in a bandwidth that holds all of it: for constant
    envelope that is both the unmodulated carrier and the highest emission, whose level
    47 CFR 90.210(d)(4) has measured in two to three channel widths.
    """
    conditions: dict[str, ConditionValue] = {
        "mask": mask.file.name,
        "reference": mask.file.reference,
        "detector": mask.file.detector,
        "resolution_bandwidth_hz": mask.file.resolution_hz,
    }
    if mask.power_w is not None:
        conditions["power_w"] = mask.power_w
    common: dict[str, Any] = {"recordings": (recording,), "conditions": conditions}
    beside = masked_emission(emission, mask)
    judged = np.nan_to_num(beside.attenuation_db, nan=0.0) > 0.0
    if not judged.any():
        return not_measured(
            "emission_mask_margin",
            f"the recording shows only {emission.flat_hz:.0f} Hz on each side of the channel's"
            " middle, where the mask asks for nothing",
            **common,
        )
    margin_db = np.where(judged, -beside.level_db - beside.attenuation_db, np.inf)
    clear_db = np.where(beside.is_clear, margin_db, np.inf)
    wanted_hz = _mask_end_hz(mask)
    shown_hz = emission.flat_hz - abs(emission.middle_hz)
    cut_off = shown_hz < wanted_hz - emission.line_hz
    at = int(np.argmin(clear_db if cut_off else margin_db))
    where = f"at {beside.offset_hz[at] / 1e3:+.2f} kHz"
    common["count"] = emission.count
    inside = np.abs(beside.offset_hz) <= (mask.bandwidth_hz or 0.0) / 2.0
    highest = emission.highest if mask.file.detector == "peak hold" else emission.lines
    strongest = float(highest[inside].max()) if inside.any() else 0.0
    line_note = ""
    if mask.file.reference == "highest emission" and strongest > 0.0:
        under_db = float(db_from_ratio(emission.carrier_power / strongest))
        line_note = (
            f"; against the highest line in {mask.file.resolution_hz:g} Hz"
            f" it would be {max(under_db, 0.0):.1f} dB less"
        )
    if cut_off:
        if not np.isfinite(clear_db[at]):
            return not_measured(
                "emission_mask_margin",
                f"the recording shows the mask to {shown_hz / 1e3:.1f} of"
                f" {wanted_hz / 1e3:.1f} kHz, and there nothing above its own floor",
                flags=("floor",),
                **common,
            )
        return Reading(
            name="emission_mask_margin",
            value=float(clear_db[at]),
            unit="dB",
            bound="upper",
            note=f"{where}; the recording shows the mask only to {shown_hz / 1e3:.1f} of"
            f" {wanted_hz / 1e3:.1f} kHz{line_note}",
            **common,
        )
    hidden_at, hidden_db = at, float(margin_db[at])
    if not beside.is_clear[at]:
        hidden = f"the recorder's own floor hides less than {hidden_db:.1f} dB {where}"
        if not np.isfinite(clear_db).any():
            return Reading(
                name="emission_mask_margin",
                value=hidden_db,
                unit="dB",
                bound="lower",
                flags=("floor",),
                note=hidden + line_note,
                **common,
            )
        at = int(np.argmin(clear_db))
        line_note = f"; {hidden}{line_note}"
        where = f"at {beside.offset_hz[at] / 1e3:+.2f} kHz"
    level = ratio_from_db(float(beside.level_db[at])) * emission.carrier_power
    own = float(emission.own[at])
    groups = emission.groups[:, at] - own
    parts = [
        Contribution(
            name="emission_mask_margin.floor",
            standard_uncertainty=NOISE_SPREAD * DB_PER_SHARE * own / level,
            source="the recorder's own part of the line",
        ),
    ]
    if beside.is_peak[at]:
        parts.append(
            Contribution(
                name="emission_mask_margin.peak",
                standard_uncertainty=2.0 * DB_PER_SHARE * PEAK_SCATTER * math.sqrt(own / level),
                source="noise on the highest segment",
            )
        )
    else:
        parts += scatter("emission_mask_margin", DB_PER_SHARE * groups / level)
    got = measured(
        "emission_mask_margin", float(margin_db[at]), parts, note=where + line_note, **common
    )
    if at == hidden_at:
        return got
    # Least of all is what stands clear, or something between it and what the floor hides.
    spread_db = got.expanded_uncertainty or 0.0
    low_db, high_db = hidden_db, float(margin_db[at]) + spread_db
    return replace(
        got,
        interval=(low_db, high_db),
        expanded_uncertainty=float(margin_db[at]) - low_db,
        flags=("floor",),
    )


def _mask_end_hz(mask: Mask) -> float:
    """How far out the mask is to be judged."""
    if mask.file.points:
        return min(mask.file.points[-1].offset_hz, mask.reach_hz)
    if math.isfinite(mask.reach_hz):
        return mask.reach_hz
    ends_hz = [1e3 * float(value) for value in mask.borders_khz() if math.isfinite(value)]
    return max(ends_hz, default=0.0)
