"""Read a run back, bit for bit, or say in one line why not."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar, get_args

import h5py
import numpy as np

from harness.errors import BadInput, Damaged
from harness.readings import Axis, Findings, Limit, Reading, RecordingUsed, Series, Verdict
from harness.recordings.files import sha512_of
from harness.results import layout
from harness.results.run import Run
from harness.uncertainty import Contribution

MOST_BYTES = 256 << 20
"""Values of one file; chosen: a thousand times those of an acceptance."""


T = TypeVar("T")


class Foreign(BadInput):
    """An HDF5 file of another program."""


def read_run(path: str | Path) -> Run:
    """Read a results file of this or an earlier schema.

    Parameters
    ----------
    path : of a file that ``write_run`` wrote

    Raises
    ------
    BadInput : missing, or of a newer schema. Damaged : no results file, changed, or cut short.
    """
    return from_file(Path(path), _read)


def from_file(path: Path, reader: Callable[[h5py.File, Path], T]) -> T:
    """Give what a reader makes of an open file; whatever goes wrong is told in one line.

    Raises
    ------
    BadInput : as for ``read_run``.
    """
    # Of ``os``: a path's own question raises where the name is too long.
    if not os.path.isfile(path):
        what = "is a folder, not a results file" if os.path.isdir(path) else "no such file"
        raise BadInput(what, str(path), "Give the name of a results file.")
    try:
        with h5py.File(path, "r") as file:
            return reader(file, path)
    except BadInput:
        raise
    except PermissionError as fault:
        raise BadInput("may not be read", str(path), "Change its permissions.") from fault
    except OSError as fault:
        raise Damaged(
            "is no results file, or is damaged or cut short",
            str(path),
            "Take another copy of it, or measure its recordings again.",
        ) from fault
    except (LookupError, ValueError, TypeError, AttributeError, RuntimeError, MemoryError) as fault:
        raise _damaged(path) from fault


def fingerprint_of(path: str | Path) -> str:
    """Give the SHA-512 of a results file, byte for byte, in hexadecimal.

    Any program for SHA-512 gives the same. It is what reports and cards print; the digest of the
    content stands in the file itself, and ``read_run`` holds the content to it.

    Raises
    ------
    BadInput : the file cannot be read.
    """
    return sha512_of(Path(path))


def _damaged(path: Path) -> Damaged:
    return Damaged(
        "is damaged, or was changed after it was written",
        str(path),
        "Take another copy of it, or measure its recordings again.",
    )


def _read(file: h5py.File, path: Path) -> Run:
    schema = schema_of(file, path)
    if not _holds_what_it_may(file) or file.attrs[layout.DIGEST] != layout.digest(file):
        raise _damaged(path)
    return _READERS[schema](file)


def schema_of(file: h5py.File, path: Path) -> int:
    """Give the schema of a results file that this version reads.

    Raises
    ------
    Foreign : it is no results file.
    BadInput : it is of a newer schema, or of none that ever was.
    """
    if file.attrs.get(layout.FORMAT) != layout.FORMAT_RESULTS:
        raise Foreign(
            "is an HDF5 file, but no results file of harness",
            str(path),
            "Give the name of a results file.",
        )
    schema = _whole(file.attrs[layout.SCHEMA_ATTRIBUTE])
    if schema > layout.SCHEMA:
        raise BadInput(
            f"has schema {schema}, newer than the {layout.SCHEMA} that this version reads",
            str(path),
            "Read it with a newer version of harness.",
        )
    if schema not in _READERS:
        raise BadInput(f"has schema {schema}, which never was", str(path), "Take another copy.")
    return schema


def _holds_what_it_may(file: h5py.File) -> bool:
    """Tell, before values are read, whether all of it lies in the file itself and fits in memory.

    One changed byte can make a column of a billion rows, or of a group its own member.
    """
    stored_bytes = 0
    seen = set()
    pending = [file["/"]]
    while pending:
        group = pending.pop()
        for name in group:
            if not isinstance(group.get(name, getlink=True), h5py.HardLink):
                return False
            held = group[name]
            if isinstance(held, h5py.Group):
                address = h5py.h5o.get_info(held.id).addr
                if address in seen:
                    return False
                seen.add(address)
                pending.append(held)
            elif isinstance(held, h5py.Dataset):
                stored_bytes += int(held.size or 0) * held.dtype.itemsize
                if stored_bytes > MOST_BYTES or held.is_virtual or held.external:
                    return False
            else:
                return False
    return True


def _read_tables(file: h5py.File) -> Run:
    software = _Table(file[layout.SOFTWARE])
    return Run(
        title=attribute(file, layout.TITLE),
        procedure=attribute(file, layout.PROCEDURE),
        unit=json_object(file[layout.UNIT]),
        bench=json_object(file[layout.BENCH]),
        limits=_limits(_Table(file[layout.LIMITS])),
        findings=tuple(_findings(group) for group in _in_order(file, layout.FINDINGS)),
        verdict=attribute(file, layout.VERDICT),
        started_utc=datetime.fromisoformat(attribute(file, layout.STARTED_UTC)),
        ended_utc=datetime.fromisoformat(attribute(file, layout.ENDED_UTC)),
        software=dict(zip(software.texts("name"), software.texts("version"), strict=True)),
        cautions=tuple(_Table(file[layout.CAUTIONS]).texts("text")),
        notes=attribute(file, layout.NOTES),
        source=attribute(file, layout.SOURCE),
        earlier=tuple(_findings(group) for group in _in_order(file, layout.EARLIER)),
        session=json_object(file[layout.SESSION]) if layout.SESSION in file else {},
    )


# A text reads the same whether its column is of fixed length (2) or each has its own (1).
_READERS = {1: _read_tables, 2: _read_tables}


class _Table:
    """Columns of a group, as Python values."""

    def __init__(self, group: h5py.Group) -> None:
        self.group = group

    def texts(self, name: str) -> list[str]:
        return [_text(value) for value in self.group[name][...]]

    def optional_texts(self, name: str) -> list[Any]:
        return [None if text == layout.NONE_TEXT else text for text in self.texts(name)]

    def json(self, name: str) -> list[Any]:
        return [json.loads(text) for text in self.texts(name)]

    def numbers(self, name: str) -> list[float]:
        return [float(value) for value in self.group[name][...]]

    def optional_numbers(self, name: str) -> list[float | None]:
        return [None if math.isnan(number) else number for number in self.numbers(name)]

    def counts(self, name: str) -> list[int]:
        return [int(value) for value in self.group[name][...]]


def _whole(attribute: Any) -> int:
    # netCDF-4 keeps a number as an array of one.
    (number,) = np.ravel(attribute)
    return int(number)


def _text(value: Any) -> str:
    return value.decode("utf-8") if isinstance(value, bytes) else str(value)


def attribute(holder: h5py.HLObject, name: str) -> Any:
    """Give an attribute that is a text; a verdict must be one.

    Raises
    ------
    TypeError, ValueError, LookupError : it is none, or not there.
    """
    text = holder.attrs[name]
    if not isinstance(text, str):
        raise TypeError(f"{name} is no text")
    if name == layout.VERDICT and text not in get_args(Verdict):
        raise ValueError(f"{text!r} is no verdict")
    return text


def json_object(group: h5py.Group) -> dict[str, Any]:
    """Give the description that a group holds.

    Raises
    ------
    TypeError, ValueError, LookupError : it holds none.
    """
    loaded = json.loads(attribute(group, layout.DESCRIPTION))
    if not isinstance(loaded, dict):
        raise TypeError(f"{group.name} is no table")
    return loaded


def _in_order(parent: h5py.Group, name: str) -> list[h5py.Group]:
    if name not in parent:
        return []
    groups = parent[name].values()
    return sorted(groups, key=lambda group: _whole(group.attrs[layout.POSITION]))


def _limits(table: _Table) -> tuple[Limit, ...]:
    columns = zip(
        table.texts("reading"),
        table.texts("unit"),
        table.texts("source"),
        table.optional_numbers("minimum"),
        table.optional_numbers("maximum"),
        table.json("allowed"),
        table.json("where"),
        strict=True,
    )
    return tuple(
        Limit(
            reading=reading,
            unit=unit,
            source=source,
            minimum=minimum,
            maximum=maximum,
            allowed=tuple(allowed),
            where={key: tuple(v) if isinstance(v, list) else v for key, v in where.items()},
        )
        for reading, unit, source, minimum, maximum, allowed, where in columns
    )


def _findings(group: h5py.Group) -> Findings:
    recordings = _Table(group[layout.RECORDINGS])
    return Findings(
        kind=attribute(group, layout.KIND),
        readings=_readings(group),
        series=tuple(_series(held) for held in _in_order(group, layout.SERIES)),
        cautions=tuple(_Table(group[layout.CAUTIONS]).texts("text")),
        recordings=tuple(
            RecordingUsed(path=path, role=role, sha512=sha512)
            for path, role, sha512 in zip(
                recordings.texts("path"),
                recordings.texts("role"),
                recordings.texts("sha512"),
                strict=True,
            )
        ),
    )


def _readings(group: h5py.Group) -> tuple[Reading, ...]:
    table = _Table(group[layout.READINGS])
    names = table.texts("name")
    parts = _contributions(_Table(group[layout.CONTRIBUTIONS]), len(names))
    lows, highs = table.optional_numbers("interval_low"), table.optional_numbers("interval_high")
    numbers, states = table.optional_numbers(layout.VALUE), table.texts("state")
    held_in: dict[str, list[Any]] = dict(
        zip(layout.VALUE_TYPES, (numbers, states, [None] * len(names)), strict=True)
    )
    types = table.texts("value_type")
    units, uncertainties = table.texts("unit"), table.optional_numbers("expanded_uncertainty")
    factors, counts = table.numbers("coverage_factor"), table.counts("count")
    bounds, verdicts = table.optional_texts("bound"), table.optional_texts("verdict")
    notes, conditions = table.texts("note"), table.json(layout.CONDITIONS)
    flags, recordings = table.json("flags"), table.json(layout.RECORDINGS)
    readings = []
    for i, name in enumerate(names):
        low, high = lows[i], highs[i]
        readings.append(
            Reading(
                name=name,
                value=held_in[types[i]][i],
                unit=units[i],
                expanded_uncertainty=uncertainties[i],
                coverage_factor=factors[i],
                interval=None if low is None or high is None else (low, high),
                bound=bounds[i],
                count=counts[i],
                conditions=conditions[i],
                recordings=tuple(recordings[i]),
                flags=tuple(flags[i]),
                verdict=verdicts[i],
                note=notes[i],
                contributions=parts[i],
            )
        )
    return tuple(readings)


def _contributions(table: _Table, count: int) -> list[tuple[Contribution, ...]]:
    gathered: list[list[Contribution]] = [[] for _ in range(count)]
    numbers = table.counts("reading_number")
    columns: Any = zip(
        numbers,
        table.texts("name"),
        table.numbers("standard_uncertainty"),
        table.numbers("sensitivity"),
        table.texts("kind"),
        table.numbers("degrees_of_freedom"),
        table.texts("source"),
        # Files from before there were other distributions have no such column.
        table.texts("distribution") if "distribution" in table.group else ["normal"] * len(numbers),
        strict=True,
    )
    for number, name, standard, sensitivity, kind, freedom, source, distribution in columns:
        gathered[number].append(
            Contribution(
                name=name,
                standard_uncertainty=standard,
                sensitivity=sensitivity,
                kind=kind,
                degrees_of_freedom=freedom,
                source=source,
                distribution=distribution,
            )
        )
    return [tuple(parts) for parts in gathered]


def _series(group: h5py.Group) -> Series:
    values = group[layout.VALUE]
    axes = []
    for name in json.loads(group.attrs[layout.AXES]):
        axis = group[name]
        axes.append(Axis(name=name, unit=attribute(axis, layout.UNITS), values=_floats(axis)))
    return Series(
        name=attribute(group, layout.NAME),
        unit=attribute(values, layout.UNITS),
        axes=tuple(axes),
        values=_floats(values),
        conditions=json.loads(group.attrs[layout.CONDITIONS]),
    )


def _floats(variable: h5py.Dataset) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.asarray(variable[...], dtype=np.float64)
