"""Whether a results file is laid out as ``harness/data/results_layout.toml`` says.

The description is the one source: files that are written are held to it in the tests, and
docs/results-file.md is made from it. Content is not looked at; ``read_run`` does that.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from harness.results import layout
from harness.results.read import from_file

_BELOW_FINDINGS = "…/"
_PHONY = b"This is a netCDF dimension but not a netCDF variable"


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """An attribute or a column: its type, and what it is."""

    type: str
    about: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupLayout:
    """What stands in a group; fields as in the head of the description."""

    path: str
    about: str
    dimension: str = ""
    is_optional: bool = False
    since: int = 1
    has_axes: bool = False
    attributes: Mapping[str, Field] = field(default_factory=dict)
    columns: Mapping[str, Field] = field(default_factory=dict)
    optional_columns: Mapping[str, int] = field(default_factory=dict)


@cache
def described_layout() -> tuple[int, tuple[GroupLayout, ...]]:
    """Give the schema that is described, and its groups."""
    path = files("harness.data").joinpath("results_layout.toml")
    held = tomllib.loads(path.read_text(encoding="utf-8"))
    return int(held["schema"]), tuple(_group(group) for group in held["group"])


def _group(held: Mapping[str, Any]) -> GroupLayout:
    def fields_of(name: str) -> dict[str, Field]:
        return {
            key: Field(type=kind, about=about) for key, (kind, about) in held.get(name, {}).items()
        }

    return GroupLayout(
        path=held["path"],
        about=held["about"],
        dimension=held.get("dimension", ""),
        is_optional=held.get("optional", False),
        since=held.get("since", 1),
        has_axes=held.get("axes", False),
        attributes=fields_of("attributes"),
        columns=fields_of("columns"),
        optional_columns=held.get("optional_columns", {}),
    )


def departures(path: str | Path) -> tuple[str, ...]:
    """Give what in a results file is not as described, a line each; nothing where all is.

    Raises
    ------
    BadInput : missing, or no HDF5 file.
    """
    return from_file(Path(path), lambda file, _: tuple(_departures(file)))


def _departures(file: h5py.File) -> Iterator[str]:
    schema = int(np.ravel(file.attrs[layout.SCHEMA_ATTRIBUTE])[0])
    _, groups = described_layout()
    places: dict[str, list[str]] = {group.path: [] for group in groups}
    for place in ("/", *_places(file)):
        known = next((group for group in groups if _is_of(group, place)), None)
        if known is None:
            yield f"{place}: a group that is not described"
            continue
        places[known.path].append(place)
        if schema < known.since:
            yield f"{place}: not before schema {known.since}"
        yield from _in_group(file[place], place, known, schema)
    measurements = [place for found in places.values() for place in found if _is_findings(place)]
    for group in groups:
        if group.is_optional or "*" in group.path:
            continue
        name = group.path.removeprefix(_BELOW_FINDINGS)
        wanted = (
            [f"{place}/{name}" for place in measurements]
            if group.path.startswith(_BELOW_FINDINGS)
            else [group.path]
        )
        yield from (f"{place}: missing" for place in wanted if place not in places[group.path])


def _places(group: h5py.Group, prefix: str = "") -> Iterator[str]:
    for name in group:
        if isinstance(group[name], h5py.Group):
            yield f"{prefix}{name}"
            yield from _places(group[name], f"{prefix}{name}/")


def _is_findings(place: str) -> bool:
    return re.fullmatch(r"(findings|earlier)/\d+_\w*", place) is not None


def _is_of(group: GroupLayout, place: str) -> bool:
    for path in group.path.split(", "):
        pattern = re.escape(path).replace("NN", r"\d+").replace(r"\*", r"\w*")
        pattern = pattern.replace(re.escape(_BELOW_FINDINGS), r"(findings|earlier)/\d+_\w*/")
        if re.fullmatch(pattern, place):
            return True
    return False


def _in_group(held: h5py.Group, place: str, known: GroupLayout, schema: int) -> Iterator[str]:
    content = {name for name in held.attrs if name not in layout.HOUSEKEEPING}
    yield from _names(place, "attribute", content, set(known.attributes), set())
    for name in content & set(known.attributes):
        if not _is_attribute(held.attrs[name], known.attributes[name].type):
            yield f"{place}: the attribute {name} is no {known.attributes[name].type}"
    axes = set(_axes(held)) if known.has_axes else set()
    columns = {
        name: item
        for name, item in held.items()
        if isinstance(item, h5py.Dataset) and not _is_dimension_alone(item)
    }
    may_lack = {name for name, first in known.optional_columns.items() if schema < first}
    yield from _names(place, "column", set(columns), {*known.columns, *axes}, may_lack)
    for name, column in columns.items():
        kind = known.columns[name].type if name in known.columns else "number"
        fault = _fault_of(column, kind, schema)
        if fault:
            yield f"{place}/{name}: {fault}"
        scales = [scale[0].name.rpartition("/")[2] for scale in column.dims if len(scale)]
        wanted = _axes(held) if known.has_axes and name == layout.VALUE else [known.dimension]
        if name not in axes and scales != wanted:
            yield f"{place}/{name}: its dimensions are {scales}, not {wanted}"


def _names(
    place: str, what: str, held: set[str], wanted: set[str], may_lack: set[str]
) -> Iterator[str]:
    yield from (f"{place}: no {what} {name}" for name in sorted(wanted - held - may_lack))
    yield from (f"{place}: the {what} {name} is not described" for name in sorted(held - wanted))


def _axes(held: h5py.Group) -> list[str]:
    try:
        return [str(name) for name in json.loads(held.attrs[layout.AXES])]
    except (LookupError, ValueError, TypeError):
        return []


def _is_dimension_alone(item: h5py.Dataset) -> bool:
    return bytes(item.attrs.get("NAME", b"")).startswith(_PHONY)


def _is_attribute(value: Any, kind: str) -> bool:
    if kind == "count":
        return np.size(value) == 1 and np.asarray(value).dtype.kind == "i"
    return isinstance(value, str) and (kind != "json" or _is_json(value))


def _is_json(text: str) -> bool:
    try:
        json.loads(text)
    except ValueError:
        return False
    return True


def _fault_of(column: h5py.Dataset, kind: str, schema: int) -> str:
    """Say what of a column is not of its type, or nothing."""
    units = column.attrs.get(layout.UNITS)
    if kind in ("number", "count"):
        wanted = np.dtype(np.float64 if kind == "number" else np.int64)
        if column.dtype != wanted:
            return f"of type {column.dtype}, not {wanted}"
        if not isinstance(units, str) or (kind == "count" and units != layout.ONE):
            return f"its units are {units!r}"
        return ""
    # In schema 1 each text had a length of its own.
    if column.dtype.kind != ("O" if schema == 1 else "S"):
        return f"of type {column.dtype}, no text"
    if schema > 1 and column.attrs.get(layout.ENCODING) != layout.UTF_8:
        return f"says no {layout.ENCODING}"
    if kind == "json":
        texts = (
            text.decode("utf-8") if isinstance(text, bytes) else str(text) for text in column[...]
        )
        if not all(map(_is_json, texts)):
            return "not all of it is JSON"
    return ""
