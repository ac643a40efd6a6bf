"""Occupied bandwidth of an emission: 99 % of its power, the recorder's noise taken off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.dsp.spectrum import flat_top_lobe
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
STEADY_WITHIN = 1e-4
"""The middle of a sinusoid's lobe is known to this share of a line, noise aside: what the window
leaves outside of the lobe is 1e-9 of it. Worked out, rounded up."""
UNSMEARED_SHARE = 0.5
"""Share of what the window's smearing moved an edge by, and was taken off again, that may be wrong.
Chosen: smearing once more moves it as much, to the second order."""
SMEARED_LINES = 4.0
UNSMOOTH_LINES = 0.1
"""An edge moves by no more lines for the window than its lobe reaches; between lines the sum is
not quite straight. Chosen."""


def occupied_bandwidth(emission: Emission, spacing_hz: float, recording: str) -> Reading:
    """Give the bandwidth that holds 99 % of the power, half a per cent beyond each edge.

    Notes
    -----
    The mean noise is taken off each line with its sign, so that what is left sums to nothing
    where nothing is sent. An edge that falls on a sinusoid lies at its middle, any other where
    the sum passes its share. There the window has smeared it outwards: by as much, nearly, as
    smearing the lines once more moves it, which is taken off.
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
            standard_uncertainty=rectangular(got.within_hz),
            distribution="rectangular",
            source="where in a line an edge lies, and what the window smears",
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

    ``within_hz`` is the half-width of where both edges together may lie.
    """

    low_hz: float
    high_hz: float
    doubt_hz: float
    within_hz: float

    @property
    def width_hz(self) -> float:
        return self.high_hz - self.low_hz


def _width(offset_hz: FloatArray, lines: FloatArray) -> _Width:
    smeared = np.convolve(lines, flat_top_lobe(), mode="same")
    low = _edge(offset_hz, lines, smeared)
    high = _edge(-offset_hz[::-1], lines[::-1], smeared[::-1])
    return _Width(
        low_hz=(low.first_hz + low.last_hz) / 2.0,
        high_hz=-(high.first_hz + high.last_hz) / 2.0,
        doubt_hz=(low.last_hz - low.first_hz + high.last_hz - high.first_hz) / 2.0,
        within_hz=low.within_hz + high.within_hz,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Edge:
    """First and last place where the power from below passes its share."""

    first_hz: float
    last_hz: float
    within_hz: float


def _edge(offset_hz: FloatArray, lines: FloatArray, smeared: FloatArray) -> _Edge:
    """Find where the power from below passes its share.

    First and last place are one and the same unless noise, whose mean was taken off, makes the
    sum fall again. ``smeared`` are the lines through the window once more.
    """
    line_hz = float(offset_hz[1] - offset_hz[0])
    passed = _passed(lines)
    places_hz = [_place_hz(offset_hz, lines, at) for at in passed]
    steady_hz = [_steady_line_hz(offset_hz, lines, at) for at in passed]
    moved_hz = _place_hz(offset_hz, smeared, _passed(smeared)[0]) - places_hz[0]
    # A step of the sum between sinusoids moves by chance; a smooth edge by less than its lobe.
    moved_hz = min(max(moved_hz, -SMEARED_LINES * line_hz), 0.0)
    within_hz = STEADY_WITHIN * line_hz
    ends_hz = []
    for place_hz, middle_hz in zip(places_hz, steady_hz, strict=True):
        ends_hz.append(place_hz - moved_hz if middle_hz is None else middle_hz)
        if middle_hz is None:
            within_hz = UNSMEARED_SHARE * abs(moved_hz) + UNSMOOTH_LINES * line_hz
    return _Edge(first_hz=ends_hz[0], last_hz=ends_hz[1], within_hz=within_hz)


def _passed(lines: FloatArray) -> tuple[int, int]:
    """First and last line in which the sum from below passes its share, below half of it."""
    sums = np.concatenate([[0.0], np.cumsum(lines)])
    above = sums >= OUTSIDE_SHARE * sums[-1]
    half = int(np.argmax(sums >= 0.5 * sums[-1]))
    ups = np.flatnonzero(above[1 : half + 1] & ~above[:half])
    return (int(ups[0]), int(ups[-1])) if len(ups) else (0, 0)


def _place_hz(offset_hz: FloatArray, lines: FloatArray, at: int) -> float:
    """Give the place within a line at which the sum from below passes its share."""
    line_hz = float(offset_hz[1] - offset_hz[0])
    below, step = float(lines[:at].sum()), float(lines[at])
    share = (OUTSIDE_SHARE * float(lines.sum()) - below) / step if step > 0.0 else 0.5
    return float(offset_hz[at]) + (min(max(share, 0.0), 1.0) - 0.5) * line_hz


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
