"""What to call two runs that are shown side by side."""

from __future__ import annotations

from pathlib import Path

from harness.results import Run


def names_of(first: tuple[Run, Path], second: tuple[Run, Path]) -> tuple[str, str]:
    """Give the units' names; with the day, the time or the file where those are the same."""
    units = [str(run.unit.get("name") or path.stem) for run, path in (first, second)]
    stamps = [
        [f", {run.started_utc:%Y-%m-%d}", f", {run.started_utc:%Y-%m-%d %H:%M}", f", {path}"]
        for run, path in (first, second)
    ]
    for endings in (("", ""), *zip(*stamps, strict=True)):
        a, b = (unit + ending for unit, ending in zip(units, endings, strict=True))
        if a != b:
            return a, b
    return f"{a} (first)", f"{b} (second)"
