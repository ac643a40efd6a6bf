"""Under what a run was measured, and what of it was repeated, in words for the head of a report."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from harness.report.wording import minus
from harness.results import Run
from harness.results.session import steps_of


def session_in_words(run: Run) -> Iterator[tuple[str, str]]:
    """Give a word and a text for each thing that was said of a run; nothing where nothing was."""
    steps = steps_of(run)
    repeated = [step for step in steps if step.earlier]
    if repeated:
        yield (
            "Repeated",
            ", ".join(f"{step.title} ({len(step.earlier)} earlier kept)" for step in repeated),
        )
    for row in _tables(run.session.get("ambient")):
        yield "Ambient", minus(_ambient(row))


def _tables(held: Any) -> list[Mapping[str, Any]]:
    rows = held if isinstance(held, list | tuple) else ()
    return [row for row in rows if isinstance(row, Mapping)]


def _ambient(row: Mapping[str, Any]) -> str:
    parts = []
    if isinstance(row.get("temperature_degc"), int | float):
        parts.append(f"{row['temperature_degc']:g} °C")
    if isinstance(row.get("humidity_percent"), int | float):
        parts.append(f"{row['humidity_percent']:g} % relative humidity")
    if row.get("note"):
        parts.append(str(row["note"]))
    return ", ".join(parts)
