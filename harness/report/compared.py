"""What a comparison of two runs says: its rows, and a sentence for each sweep of level."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from harness.compare import Comparison, Row
from harness.readings import ConditionValue
from harness.report.sweeps import is_sweep, level_of, sweep_key
from harness.report.wording import conditions_in_words, in_words, minus, quantity, title_of
from harness.vocabulary import TERMS


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedLine:
    """One row of the comparison, in words; ``better`` names a run, or nothing."""

    title: str
    conditions: str
    a: str
    b: str
    difference: str
    coverage: str
    en: str
    agrees: bool | None
    conclusion: str
    better: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedRuns:
    """The comparison, in words; ``sweeps`` has a sentence for what holds many levels."""

    a_name: str
    b_name: str
    summary: str
    lines: tuple[ComparedLine, ...]
    sweeps: tuple[str, ...]
    unmatched: tuple[tuple[str, str, str, str], ...]
    remarks: tuple[str, ...]


def compared(comparison: Comparison) -> ComparedRuns:
    """Put a comparison into words."""
    # What neither run could measure stands in the report of each, with its reason.
    rows = [r for r in comparison.rows if r.a.value is not None or r.b.value is not None]
    sweeps = _sweeps(rows)
    folded = {id(row) for group in sweeps for row in group}
    names = {"a": comparison.a_name, "b": comparison.b_name, None: ""}
    lines = tuple(line_of(row, names[row.better]) for row in rows if id(row) not in folded)
    judged = [line for line in lines if line.agrees is not None]
    apart = sum(line.agrees is False for line in judged)
    quantities = number_of(len(judged), "quantity").replace("quantitys", "quantities")
    summary = (
        f"Of {quantities} that both runs can answer for, {len(judged) - apart} agree within"
        f" their uncertainties and {apart} differ by more."
        if judged
        else "There is nothing that both runs can answer for."
    )
    return ComparedRuns(
        a_name=comparison.a_name,
        b_name=comparison.b_name,
        summary=summary,
        lines=lines,
        sweeps=tuple(_sweep(group, comparison) for group in sweeps),
        unmatched=_unmatched(comparison),
        remarks=tuple(minus(remark) for remark in comparison.remarks),
    )


def number_of(count: int, noun: str) -> str:
    """Write a count with its noun."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _sweeps(rows: Sequence[Row]) -> list[list[Row]]:
    """Gather rows that are points of a sweep; what a limit judged stays a row."""
    free = [row for row in rows if not (row.a.verdict or row.b.verdict)]
    groups: list[list[Row]] = []
    # One after another: the same reading of another take, at its own level, is no part of it.
    for key, follow in groupby(free, lambda row: sweep_key(row.name, row.conditions)):
        group = list(follow)
        if key is not None and is_sweep(row.conditions for row in group):
            groups.append(group)
    return groups


def _sweep(group: Sequence[Row], comparison: Comparison) -> str:
    """Say of a sweep how far both runs lie apart, and at how many levels by more than U."""
    first = group[0]
    unit = "dB" if first.unit == "dBm" else first.unit
    differences = [row.difference for row in group if row.difference is not None]
    judged = [row for row in group if row.agrees is not None]
    apart = sum(row.agrees is False for row in judged)
    text = f"{title_of(first.name)}{_under(first.conditions)} {_levels(group)}"
    if not differences:
        return f"{text}: no difference can be given."
    ends = [
        quantity(end, unit, decimals=TERMS[first.name].decimals, signed=True)
        for end in (min(differences), max(differences))
    ]
    return (
        f"{text}: {comparison.b_name} minus {comparison.a_name} is {ends[0]} to {ends[1]};"
        f" at {apart} of {number_of(len(judged), 'level')} they differ by more than their"
        " uncertainties."
    )


def _under(conditions: Mapping[str, ConditionValue]) -> str:
    held = {
        key: value
        for key, value in conditions.items()
        if key not in ("input_level_port_dbm", "deviation_hz")
    }
    words = conditions_in_words(held)
    return f" ({words})" if words else ""


def _levels(group: Sequence[Row]) -> str:
    levels_dbm = sorted({level_of(row.conditions) for row in group})
    ends = (quantity(end, "dBm", decimals=0) for end in (levels_dbm[0], levels_dbm[-1]))
    return f"at {len(levels_dbm)} levels from {' to '.join(ends)}"


def _unmatched(comparison: Comparison) -> tuple[tuple[str, str, str, str], ...]:
    """Write what stands in one run only; a sweep as one row."""
    rows: dict[tuple[object, ...], list[tuple[Mapping[str, ConditionValue], str]]] = {}
    for number, alone in enumerate(comparison.unmatched):
        reading = alone.reading
        key = sweep_key(reading.name, reading.conditions)
        place = (alone.run_name, alone.reason, key or number, reading.name)
        rows.setdefault(place, []).append((reading.conditions, in_words(reading)))
    written = []
    for (run_name, reason, _, name), held in rows.items():
        title = title_of(str(name))
        swept = len(held) > 1 and is_sweep(conditions for conditions, _ in held)
        if swept:
            shown = f"{run_name}: at {len(held)} levels"
            written.append((title, _under(held[0][0]).strip(" ()"), shown, minus(str(reason))))
            continue
        written += [
            (title, conditions_in_words(conditions), f"{run_name}: {words}", minus(str(reason)))
            for conditions, words in held
        ]
    return tuple(written)


def _score(en: float) -> str:
    return quantity(en, "", decimals=2 if abs(en) < 10.0 else 0, signed=True)


def line_of(row: Row, better: str = "") -> ComparedLine:
    """Put one quantity into words; ``better`` names a run, or nothing."""
    decimals = TERMS[row.name].decimals
    difference = factor = ""
    if row.difference is not None:
        # A difference of levels is a ratio: in dB, whatever both refer to.
        unit = "dB" if row.unit == "dBm" else row.unit
        difference = quantity(
            row.difference, unit, row.expanded_uncertainty, decimals=decimals, signed=True
        )
        factor = f"k = {row.coverage_factor:.3g}"
    return ComparedLine(
        title=title_of(row.name),
        conditions=conditions_in_words(row.conditions),
        a=in_words(row.a),
        b=in_words(row.b),
        difference=difference,
        coverage=factor,
        en="" if row.en is None else _score(row.en),
        agrees=row.agrees,
        conclusion=minus(row.note),
        better=better,
    )
