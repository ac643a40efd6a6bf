"""Write a run for other programs: CSV, Parquet or JSON, to a new place and all of it or nothing."""

from __future__ import annotations

import contextlib
import csv
import json
import math
import shutil
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, get_args

from harness.errors import BadInput
from harness.results.run import Run
from harness.results.tables import Column, Kind, Table, run_json, tables_of
from harness.results.write import check_new, give_name, umask, unwritable

FORMATS = ("csv", "parquet", "json")


def export_place(run_path: Path, form: str) -> Path:
    """Give where a run is exported to where nothing is said: beside it."""
    if form == "json":
        return run_path.with_suffix(".json")
    return run_path.with_name(f"{run_path.stem}-{form}")


def export_run(run: Run, form: str, place: str | Path) -> tuple[str, ...]:
    """Write a run in another form.

    Parameters
    ----------
    form : "csv" or "parquet", a file for each table in a new folder; "json", one new file
    place : of the folder or file, which must not exist; the folder that it lies in must

    Returns
    -------
    tuple of str : names of the files that were written

    Raises
    ------
    BadInput : there is no such form, the place exists, or cannot be written; nothing is left.
    """
    place = Path(place)
    if form not in FORMATS:
        raise BadInput(f"no form {form!r}", "--to", f"Choose one of {', '.join(FORMATS)}.")
    check_new(place)
    try:
        unfinished = Path(
            tempfile.mkdtemp(prefix=f".{place.name}.", suffix=".unfinished", dir=place.parent)
        )
    except OSError as fault:
        raise unwritable(place, fault) from fault
    try:
        unfinished.chmod(0o777 & ~umask())
        if form == "json":
            names: tuple[str, ...] = (place.name,)
            _write_json(unfinished / place.name, run)
            give_name(unfinished / place.name, place)
        else:
            write = _write_csv if form == "csv" else _parquet_writer()
            tables = tables_of(run)
            names = tuple(f"{table.name}.{form}" for table in tables)
            for table, name in zip(tables, names, strict=True):
                write(unfinished / name, table)
            check_new(place)
            unfinished.rename(place)
        return names
    except OSError as fault:
        raise unwritable(place, fault) from fault
    except UnicodeEncodeError as fault:
        raise BadInput(
            f"the text {fault.object!r} holds a character that no file can keep", str(place)
        ) from fault
    finally:
        with contextlib.suppress(OSError):
            shutil.rmtree(unfinished, ignore_errors=True)


def _write_json(path: Path, run: Run) -> None:
    with path.open("w", encoding="utf-8", newline="\n") as file:
        json.dump(_finite(run_json(run)), file, allow_nan=False, ensure_ascii=False)
        file.write("\n")


def _finite(value: Any) -> Any:
    """Put a text where JSON has no number: an endless interval's end."""
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if isinstance(value, dict):
        return {key: _finite(held) for key, held in value.items()}
    return [_finite(held) for held in value] if isinstance(value, list) else value


def _write_csv(path: Path, table: Table) -> None:
    """Write as RFC 4180 has it: commas, CR LF, quotes doubled; units in brackets in the header."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(
            f"{column.name} [{column.units}]" if column.units else column.name
            for column in table.columns
        )
        writer.writerows(zip(*map(_cells, table.columns), strict=True))


def _cells(column: Column) -> Sequence[str]:
    """Write a column's values so that they read back as they are; nothing for none."""
    write: dict[Kind, Callable[[Any], str]] = {
        "text": str,
        "number": lambda value: repr(float(value)),
        "count": str,
        "flag": lambda value: "true" if value else "false",
    }
    return ["" if value is None else write[column.kind](value) for value in column.values]


def _parquet_writer() -> Callable[[Path, Table], None]:
    """Give what writes Parquet; its library is loaded here and nowhere else."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    types = dict(
        zip(get_args(Kind), (pa.string(), pa.float64(), pa.int64(), pa.bool_()), strict=True)
    )

    def write(path: Path, table: Table) -> None:
        fields = [
            pa.field(
                column.name,
                types[column.kind],
                metadata={"units": column.units} if column.units else None,
            )
            for column in table.columns
        ]
        about = {
            f"harness.{key}": value if isinstance(value, str) else json.dumps(value)
            for key, value in table.about.items()
        }
        arrays = [
            pa.array(column.values, type=field.type)
            for column, field in zip(table.columns, fields, strict=True)
        ]
        pq.write_table(pa.Table.from_arrays(arrays, schema=pa.schema(fields, about)), path)

    return write
