"""Write a run: to a new name, synced, then given its own name; nothing is ever overwritten."""

from __future__ import annotations

import contextlib
import io
import json
import math
import os
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import h5netcdf
import h5py
import numpy as np
from numpy.typing import NDArray

from harness.errors import BadInput
from harness.readings import Findings, Limit, Reading, Series
from harness.results import layout
from harness.results.run import Run

_COMPRESSED_FROM_BYTES = 8 * 4096  # chosen: below it a chunk costs more than it saves


def write_run(path: str | Path, run: Run) -> None:
    """Write a run to a new file.

    Parameters
    ----------
    path : of the file, which must not exist; its folder must
    run : what to write

    Raises
    ------
    BadInput : the file exists, its folder does not, or it cannot be written there; nothing is
        left behind.
    """
    path = Path(path)
    check_new(path)
    image = _image(path, run)
    try:
        handle, unfinished = tempfile.mkstemp(
            prefix=f".{path.name}.", suffix=".unfinished", dir=path.parent
        )
    except OSError as fault:
        raise unwritable(path, fault) from fault
    try:
        with open(handle, "wb") as file:
            file.write(image)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(unfinished, 0o666 & ~umask())
        give_name(unfinished, path)
        _sync(path.parent)
    except OSError as fault:
        raise unwritable(path, fault) from fault
    finally:
        with contextlib.suppress(OSError):
            Path(unfinished).unlink(missing_ok=True)


def _image(path: Path, run: Run) -> memoryview:
    """Give the file as bytes: a disk that fails under the HDF5 library leaves it in disorder."""
    held = io.BytesIO()
    try:
        with h5netcdf.File(held, "w") as file:
            _fill(file, run)
        with h5py.File(held, "r+") as file:
            file.attrs[layout.DIGEST] = layout.digest(file)
    except UnicodeEncodeError as fault:
        raise BadInput(
            f"the text {fault.object!r} holds a character that no file can keep",
            str(path),
            "Rename what it names and run again.",
        ) from fault
    return held.getbuffer()


def check_new(path: Path) -> None:
    """Refuse a path that exists or whose folder does not, before any slow work."""
    if os.path.lexists(path):
        raise BadInput("exists, and is not overwritten", str(path), "Give another name.")
    if not path.parent.is_dir():
        raise BadInput(
            "the folder does not exist", str(path.parent), "Make it, or give another name."
        )


def unwritable(path: Path, fault: OSError) -> BadInput:
    """Tell that something cannot be written there."""
    reason = fault.strerror or str(fault)
    return BadInput(f"cannot be written ({reason})", str(path), "Give another place.")


def give_name(unfinished: str | Path, path: Path) -> None:
    """Rename without overwriting: a hard link fails where the name was taken meanwhile."""
    try:
        os.link(unfinished, path)
    except FileExistsError:
        check_new(path)
        raise
    except OSError:
        # A file system without hard links (a memory stick).
        check_new(path)
        os.rename(unfinished, path)


def umask() -> int:
    """Give the permissions that the user's new files go without."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _sync(path: str | Path) -> None:
    if os.name == "nt" and os.path.isdir(path):
        return
    handle = os.open(path, os.O_RDONLY if os.path.isdir(path) else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _fill(file: h5netcdf.File, run: Run) -> None:
    _attributes(
        file,
        {
            layout.FORMAT: layout.FORMAT_RESULTS,
            layout.SCHEMA_ATTRIBUTE: layout.SCHEMA,
            layout.TITLE: run.title,
            layout.PROCEDURE: run.procedure,
            layout.VERDICT: run.verdict,
            layout.STARTED_UTC: run.started_utc.isoformat(timespec="microseconds"),
            layout.ENDED_UTC: run.ended_utc.isoformat(timespec="microseconds"),
            layout.NOTES: run.notes,
            layout.SOURCE: run.source,
        },
    )
    descriptions = [(layout.UNIT, run.unit), (layout.BENCH, run.bench)]
    descriptions += [(layout.SESSION, run.session)] if run.session else []
    for name, description in descriptions:
        _attributes(file.create_group(name), {layout.DESCRIPTION: _json(description)})
    _limits(file, run.limits)
    software = _Table(file, layout.SOFTWARE, layout.PACKAGE, len(run.software))
    software.texts("name", run.software.keys())
    software.texts("version", run.software.values())
    _cautions(file, run.cautions)
    for position, findings in enumerate(run.findings):
        group = file.create_group(layout.findings_group(position, findings.kind))
        _findings(group, position, findings)
    for position, findings in enumerate(run.earlier):
        group = file.create_group(layout.earlier_group(position, findings.kind))
        _findings(group, position, findings)


class _Table:
    """A group with one dimension and columns along it."""

    def __init__(self, parent: h5netcdf.Group, name: str, dimension: str, length: int) -> None:
        self.dimension = dimension
        self.length = length
        self.group = parent.create_group(name)
        self.group.dimensions[dimension] = length

    def texts(self, name: str, texts: Iterable[str]) -> None:
        """Write texts of one length in bytes, UTF-8: what every reader of HDF5 can take in."""
        encoded = [_storable(text).encode("utf-8") for text in texts]
        width = max([1, *map(len, encoded)])
        column = np.array(encoded, dtype=f"S{width}").reshape(self.length)
        variable = self.group.create_variable(
            name, (self.dimension,), dtype=column.dtype, data=column, **_packing(column)
        )
        variable.attrs[layout.ENCODING] = layout.UTF_8

    def numbers(self, name: str, numbers: Iterable[float | None], units: str | None) -> None:
        """Write floats with NaN for None; ``units`` None where a column beside them says."""
        column = np.array([_number(name, number) for number in numbers], dtype=np.float64)
        variable = self.group.create_variable(name, (self.dimension,), data=column)
        variable.attrs[layout.UNITS] = _unit_of_column(self) if units is None else units

    def counts(self, name: str, counts: Iterable[int]) -> None:
        column = np.array(list(counts), dtype=np.int64)
        variable = self.group.create_variable(name, (self.dimension,), data=column)
        variable.attrs[layout.UNITS] = layout.ONE


def _unit_of_column(table: _Table) -> str:
    return "see the variable unit" if "unit" in table.group.variables else "see its reading"


def _number(name: str, number: float | None) -> float:
    if number is None:
        return math.nan
    if math.isnan(number):
        raise ValueError(f"{name}={number} is no value: leave it None")
    return float(number)


def _storable(text: str) -> str:
    if "\0" in text:
        raise BadInput(f"the text {text!r} holds a NUL", "", "Take it out and run again.")
    return text


def _json(value: Any) -> str:
    return json.dumps(_plain(value), ensure_ascii=False)


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(held) for key, held in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(held) for held in value]
    if isinstance(value, np.generic):
        return value.item()
    return value


def _attributes(group: h5netcdf.Group, attributes: Mapping[str, str | int]) -> None:
    for name, value in attributes.items():
        group.attrs[name] = _storable(value) if isinstance(value, str) else value


def _limits(file: h5netcdf.File, limits: Sequence[Limit]) -> None:
    table = _Table(file, layout.LIMITS, layout.LIMIT, len(limits))
    table.texts("reading", (limit.reading for limit in limits))
    table.texts("unit", (limit.unit for limit in limits))
    table.texts("source", (limit.source for limit in limits))
    table.numbers("minimum", (limit.minimum for limit in limits), None)
    table.numbers("maximum", (limit.maximum for limit in limits), None)
    table.texts("allowed", (_json(limit.allowed) for limit in limits))
    table.texts("where", (_json(limit.where) for limit in limits))


def _cautions(group: h5netcdf.Group, cautions: Sequence[str]) -> None:
    table = _Table(group, layout.CAUTIONS, layout.CAUTION, len(cautions))
    table.texts("text", cautions)


def _findings(group: h5netcdf.Group, position: int, findings: Findings) -> None:
    _attributes(group, {layout.KIND: findings.kind, layout.POSITION: position})
    _readings(group, findings.readings)
    _contributions(group, findings.readings)
    recordings = _Table(group, layout.RECORDINGS, layout.RECORDING, len(findings.recordings))
    recordings.texts("path", (used.path for used in findings.recordings))
    recordings.texts("role", (used.role for used in findings.recordings))
    recordings.texts("sha512", (used.sha512 for used in findings.recordings))
    _cautions(group, findings.cautions)
    for order, series in enumerate(findings.series):
        _series(group, order, series)


def _readings(group: h5netcdf.Group, readings: Sequence[Reading]) -> None:
    table = _Table(group, layout.READINGS, layout.READING, len(readings))
    table.texts("name", (reading.name for reading in readings))
    table.texts("unit", (reading.unit for reading in readings))
    table.texts("value_type", (_value_type(reading.value) for reading in readings))
    values = [reading.value for reading in readings]
    table.numbers(
        layout.VALUE, (None if isinstance(value, str) else value for value in values), None
    )
    table.texts("state", (value if isinstance(value, str) else "" for value in values))
    table.numbers(
        "expanded_uncertainty", (reading.expanded_uncertainty for reading in readings), None
    )
    table.numbers("coverage_factor", (reading.coverage_factor for reading in readings), layout.ONE)
    intervals = [reading.interval or (None, None) for reading in readings]
    table.numbers("interval_low", (interval[0] for interval in intervals), None)
    table.numbers("interval_high", (interval[1] for interval in intervals), None)
    table.texts("bound", (reading.bound or layout.NONE_TEXT for reading in readings))
    table.counts("count", (reading.count for reading in readings))
    table.texts("verdict", (reading.verdict or layout.NONE_TEXT for reading in readings))
    table.texts("note", (reading.note for reading in readings))
    table.texts(layout.CONDITIONS, (_json(reading.conditions) for reading in readings))
    table.texts("flags", (_json(reading.flags) for reading in readings))
    table.texts(layout.RECORDINGS, (_json(reading.recordings) for reading in readings))


def _value_type(value: float | str | None) -> str:
    number, state, none = layout.VALUE_TYPES
    return none if value is None else state if isinstance(value, str) else number


def _contributions(group: h5netcdf.Group, readings: Sequence[Reading]) -> None:
    rows = [
        (number, part) for number, reading in enumerate(readings) for part in reading.contributions
    ]
    table = _Table(group, layout.CONTRIBUTIONS, layout.CONTRIBUTION, len(rows))
    table.counts("reading_number", (number for number, _ in rows))
    table.texts("name", (part.name for _, part in rows))
    table.numbers("standard_uncertainty", (part.standard_uncertainty for _, part in rows), None)
    table.numbers("sensitivity", (part.sensitivity for _, part in rows), None)
    table.texts("kind", (part.kind for _, part in rows))
    table.numbers("degrees_of_freedom", (part.degrees_of_freedom for _, part in rows), layout.ONE)
    table.texts("source", (part.source for _, part in rows))
    table.texts("distribution", (part.distribution for _, part in rows))


def _series(group: h5netcdf.Group, position: int, series: Series) -> None:
    names = [_named(axis.name) for axis in series.axes]
    if len(set(names)) < len(names) or layout.VALUE in names:
        raise ValueError(f"series {series.name}: {names} cannot name its axes")
    held = group.create_group(layout.series_group(series.name))
    _attributes(
        held,
        {
            layout.NAME: series.name,
            layout.POSITION: position,
            layout.AXES: _json(names),
            layout.CONDITIONS: _json(series.conditions),
        },
    )
    for axis in series.axes:
        held.dimensions[axis.name] = len(axis.values)
        _array(held, axis.name, (axis.name,), axis.values, axis.unit)
    _array(held, layout.VALUE, tuple(names), series.values, series.unit)


def _array(
    group: h5netcdf.Group,
    name: str,
    dimensions: tuple[str, ...],
    values: NDArray[np.float64],
    unit: str,
) -> None:
    data = np.asarray(values, dtype=np.float64)
    variable = group.create_variable(name, dimensions, data=data, **_packing(data))
    variable.attrs[layout.UNITS] = _storable(unit)


def _packing(data: NDArray[Any]) -> dict[str, Any]:
    """Give how a variable is kept: what is long, compressed."""
    if data.nbytes < _COMPRESSED_FROM_BYTES:
        return {}
    return {"compression": "gzip", "compression_opts": 4, "shuffle": data.dtype.kind == "f"}


def _named(name: str) -> str:
    if not name.isidentifier():
        raise ValueError(f"{name!r} is no name for an axis")
    return name
