"""What to call runs that are shown side by side."""

from __future__ import annotations

from pathlib import Path

from harness.results import Run


def names_of(*runs: tuple[Run, Path]) -> tuple[str, ...]:
    """Give the units' names; with the day, the time or the file where two are the same."""
    units = [str(run.unit.get("name") or path.stem) for run, path in runs]
    serials = [str(run.unit.get("serial") or "") for run, _ in runs]
    stamps = [
        [
            f", serial {serial}" if serial else "",
            f", {run.started_utc:%Y-%m-%d}",
            f", {run.started_utc:%Y-%m-%d %H:%M}",
            f", {path}",
        ]
        for serial, (run, path) in zip(serials, runs, strict=True)
    ]
    for endings in ([""] * len(runs), *zip(*stamps, strict=True)):
        names = tuple(unit + ending for unit, ending in zip(units, endings, strict=True))
        if len(set(names)) == len(names):
            return names
    if len(runs) == 2:
        return f"{names[0]} (first)", f"{names[1]} (second)"
    return tuple(f"{name} ({number})" for number, name in enumerate(names, start=1))
