"""Occupied bandwidth of an emission: 99 % of its power, the recorder's noise taken off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.measure.emission import (
    CENTRE_REACH_LINES,
    NOISE_SPREAD,
    Emission,
    emission_conditions,
    scatter,
)
from harness.readings import Reading, measured
from harness.uncertainty import Contribution, rectangular
from harness.units import FloatArray

OUTSIDE_SHARE = 0.005
"""Share of the power beyond each edge of the occupied bandwidth: 47 CFR 2.202(a), read."""
OCCUPIED_SPACINGS = 1.5
"""How far from the carrier power counts. Chosen: three channel widths in all."""
EDGE_SHARE = 0.9
"""Edges beyond this share of what is seen are cut off by it. Chosen."""
LINE_CLEAR_SHARE = 0.1
"""Beside a sinusoid's lobe less than this share of its top is left. Chosen."""
STEADY_WITHIN = 0.01
"""The middle of a sinusoid's lobe is known to this share of a line. Chosen: 1 Hz in 100."""


def occupied_bandwidth(emission: Emission, spacing_hz: float, recording: str) -> Reading:
    """Give the bandwidth that holds 99 % of the power, half a per cent beyond each edge.

    Notes
    -----
    The mean noise is taken off each line with its sign, so that what is left sums to nothing
    where nothing is sent. An edge that falls on a sinusoid lies at its middle, any other where
    the sum passes its share: within a line each, one resolution bandwidth in all.
    """
    common: dict[str, Any] = {
        "count": emission.count,
        "recordings": (recording,),
        "conditions": emission_conditions(
            emission, power_percent=100.0 * (1.0 - 2.0 * OUTSIDE_SHARE)
        ),
    }
    reach_hz = min(OCCUPIED_SPACINGS * spacing_hz, emission.flat_hz - abs(emission.carrier_hz))
    region = np.abs(emission.offset_hz - emission.carrier_hz) <= reach_hz
    floor = (emission.noise + emission.spike)[region]
    noise_share = float(floor.sum() / max(emission.lines[region].sum() - floor.sum(), 1e-30))
    offset_hz = emission.offset_hz[region]
    if NOISE_SPREAD * noise_share > OUTSIDE_SHARE / 2.0:
        whole = _width(offset_hz, emission.lines[region])
        return Reading(
            name="occupied_bandwidth",
            value=whole.width_hz,
            unit="Hz",
            bound="upper",
            flags=("floor",),
            note="the recorder's own noise within three channel widths counts in it",
            **common,
        )
    got = _width(offset_hz, emission.lines[region] - floor)
    if got.width_hz < emission.resolution_hz:
        return Reading(
            name="occupied_bandwidth",
            value=emission.resolution_hz,
            unit="Hz",
            bound="upper",
            note="one line: the carrier is not modulated, or less than the resolution shows",
            **common,
        )
    spikeless = _width(offset_hz, _without_centre(emission)[region] - floor)
    if got.width_hz > spikeless.width_hz + emission.resolution_hz:
        return Reading(
            name="occupied_bandwidth",
            value=got.width_hz,
            unit="Hz",
            bound="upper",
            flags=("floor",),
            note="a line at the recorder's own centre lies in it, which may be its DC spike: tune"
            " the recorder beside the channel",
            **common,
        )
    moved = [
        _width(offset_hz, emission.lines[region] - (1.0 + sign * NOISE_SPREAD) * floor).width_hz
        for sign in (-1.0, 1.0)
    ]
    parts = [
        Contribution(
            name="occupied_bandwidth.resolution",
            standard_uncertainty=rectangular(got.within * emission.resolution_hz),
            source="where in a line an edge lies, both edges alike",
        ),
        Contribution(
            name="occupied_bandwidth.floor",
            standard_uncertainty=abs(moved[0] - moved[1]) / 2.0 + got.doubt_hz,
            source="the recorder's own noise",
        ),
        *scatter(
            "occupied_bandwidth",
            np.array(
                [_width(offset_hz, lines[region] - floor).width_hz for lines in emission.groups]
            ),
        ),
    ]
    if max(abs(got.low_hz - emission.carrier_hz), abs(got.high_hz - emission.carrier_hz)) > (
        EDGE_SHARE * reach_hz
    ):
        return Reading(
            name="occupied_bandwidth",
            value=got.width_hz,
            unit="Hz",
            bound="lower",
            note=f"only {2.0 * reach_hz:.0f} Hz about the carrier were seen",
            **common,
        )
    return measured("occupied_bandwidth", got.width_hz, parts, **common)


def _without_centre(emission: Emission) -> FloatArray:
    """Lines without what stands up at the recorder's centre, be it its spike or sent."""
    if emission.recorder_hz is None:
        return emission.lines
    near = (
        np.abs(emission.offset_hz - emission.recorder_hz) <= CENTRE_REACH_LINES * emission.line_hz
    )
    beside = ~near & (
        np.abs(emission.offset_hz - emission.recorder_hz)
        <= 3 * CENTRE_REACH_LINES * emission.line_hz
    )
    if not beside.any():
        return emission.lines
    level = float(np.median(emission.lines[beside]))
    return np.where(near, np.minimum(emission.lines, level), emission.lines)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Width:
    """Edges of the occupied bandwidth, and how far noise leaves them open.

    ``within`` is the half-width of where in their lines both edges together may lie, in lines.
    """

    low_hz: float
    high_hz: float
    doubt_hz: float
    within: float

    @property
    def width_hz(self) -> float:
        return self.high_hz - self.low_hz


def _width(offset_hz: FloatArray, lines: FloatArray) -> _Width:
    low = _edge(offset_hz, lines)
    high = _edge(-offset_hz[::-1], lines[::-1])
    return _Width(
        low_hz=(low.first_hz + low.last_hz) / 2.0,
        high_hz=-(high.first_hz + high.last_hz) / 2.0,
        doubt_hz=(low.last_hz - low.first_hz + high.last_hz - high.first_hz) / 2.0,
        within=(low.within + high.within) / 2.0,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Edge:
    """First and last place where the power from below passes its share."""

    first_hz: float
    last_hz: float
    within: float


def _edge(offset_hz: FloatArray, lines: FloatArray) -> _Edge:
    """Find where the power from below passes its share.

    First and last place are one and the same unless noise, whose mean was taken off, makes the
    sum fall again.
    """
    line_hz = float(offset_hz[1] - offset_hz[0])
    sums = np.concatenate([[0.0], np.cumsum(lines)])
    borders_hz = np.concatenate([[offset_hz[0] - line_hz / 2.0], offset_hz + line_hz / 2.0])
    wanted = OUTSIDE_SHARE * sums[-1]
    above = sums >= wanted
    places = []
    within = STEADY_WITHIN
    # Beyond the half nothing is an edge.
    half = int(np.argmax(sums >= 0.5 * sums[-1]))
    ups = np.flatnonzero(above[1 : half + 1] & ~above[:half])
    for at in (ups[0], ups[-1]) if len(ups) else (0, 0):
        step = sums[at + 1] - sums[at]
        share = (wanted - sums[at]) / step if step > 0.0 else 0.5
        place_hz = float(borders_hz[at] + min(max(share, 0.0), 1.0) * line_hz)
        steady_hz = _steady_line_hz(offset_hz, lines, at)
        places.append(place_hz if steady_hz is None else steady_hz)
        within = 1.0 if steady_hz is None else within
    return _Edge(first_hz=places[0], last_hz=places[1], within=within)


def _steady_line_hz(offset_hz: FloatArray, lines: FloatArray, at: int) -> float | None:
    """Give the place of the sinusoid whose lobe a line belongs to; None when it is no sinusoid.

    The window spreads a sinusoid over some lines: which of them an edge falls into says only
    what share of its power was needed.
    """
    reach = CENTRE_REACH_LINES
    first = max(at - reach, 0)
    top = first + int(np.argmax(lines[first : at + reach + 1]))
    low, high = top - reach, top + reach
    if low < 0 or high >= len(lines):
        return None
    if max(lines[low], lines[high]) > LINE_CLEAR_SHARE * lines[top]:
        return None
    lobe = np.clip(lines[low : high + 1], 0.0, None)
    return float(lobe @ offset_hz[low : high + 1] / lobe.sum())
