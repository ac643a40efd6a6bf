"""Which runs are compared, what they are called, and in which way."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from harness.commands.run_names import names_of
from harness.compare import Named
from harness.compare.gather import unit_of
from harness.errors import BadInput
from harness.results import Run, fingerprint_of, read_run
from harness.results.index import find_runs
from harness.results.wanted import Wanted

WAYS = ("two", "fleet", "years")


def named_runs(places: Sequence[Path], wanted: Wanted) -> tuple[list[Named], tuple[str, ...]]:
    """Read the runs that are meant.

    Parameters
    ----------
    places : results files, which are taken as they are, and folders, of which what is wanted is
    wanted : of the runs in folders

    Returns
    -------
    (runs, remarks) : in the order given, those of a folder by time; each once

    Raises
    ------
    BadInput : a file cannot be read, or there is nothing to compare.
    """
    remarks: list[str] = []
    paths: list[Path] = []
    folders = [place for place in places if os.path.isdir(place)]
    if wanted != Wanted() and not folders:
        raise BadInput(
            "no folder is given to choose runs from",
            "--unit, --since, --until, --verdict",
            "Name a folder that holds results files.",
        )
    for place in places:
        if place not in folders:
            paths.append(place)
            continue
        search = find_runs(place)
        paths += [found.path for found in search.runs if wanted.meets(found.head)]
        remarks += [*search.unreadable, *search.remarks]
    held: dict[str, tuple[Run, Path]] = {}
    copies = 0
    for path in dict.fromkeys(paths):
        run, fingerprint = read_run(path), fingerprint_of(path)
        if fingerprint in held:
            copies += 1
        else:
            held[fingerprint] = (run, path)
    if copies:
        files = "1 file is a copy" if copies == 1 else f"{copies} files are copies"
        remarks.append(f"{files} of another and counted once.")
    if len(held) < 2:
        where = ", ".join(str(place) for place in places) or "harness compare"
        one = "one run only" if held else "no run"
        if copies:
            one = "the same run more than once"
        raise BadInput(
            f"{one}, and it takes two to compare", where, "Give more results files, or a folder."
        )
    runs = list(held.values())
    return [
        Named(name=name, run=run) for name, (run, _) in zip(names_of(*runs), runs, strict=True)
    ], tuple(remarks)


def named_files(paths: Sequence[Path]) -> list[Named]:
    """Read runs that are told apart by their units."""
    return [Named(name=str(path), run=read_run(path)) for path in paths]


def require_way(asked: str | None) -> None:
    """Refuse a way that there is not.

    Raises
    ------
    BadInput : there is no such way.
    """
    if asked is not None and asked not in WAYS:
        raise BadInput(f"no way {asked!r}", "--as", f"Choose one of {', '.join(WAYS)}.")


def chosen_way(asked: str | None, runs: Sequence[Named]) -> str:
    """Tell in which way runs are compared: as asked, or by how many there are of how many units.

    Raises
    ------
    BadInput : these runs do not go that way.
    """
    units = {unit_of(named.run) for named in runs}
    if asked is None:
        if len(runs) == 2:
            return "two"
        return "years" if len(units) == 1 else "fleet"
    if asked == "two" and len(runs) != 2:
        raise BadInput(f"{len(runs)} runs are given", "--as two", "Give two.")
    if asked == "fleet" and len(units) < 2:
        raise BadInput("all runs are of one unit", "--as fleet", "Give runs of several units.")
    return asked


def newest_of_each(runs: Sequence[Named]) -> tuple[list[Named], tuple[str, ...]]:
    """Give the newest run of each unit, in the order of the units, and what was left."""
    newest: dict[tuple[str, str], Named] = {}
    for named in runs:
        unit = unit_of(named.run)
        held = newest.get(unit)
        if held is None or named.run.started_utc > held.run.started_utc:
            newest[unit] = named
    left = len(runs) - len(newest)
    if not left:
        return list(newest.values()), ()
    were = "1 older run was" if left == 1 else f"{left} older runs were"
    return list(newest.values()), (f"Of each unit the newest run is taken; {were} left out.",)


def particulars(runs: Sequence[Named]) -> tuple[tuple[str, str], ...]:
    """Give of each run what it is called and what it is."""
    return tuple(
        (named.name, f"{named.run.title}, {named.run.started_utc:%Y-%m-%d}, {named.run.verdict}")
        for named in runs
    )
