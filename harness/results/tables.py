"""A run as plain tables, for programs that know nothing of results files.

The numbers are those of the file, bit for bit; nothing is rounded, converted or left out. What a
table cannot hold goes beside it: a series' conditions stand in the table of all series.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from harness.readings import Findings, Reading, Series, findings_json
from harness.results import layout
from harness.results.run import Run

Kind = Literal["text", "number", "count", "flag"]

JSON_SCHEMA = 1
"""Of the whole run as one object; each of its findings says its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column: None where a row has nothing.

    Parameters
    ----------
    units : of all its numbers; "" where there is none, or another column says
    """

    name: str
    kind: Kind
    values: Sequence[Any]
    units: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table; ``name`` is good for a file. ``about`` is what else belongs to it."""

    name: str
    columns: tuple[Column, ...]
    about: Mapping[str, Any]


def tables_of(run: Run) -> tuple[Table, ...]:
    """Give all tables of a run: about it, readings, contributions, limits, recordings, series."""
    return (
        _about(run),
        _readings("readings", run.findings, run),
        *((_readings("earlier_readings", run.earlier, run),) if run.earlier else ()),
        _contributions(run.findings),
        _limits(run),
        _recordings(run.findings),
        _cautions(run),
        _all_series(run.findings),
        *(
            _series(findings, place, series)
            for place, findings in enumerate(run.findings)
            for series in findings.series
        ),
    )


def run_json(run: Run) -> dict[str, Any]:
    """Give a run as one object; each of its findings as ``harness measure --json`` has it."""
    return {
        "schema": JSON_SCHEMA,
        **_head(run),
        "limits": [
            {
                "reading": limit.reading,
                "unit": limit.unit,
                "minimum": limit.minimum,
                "maximum": limit.maximum,
                "allowed": list(limit.allowed),
                "where": _plain(limit.where),
                "source": limit.source,
            }
            for limit in run.limits
        ],
        "cautions": list(run.cautions),
        "findings": [findings_json(findings) for findings in run.findings],
        "earlier": [findings_json(findings) for findings in run.earlier],
    }


def _head(run: Run) -> dict[str, Any]:
    return {
        "title": run.title,
        "procedure": run.procedure,
        "verdict": run.verdict,
        "started_utc": run.started_utc.isoformat(timespec="microseconds"),
        "ended_utc": run.ended_utc.isoformat(timespec="microseconds"),
        "source": run.source,
        "notes": run.notes,
        "unit": _plain(run.unit),
        "bench": _plain(run.bench),
        "session": _plain(run.session),
        "software": dict(run.software),
    }


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(held) for key, held in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(held) for held in value]
    return value


def _json(value: Any) -> str:
    return json.dumps(_plain(value), ensure_ascii=False)


def _about(run: Run) -> Table:
    head = _head(run)
    texts = [value if isinstance(value, str) else _json(value) for value in head.values()]
    return Table(
        name="run",
        columns=(_texts("name", head), _texts("value", texts)),
        about={"title": run.title},
    )


def _texts(name: str, values: Iterable[str | None]) -> Column:
    return Column(name=name, kind="text", values=list(values))


def _numbers(name: str, values: Iterable[float | None], units: str = "") -> Column:
    return Column(name=name, kind="number", values=list(values), units=units)


def _counts(name: str, values: Iterable[int]) -> Column:
    return Column(name=name, kind="count", values=list(values))


def _readings(name: str, all_findings: Sequence[Findings], run: Run) -> Table:
    rows = [
        (place, findings.kind, reading)
        for place, findings in enumerate(all_findings)
        for reading in findings.readings
    ]
    held = [reading for _, _, reading in rows]
    started = run.started_utc.isoformat(timespec="microseconds")
    columns = (
        # Of the run, so that tables of many runs can be put under each other.
        _texts("run_unit", [str(run.unit.get("name") or "")] * len(rows)),
        _texts("run_serial", [str(run.unit.get("serial") or "")] * len(rows)),
        _texts("run_started_utc", [started] * len(rows)),
        _counts("position", (place for place, _, _ in rows)),
        _texts("kind", (kind for _, kind, _ in rows)),
        _texts("name", (reading.name for reading in held)),
        _numbers("value", (_number(reading) for reading in held)),
        _texts("state", (r.value if isinstance(r.value, str) else None for r in held)),
        _texts("unit", (reading.unit for reading in held)),
        _numbers("expanded_uncertainty", (reading.expanded_uncertainty for reading in held)),
        _numbers("coverage_factor", (reading.coverage_factor for reading in held)),
        _numbers("interval_low", (r.interval[0] if r.interval else None for r in held)),
        _numbers("interval_high", (r.interval[1] if r.interval else None for r in held)),
        _texts("bound", (reading.bound for reading in held)),
        _counts("count", (reading.count for reading in held)),
        _texts("verdict", (reading.verdict for reading in held)),
        _texts("flags", ("; ".join(reading.flags) for reading in held)),
        _texts("note", (reading.note for reading in held)),
        _texts("recordings", (_json(reading.recordings) for reading in held)),
        *_conditions([reading.conditions for reading in held]),
    )
    return Table(name=name, columns=columns, about={"title": run.title})


def _number(reading: Reading) -> float | None:
    value = reading.value
    return None if value is None or isinstance(value, str) else float(value)


def _conditions(all_conditions: Sequence[Mapping[str, Any]]) -> list[Column]:
    """Give a column for each condition that any row has; units stand in the names of the keys."""
    columns = []
    for key in dict.fromkeys(key for conditions in all_conditions for key in conditions):
        values = [conditions.get(key) for conditions in all_conditions]
        types = {type(value) for value in values if value is not None}
        name = f"{layout.CONDITIONS}.{key}"
        if types == {bool}:
            columns.append(Column(name=name, kind="flag", values=values))
        elif types <= {int, float}:
            columns.append(_numbers(name, (None if v is None else float(v) for v in values)))
        else:
            columns.append(
                _texts(name, (v if v is None or isinstance(v, str) else _json(v) for v in values))
            )
    return columns


def _contributions(all_findings: Sequence[Findings]) -> Table:
    rows = [
        (place, number, reading, part)
        for place, findings in enumerate(all_findings)
        for number, reading in enumerate(findings.readings)
        for part in reading.contributions
    ]
    parts = [part for _, _, _, part in rows]
    columns = (
        _counts("position", (place for place, _, _, _ in rows)),
        _counts("reading_number", (number for _, number, _, _ in rows)),
        _texts("reading", (reading.name for _, _, reading, _ in rows)),
        _texts("name", (part.name for part in parts)),
        _numbers("standard_uncertainty", (part.standard_uncertainty for part in parts)),
        _numbers("sensitivity", (part.sensitivity for part in parts)),
        _texts("kind", (part.kind for part in parts)),
        _numbers("degrees_of_freedom", (part.degrees_of_freedom for part in parts)),
        _texts("source", (part.source for part in parts)),
        _texts("distribution", (part.distribution for part in parts)),
    )
    return Table(name="contributions", columns=columns, about={})


def _limits(run: Run) -> Table:
    columns = (
        _texts("reading", (limit.reading for limit in run.limits)),
        _texts("unit", (limit.unit for limit in run.limits)),
        _numbers("minimum", (limit.minimum for limit in run.limits)),
        _numbers("maximum", (limit.maximum for limit in run.limits)),
        _texts("allowed", (_json(limit.allowed) for limit in run.limits)),
        _texts("where", (_json(limit.where) for limit in run.limits)),
        _texts("source", (limit.source for limit in run.limits)),
    )
    return Table(name="limits", columns=columns, about={})


def _recordings(all_findings: Sequence[Findings]) -> Table:
    rows = [(place, used) for place, found in enumerate(all_findings) for used in found.recordings]
    columns = (
        _counts("position", (place for place, _ in rows)),
        _texts("path", (used.path for _, used in rows)),
        _texts("role", (used.role for _, used in rows)),
        _texts("sha512", (used.sha512 for _, used in rows)),
    )
    return Table(name="recordings", columns=columns, about={})


def _cautions(run: Run) -> Table:
    rows: list[tuple[str, str]] = [("run", text) for text in run.cautions]
    rows += [(found.kind, text) for found in run.findings for text in found.cautions]
    return Table(
        name="cautions",
        columns=(_texts("of", (of for of, _ in rows)), _texts("text", (text for _, text in rows))),
        about={},
    )


def _all_series(all_findings: Sequence[Findings]) -> Table:
    rows = [
        (place, findings, series)
        for place, findings in enumerate(all_findings)
        for series in findings.series
    ]
    columns = (
        _texts("table", (series_table(*row) for row in rows)),
        _counts("position", (place for place, _, _ in rows)),
        _texts("kind", (findings.kind for _, findings, _ in rows)),
        _texts("name", (series.name for _, _, series in rows)),
        _texts("unit", (series.unit for _, _, series in rows)),
        _counts("points", (int(np.size(series.values)) for _, _, series in rows)),
        *_conditions([series.conditions for _, _, series in rows]),
    )
    return Table(name="series", columns=columns, about={})


def series_table(place: int, findings: Findings, series: Series) -> str:
    """Name the table of a series after its place in the file: ``00_carrier_spectrum``."""
    group = layout.findings_group(place, findings.kind).rpartition("/")[2]
    return f"{group}_{layout.series_group(series.name).rpartition('/')[2]}"


def _series(findings: Findings, place: int, series: Series) -> Table:
    """Give a row for each point, the last axis changing fastest."""
    shape = tuple(len(axis.values) for axis in series.axes)
    columns = []
    for number, axis in enumerate(series.axes):
        along = [1] * len(shape)
        along[number] = len(axis.values)
        values = np.broadcast_to(np.reshape(axis.values, along), shape).ravel()
        columns.append(_numbers(axis.name, values.tolist(), axis.unit))
    gaps = (None if np.isnan(value) else value for value in series.values.ravel().tolist())
    columns.append(_numbers(layout.VALUE, gaps, series.unit))
    return Table(
        name=series_table(place, findings, series),
        columns=tuple(columns),
        about={"series": series.name, "kind": findings.kind, "conditions": dict(series.conditions)},
    )
