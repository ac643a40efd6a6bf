"""Audio response: the level of each tone of a stimulus against that of 1 kHz.

From one recording of a stimulus whose tones have the same level where they go in: stepped, swept
or together. Given relative to 1 kHz, and where the unit has emphasis once more relative to
6 dB per octave: rising in what a transmitter sends, falling in a receiver's audio.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.dsp.weighting import EMPHASIS_REFERENCE_HZ, de_emphasis_weight
from harness.measure.stimulus import APART, StimulusKind, StimulusTrack, ToneRecord
from harness.readings import Axis, ConditionValue, Reading, Series, measured, not_measured
from harness.uncertainty import Contribution, combine, difference, scaled
from harness.units import db_from_ratio

FloatArray = NDArray[np.float64]

NAME = "audio_response"
BINS_PER_OCTAVE = 12
"""A sweep is averaged over twelfths of an octave, one of them about 1 kHz. Chosen."""
LISTED_HZ = (300.0, 400.0, 500.0, 700.0, 1000.0, 1500.0, 2000.0, 2500.0, 3000.0)
"""Where a sweep, or a stimulus of very many tones, has readings beside the series: the
frequencies of emphasis_6db_per_octave.csv."""
MOST_READINGS = 24
SCALE_DB = 20.0 / math.log(10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponsePoint:
    """A tone's amplitude and its variance, in the unit of the audio."""

    frequency_hz: float
    amplitude: float
    amplitude_variance: float
    count: int


def response_points(track: StimulusTrack, kind: StimulusKind) -> list[ResponsePoint]:
    """Give the tones of a stimulus by rising frequency, each once."""
    if kind == "multitone":
        return [
            ResponsePoint(
                frequency_hz=line.frequency_hz,
                amplitude=line.amplitude,
                amplitude_variance=line.amplitude_variance,
                count=1,
            )
            for line in track.lines()
        ]
    if kind == "swept":
        return _bins(track.records)
    points = [
        ResponsePoint(
            frequency_hz=p.frequency_hz,
            amplitude=p.amplitude,
            amplitude_variance=p.amplitude_variance,
            count=p.count,
        )
        for p in track.plateaus()
    ]
    points.sort(key=lambda point: point.frequency_hz)
    groups: list[list[ResponsePoint]] = []
    for point in points:
        if groups and point.frequency_hz <= groups[-1][0].frequency_hz * (1.0 + APART):
            groups[-1].append(point)
        else:
            groups.append([point])
    return [_together(group) for group in groups]


def _bins(records: Sequence[ToneRecord]) -> list[ResponsePoint]:
    groups: dict[int, list[ToneRecord]] = {}
    for record in records:
        octaves = math.log2(record.frequency_hz / EMPHASIS_REFERENCE_HZ)
        groups.setdefault(round(BINS_PER_OCTAVE * octaves), []).append(record)
    given = []
    for _, group in sorted(groups.items()):
        amplitude = np.array([r.amplitude for r in group])
        variance = np.array([r.amplitude_variance for r in group])
        given.append(
            ResponsePoint(
                frequency_hz=math.exp(np.mean([math.log(r.frequency_hz) for r in group])),
                amplitude=float(amplitude.mean()),
                # Grains overlap by half: neighbours share half of their noise.
                amplitude_variance=2.0 * float(variance.sum()) / len(group) ** 2,
                count=len(group),
            )
        )
    return given


def _together(group: Sequence[ResponsePoint]) -> ResponsePoint:
    share = np.array([point.count for point in group], dtype=np.float64)
    share /= share.sum()
    return ResponsePoint(
        frequency_hz=float(share @ [p.frequency_hz for p in group]),
        amplitude=float(share @ [p.amplitude for p in group]),
        amplitude_variance=float(share**2 @ [p.amplitude_variance for p in group]),
        count=sum(p.count for p in group),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Level:
    """Decibels of a point and what their uncertainty is made of."""

    value_db: float
    parts: tuple[Contribution, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """Readings and series of a response; one reading with the reason where there is none."""

    readings: tuple[Reading, ...]
    series: tuple[Series, ...]


def audio_response(
    track: StimulusTrack,
    kind: StimulusKind,
    *,
    de_emphasis: bool,
    line_db_per_octave: float | None,
    recordings: tuple[str, ...],
) -> Response:
    """Give the response to a stimulus.

    Parameters
    ----------
    de_emphasis : whether 6 dB per octave are taken off the audio first
    line_db_per_octave : +6 or -6 where the unit has emphasis, for a response relative to that
        line; None where it has none
    """
    points = response_points(track, kind)
    conditions: dict[str, ConditionValue] = {
        "stimulus": kind,
        "de_emphasis": de_emphasis,
        "reference": "1 kHz",
    }
    levels = [_level(point, de_emphasis) for point in points]
    reference = _reference([point.frequency_hz for point in points], levels)
    if reference is None:
        note = "the stimulus has no tone at 1 kHz, nor one on each side within an octave"
        lacking = not_measured(NAME, note, conditions=conditions, recordings=recordings)
        return Response(readings=(lacking,), series=())
    relative = [
        _Level(
            value_db=level.value_db - reference.value_db,
            parts=difference(level.parts, reference.parts),
        )
        for level in levels
    ]
    frequency_hz = np.array([point.frequency_hz for point in points])
    value_db = np.array([level.value_db for level in relative])
    expanded_db = np.array([combine(level.parts).expanded_uncertainty for level in relative])
    lines = [("", "1 kHz", np.zeros(len(points)))]
    if line_db_per_octave is not None and not de_emphasis:
        sign = math.copysign(1.0, line_db_per_octave)
        slope_db = -sign * np.asarray(db_from_ratio(de_emphasis_weight(frequency_hz)))
        lines.append(("_to_emphasis", "6 dB/octave", slope_db))
    readings: list[Reading] = []
    series: list[Series] = []
    axis = Axis(name="audio_frequency", unit="Hz", values=frequency_hz)
    for suffix, against, line_db in lines:
        held = {**conditions, "reference": against}
        for number in _listed(frequency_hz):
            readings.append(
                measured(
                    NAME,
                    float(value_db[number] - line_db[number]),
                    relative[number].parts,
                    count=points[number].count,
                    conditions={"tone_hz": round(float(frequency_hz[number]), 1), **held},
                    recordings=recordings,
                )
            )
        series.append(_series(NAME + suffix, axis, value_db - line_db, held))
    series.append(_series(f"{NAME}_uncertainty", axis, expanded_db, conditions))
    return Response(readings=tuple(readings), series=tuple(series))


def _series(
    name: str, axis: Axis, values: FloatArray, conditions: Mapping[str, ConditionValue]
) -> Series:
    return Series(name=name, unit="dB", axes=(axis,), values=values, conditions=conditions)


def _level(point: ResponsePoint, de_emphasis: bool) -> _Level:
    value_db = 20.0 * math.log10(point.amplitude) if point.amplitude > 0.0 else -math.inf
    if de_emphasis:
        value_db += float(db_from_ratio(de_emphasis_weight(point.frequency_hz)))
    standard_db = SCALE_DB * math.sqrt(point.amplitude_variance) / max(point.amplitude, 1e-300)
    part = Contribution(
        name=f"{NAME}.at_{point.frequency_hz:.1f}_hz",
        standard_uncertainty=standard_db,
        kind="A",
        source="noise beside the tone",
    )
    return _Level(value_db=value_db, parts=(part,))


def _reference(frequency_hz: Sequence[float], levels: Sequence[_Level]) -> _Level | None:
    """Level at 1 kHz: of the tone there, or between its neighbours, dB against log frequency."""
    wanted = EMPHASIS_REFERENCE_HZ
    for f, level in zip(frequency_hz, levels, strict=True):
        if abs(f / wanted - 1.0) < APART:
            return level
    below = [k for k, f in enumerate(frequency_hz) if f < wanted]
    above = [k for k, f in enumerate(frequency_hz) if f > wanted]
    if not below or not above:
        return None
    low, high = below[-1], above[0]
    span = math.log(frequency_hz[high] / frequency_hz[low])
    if span > math.log(2.0) * (1.0 + APART):
        return None
    share = math.log(wanted / frequency_hz[low]) / span
    first, second = levels[low], levels[high]
    return _Level(
        value_db=(1.0 - share) * first.value_db + share * second.value_db,
        parts=(*scaled(first.parts, 1.0 - share), *scaled(second.parts, share)),
    )


def _listed(frequency_hz: FloatArray) -> list[int]:
    """Points that have a reading: all, or of very many the ones nearest to the list."""
    if len(frequency_hz) <= MOST_READINGS:
        return list(range(len(frequency_hz)))
    nearest = {int(np.argmin(np.abs(np.log(frequency_hz / f)))) for f in LISTED_HZ}
    return sorted(nearest)
