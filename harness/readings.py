"""Readings, series and verdicts: what every measurement gives, frozen, and their JSON form."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from harness.uncertainty import Contribution, combine, merge
from harness.vocabulary import TERMS

SCHEMA = 1
"""Of the JSON form (DESIGN section 6)."""

Verdict = Literal["pass", "fail", "undecided", "not measured"]
Bound = Literal["upper", "lower"]
ConditionValue = float | str | bool

UNCALIBRATED = "outside calibration"
"""No uncertainty is declared of what the value rests on, so that U is its repeatability only."""
FLAGS = (
    "clipped",
    "lost samples",
    "floor",
    "too short",
    UNCALIBRATED,
    "not verified",
)
"""Words that a reading may be flagged with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One measured quantity with its uncertainty and what it holds under.

    Parameters
    ----------
    name : str, a key of ``vocabulary.TERMS``
    value : float, str for a state, or None only with verdict "not measured"
    unit : str, as in the vocabulary
    expanded_uncertainty : float or None
        U in ``unit``; None only for a state, a bound without one, or a count of none.
    coverage_factor : float
    interval : (lower, upper) of 95 % where it is lopsided; U is then the larger half
    bound : "upper" or "lower" where no more than a bound can be said
    count : int, how many samples, sweeps, keyings or steps it rests on
    conditions : mapping of what it holds under, units in the names of the keys
    recordings : names of the recordings it came from
    flags : words out of ``FLAGS``
    verdict : None until judged against a limit
    note : str, one plain sentence or nothing
    contributions : what U is made of, for differences
    """

    name: str
    value: float | str | None
    unit: str
    expanded_uncertainty: float | None = None
    coverage_factor: float = 2.0
    interval: tuple[float, float] | None = None
    bound: Bound | None = None
    count: int = 0
    conditions: Mapping[str, ConditionValue] = field(default_factory=lambda: MappingProxyType({}))
    recordings: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()
    verdict: Verdict | None = None
    note: str = ""
    contributions: tuple[Contribution, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what no honest reading can be."""
        if self.name not in TERMS:
            raise ValueError(f"{self.name!r} is not in the vocabulary")
        if self.unit != TERMS[self.name].unit:
            raise ValueError(f"{self.name} is in {TERMS[self.name].unit!r}, not {self.unit!r}")
        if self.value is None and self.verdict != "not measured":
            raise ValueError(f"{self.name} has no value and is not 'not measured'")
        if isinstance(self.value, float) and not math.isfinite(self.value):
            raise ValueError(f"{self.name} has the value {self.value}")
        if self.flags and set(self.flags) - set(FLAGS):
            raise ValueError(f"{self.name} has unknown flags {set(self.flags) - set(FLAGS)}")
        numeric = isinstance(self.value, int | float)
        silent = self.expanded_uncertainty is None and self.interval is None and not self.bound
        if numeric and silent:
            raise ValueError(f"{self.name} has no uncertainty, interval or bound")


def measured(
    name: str,
    value: float,
    contributions: Iterable[Contribution],
    *,
    count: int,
    **more: Any,
) -> Reading:
    """Make a reading of a value and what its uncertainty is made of.

    Parameters
    ----------
    name : str, a key of ``vocabulary.TERMS``
    value : float, in the vocabulary's unit
    contributions : of the value, in the same unit
    count : int, what it rests on
    **more : further fields of ``Reading``
    """
    parts = merge(contributions)
    total = combine(parts)
    return Reading(
        name=name,
        value=float(value),
        unit=TERMS[name].unit,
        expanded_uncertainty=total.expanded_uncertainty,
        coverage_factor=total.coverage_factor,
        count=count,
        contributions=parts,
        **more,
    )


def not_measured(name: str, note: str, **more: Any) -> Reading:
    """Make the reading that says why there is none."""
    return Reading(
        name=name, value=None, unit=TERMS[name].unit, verdict="not measured", note=note, **more
    )


def sentence(note: str) -> str:
    """Make a sentence of a note: a capital first, a full stop last."""
    return f"{note[:1].upper()}{note[1:].rstrip('.')}."


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """Values along one dimension of a series: name, unit, float64 shape (n,)."""

    name: str
    unit: str
    values: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Values against one or more axes: power against time, the opening curve.

    ``values`` is float64 of the shape of the axes; NaN where nothing was measured (a gap).
    ``name`` is unique within one set of findings; ``conditions`` as in a reading.
    """

    name: str
    unit: str
    axes: tuple[Axis, ...]
    values: NDArray[np.float64]
    conditions: Mapping[str, ConditionValue] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        """Refuse values whose shape is not that of the axes."""
        shape = tuple(len(axis.values) for axis in self.axes)
        if np.shape(self.values) != shape:
            raise ValueError(f"series {self.name}: {np.shape(self.values)} against axes {shape}")


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingUsed:
    """A recording that a measurement came from, by name and checksum."""

    path: str
    role: str
    sha512: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """All that one measurement gives."""

    kind: str
    readings: tuple[Reading, ...] = ()
    series: tuple[Series, ...] = ()
    cautions: tuple[str, ...] = ()
    recordings: tuple[RecordingUsed, ...] = ()

    def reading(self, name: str) -> Reading | None:
        """Give the first reading of a name, None where there is none."""
        return next((reading for reading in self.readings if reading.name == name), None)

    def value(self, name: str) -> float | str | None:
        """Give the value of the first reading of a name, None where there is none."""
        reading = self.reading(name)
        return None if reading is None else reading.value


def joined(first: Findings, second: Findings) -> Findings:
    """Put two findings of one kind together, the first's before the second's."""
    return replace(
        first,
        readings=(*first.readings, *second.readings),
        series=(*first.series, *second.series),
        cautions=tuple(dict.fromkeys((*first.cautions, *second.cautions))),
        recordings=tuple(dict.fromkeys((*first.recordings, *second.recordings))),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A least or greatest value for a reading, and where it is written.

    ``where`` holds conditions that a reading must have for the limit to apply to it.
    A state has ``allowed`` words instead. A pair of numbers is a range: a level that was measured
    is never quite the one that was asked for.
    """

    reading: str
    unit: str
    source: str
    minimum: float | None = None
    maximum: float | None = None
    allowed: tuple[str, ...] = ()
    where: Mapping[str, ConditionValue | tuple[float, float]] = field(
        default_factory=lambda: MappingProxyType({})
    )

    def applies_to(self, reading: Reading) -> bool:
        """Whether the limit is for this reading under its conditions.

        What is measured on the unit's input is not of the unit: a limit is for it only if it
        says so.
        """
        held = {"role": "output", **reading.conditions}
        wanted = {"role": "output", **self.where}
        return reading.name == self.reading and all(
            _meets(held.get(key), value) for key, value in wanted.items()
        )


def _meets(condition: ConditionValue | None, wanted: ConditionValue | tuple[float, float]) -> bool:
    """Whether a condition is the one wanted, or lies in the range wanted, ends included."""
    if isinstance(wanted, tuple | list):
        low, high = wanted
        return isinstance(condition, int | float) and low <= condition <= high
    return condition == wanted


def ends(reading: Reading) -> tuple[float, float]:
    """Lowest and highest value that the reading allows at 95 %."""
    value = reading.value
    if not isinstance(value, int | float):
        raise ValueError(f"{reading.name} is not a number")
    if reading.interval is not None:
        low, high = reading.interval
    else:
        half = reading.expanded_uncertainty or 0.0
        low, high = value - half, value + half
    if reading.bound == "upper":
        low = -math.inf
    elif reading.bound == "lower":
        high = math.inf
    return low, high


def judge(reading: Reading, limit: Limit) -> Verdict:
    """Judge a reading against a limit with the whole of U as guard band.

    Notes
    -----
    Pass when the whole of the 95 % interval is inside, fail when the whole is outside, else
    undecided: the guard band w = U on both sides, JCGM 106:2012 clause 8 (memory), so that a
    false pass has a chance below 2.5 % (ILAC-G8:09/2019, read). Where no uncertainty is known
    of the calibration, nothing can be decided, however small the scatter.
    """
    if reading.value is None:
        return "not measured"
    if isinstance(reading.value, str):
        return "pass" if reading.value in limit.allowed else "fail"
    if UNCALIBRATED in reading.flags:
        return "undecided"
    low, high = ends(reading)
    below = limit.minimum is not None and high < limit.minimum
    above = limit.maximum is not None and low > limit.maximum
    if below or above:
        return "fail"
    inside_low = limit.minimum is None or low >= limit.minimum
    inside_high = limit.maximum is None or high <= limit.maximum
    return "pass" if inside_low and inside_high else "undecided"


SEVERITY: tuple[Verdict, ...] = ("pass", "not measured", "undecided", "fail")
"""From best to worst; a whole is never better than its worst part."""


def worst(verdicts: Iterable[Verdict | None]) -> Verdict:
    """Give the verdict of a whole: its worst part; "not measured" when nothing was judged."""
    judged = [verdict for verdict in verdicts if verdict is not None]
    return max(judged, key=SEVERITY.index) if judged else "not measured"


def judged(readings: Iterable[Reading], limits: Iterable[Limit]) -> tuple[Reading, ...]:
    """Give the readings with their verdicts; one that no limit applies to keeps none."""
    limits = tuple(limits)
    given = []
    for reading in readings:
        verdicts = [judge(reading, limit) for limit in limits if limit.applies_to(reading)]
        given.append(replace(reading, verdict=worst(verdicts)) if verdicts else reading)
    return tuple(given)


def limit_json(limit: Limit) -> dict[str, Any]:
    """Give a limit as JSON keeps it; where it is written is part of it."""
    return {
        "reading": limit.reading,
        "unit": limit.unit,
        "source": limit.source,
        "minimum": limit.minimum,
        "maximum": limit.maximum,
        "allowed": list(limit.allowed),
        "where": {k: list(v) if isinstance(v, tuple) else v for k, v in limit.where.items()},
    }


def reading_json(reading: Reading) -> dict[str, Any]:
    """JSON form of a reading, as promised in DESIGN section 6."""
    return {
        "name": reading.name,
        "value": reading.value,
        "unit": reading.unit,
        "expanded_uncertainty": reading.expanded_uncertainty,
        "coverage_factor": reading.coverage_factor,
        "interval": list(reading.interval) if reading.interval else None,
        "bound": reading.bound,
        "count": reading.count,
        "conditions": dict(reading.conditions),
        "flags": list(reading.flags),
        "verdict": reading.verdict,
        "note": reading.note,
    }


def series_json(series: Series) -> dict[str, Any]:
    """JSON form of a series; a gap is null."""

    def numbers(values: NDArray[np.float64]) -> Any:
        masked = values.astype(object)
        masked[~np.isfinite(values)] = None
        return masked.tolist()

    return {
        "name": series.name,
        "unit": series.unit,
        "axes": [
            {"name": axis.name, "unit": axis.unit, "values": numbers(axis.values)}
            for axis in series.axes
        ],
        "values": numbers(series.values),
        "conditions": dict(series.conditions),
    }


def findings_json(findings: Findings) -> dict[str, Any]:
    """JSON form of all that a measurement gives, as promised in DESIGN section 6."""
    return {
        "schema": SCHEMA,
        "kind": findings.kind,
        "recordings": [
            {"path": used.path, "role": used.role, "sha512": used.sha512}
            for used in findings.recordings
        ],
        "readings": [reading_json(reading) for reading in findings.readings],
        "series": [series_json(series) for series in findings.series],
        "cautions": list(findings.cautions),
    }


def unanswered(limits: Sequence[Limit], readings: Sequence[Reading]) -> tuple[Limit, ...]:
    """Give the limits that apply to none of the readings."""
    return tuple(
        limit for limit in limits if not any(limit.applies_to(reading) for reading in readings)
    )
