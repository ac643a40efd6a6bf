"""Runs that were found, on the terminal or as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.cells import cell_len
from rich.console import Console

from harness.commands.one_object import print_object
from harness.commands.table import GAP, say
from harness.errors import one_line
from harness.results.index import FoundRun, Search

SCHEMA = 1


def print_runs(search: Search, found: Sequence[FoundRun], folder: Path, console: Console) -> None:
    """Print a line for each run, its file last and in one piece; then what could not be read."""
    lines = [
        (f"{run.head.started_utc:%Y-%m-%d %H:%M}", run.head.verdict, _unit(run)) for run in found
    ]
    if lines:
        headings = ("began (UTC)", "verdict", "unit")
        widths = [max(map(cell_len, column)) for column in zip(headings, *lines, strict=True)]
        _print(console, headings, widths, "file", style="underline")
        for line, run in zip(lines, found, strict=True):
            _print(console, line, widths, one_line(str(run.path)))
    else:
        other = f" is one of these, of {len(search.runs)} that are there" if search.runs else ""
        say(console, f"No run in {one_line(str(folder))}{other}.", folded=False)
    for fault in search.unreadable:
        say(console, fault, folded=False)
    if search.foreign:
        files = "HDF5 file is" if search.foreign == 1 else "HDF5 files are"
        say(console, f"{search.foreign} other {files} no results of harness.")
    for remark in search.remarks:
        say(console, remark, folded=False)


def _print(
    console: Console, cells: Sequence[str], widths: Sequence[int], file: str, style: str = ""
) -> None:
    padded = (
        cell + " " * (width - cell_len(cell)) for cell, width in zip(cells, widths, strict=True)
    )
    say(console, (" " * GAP).join((*padded, file)), style=style, folded=False)


def _unit(run: FoundRun) -> str:
    named = run.head.unit_name or "not named"
    serial = run.head.unit_serial
    return one_line(f"{named}, serial {serial}" if serial else named)


def print_runs_json(search: Search, found: Sequence[FoundRun]) -> None:
    """Print one JSON object on standard output and nothing else."""
    print_object(
        {
            "schema": SCHEMA,
            "runs": [{"path": str(run.path), **run.head.plain()} for run in found],
            "unreadable": list(search.unreadable),
            "other_hdf5_files": search.foreign,
            "remarks": list(search.remarks),
        }
    )
