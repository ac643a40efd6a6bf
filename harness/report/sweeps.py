"""Readings of one name at many levels: a figure and a compact table, not a row each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from harness.readings import ConditionValue, Findings, Reading, Series
from harness.report.wording import conditions_in_words, in_words, quantity, title_of

LEVEL = "input_level_port_dbm"
MOST_LEVELS = 3
"""A reading at more levels than this is a sweep. Chosen."""
_GOES_WITH_THE_LEVEL = (LEVEL, "deviation_hz")
"""Conditions that do not tell sweeps apart; the deviation is as measured at each step."""
SAME_LEVEL_DB = 0.005

Key = tuple[str, tuple[tuple[str, object], ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepTable:
    """Readings against level, in words: a column for each, a row for each level."""

    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def sweep_key(name: str, conditions: Mapping[str, ConditionValue]) -> Key | None:
    """Tell by what the points of one sweep belong together; None without a level."""
    if not isinstance(conditions.get(LEVEL), int | float):
        return None
    rest = {key: value for key, value in conditions.items() if key not in _GOES_WITH_THE_LEVEL}
    return name, tuple(sorted((key, str(value)) for key, value in rest.items()))


def level_of(conditions: Mapping[str, ConditionValue]) -> float:
    """Give the level of a point of a sweep."""
    level_dbm = conditions[LEVEL]
    assert isinstance(level_dbm, int | float)
    return float(level_dbm)


def swept(readings: Sequence[Reading]) -> dict[Key, list[Reading]]:
    """Gather the readings that belong to a sweep; what a limit judged stays a row of its own."""
    groups: dict[Key, list[Reading]] = {}
    for reading in readings:
        key = sweep_key(reading.name, reading.conditions)
        if key is not None and reading.value is not None and reading.verdict is None:
            groups.setdefault(key, []).append(reading)
    return {key: group for key, group in groups.items() if is_sweep(r.conditions for r in group)}


def is_sweep(conditions: Iterable[Mapping[str, ConditionValue]]) -> bool:
    """Whether these stand at more levels than rows are given to."""
    return len({level_of(held) for held in conditions}) > MOST_LEVELS


def sweep_table(part: Findings) -> SweepTable | None:
    """Write the sweeps of one measurement beside each other; None where there are none."""
    groups = swept(part.readings)
    if not groups:
        return None
    columns = [
        {level_of(reading.conditions): in_words(reading) for reading in group}
        for group in groups.values()
    ]
    levels_dbm = sorted({level for column in columns for level in column}, reverse=True)
    measured = _measured_levels(part.series, levels_dbm)
    headings = ["Level set" if measured else "Level"]
    if measured:
        headings.append("Level measured")
    rows = []
    for level in levels_dbm:
        row = [quantity(level, "dBm", decimals=1)]
        if measured:
            row.append(quantity(measured[level], "dBm", decimals=2))
        rows.append((*row, *(column.get(level, "–") for column in columns)))
    return SweepTable(
        caption="Input level at the unit's port, and what was found at each",
        headings=(*headings, *(_heading(group[0]) for group in groups.values())),
        rows=tuple(rows),
    )


def _heading(reading: Reading) -> str:
    held = {k: v for k, v in reading.conditions.items() if k not in _GOES_WITH_THE_LEVEL}
    under = conditions_in_words(held)
    return f"{title_of(reading.name)}, {under}" if under else title_of(reading.name)


def _measured_levels(all_series: Sequence[Series], set_dbm: Sequence[float]) -> dict[float, float]:
    """Give the measured level of each set one, where a series has them and they differ."""
    for series in all_series:
        axis = series.axes[0]
        if not series.name.endswith("against_level") or len(axis.values) != len(set_dbm):
            continue
        measured = sorted((float(level) for level in axis.values), reverse=True)
        pairs = dict(zip(set_dbm, measured, strict=True))
        if any(abs(a - b) > SAME_LEVEL_DB for a, b in pairs.items()):
            return pairs
    return {}
