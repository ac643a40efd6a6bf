"""What differs between two runs, by how much, and whether the uncertainties explain it.

The difference is b minus a. What both share drops out of its uncertainty: a declared (type B)
contribution of the same name, the same source and the same standard uncertainty, which belongs
to the bench or to a named receiver, is one and the same calibration. Everything else is
independent, and is kept apart by the name of its run: repeatability, the logging interval, the
skew of two receivers (found anew at each start), a receiver's clock (it drifts with temperature
by more than it was calibrated to; common practice, no source), the connection of the unit, and
what a recording says of a receiver that it does not name.

En = difference / U(difference), with U at the level of k = 2. Without shared contributions
U(difference)^2 = U_a^2 + U_b^2, which is the En score of ISO 13528:2015, 9.7 (clause and formula
from memory). |En| <= 1: the two agree within their stated uncertainties.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from harness.compare.described import differing, in_few_words
from harness.compare.direction import Better, better_of
from harness.compare.pairs import Found, Unmatched, pair
from harness.compare.parts import kept_apart, shared_between_runs, whole_parts
from harness.readings import ConditionValue, Reading, ends
from harness.results import Run
from harness.uncertainty import Expanded, combine, difference


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One quantity in both runs.

    Parameters
    ----------
    name, kind, unit : of the readings
    conditions : that both hold under, as in a
    a, b : the readings
    difference : float or None, b minus a in ``unit``; None for states, bounds and what one run
        could not measure
    expanded_uncertainty, coverage_factor : of the difference, where there is one
    en : float or None; its sign is that of the difference
    shared : names of the contributions that dropped out
    better : which run is better, where that has a meaning and |En| is above 1
    note : one plain sentence: the conclusion, or why there is none
    """

    name: str
    kind: str
    unit: str
    conditions: Mapping[str, ConditionValue]
    a: Reading
    b: Reading
    difference: float | None = None
    expanded_uncertainty: float | None = None
    coverage_factor: float = 2.0
    en: float | None = None
    shared: tuple[str, ...] = ()
    better: Better | None = None
    note: str = ""

    @property
    def agrees(self) -> bool | None:
        """Whether both agree within their uncertainties; None where that cannot be said."""
        if self.en is not None:
            return abs(self.en) <= 1.0
        if isinstance(self.a.value, str) and isinstance(self.b.value, str):
            return self.a.value == self.b.value
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two runs side by side; ``remarks`` are plain sentences on what sets the runs apart."""

    a_name: str
    b_name: str
    rows: tuple[Row, ...]
    unmatched: tuple[Unmatched, ...] = ()
    remarks: tuple[str, ...] = ()


def compare_runs(a: Run, b: Run, a_name: str = "a", b_name: str = "b") -> Comparison:
    """Compare two runs, like with like.

    Parameters
    ----------
    a, b : the earlier or reference run, and the other
    a_name, b_name : what to call them, different from each other

    Raises
    ------
    ValueError : both names are the same.
    """
    if a_name == b_name:
        raise ValueError(f"{a_name=} and {b_name=} must differ")
    pairing = pair(a, b, a_name, b_name)
    bench = str(a.bench.get("name", ""))
    names = _Names(a=a_name, b=b_name, bench=bench if bench == b.bench.get("name") else "")
    return Comparison(
        a_name=a_name,
        b_name=b_name,
        rows=tuple(_row(left, right, names) for left, right in pairing.pairs),
        unmatched=pairing.unmatched,
        remarks=_remarks(a, b, a_name, b_name),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Names:
    """What the runs are called, and the bench that both name, or nothing."""

    a: str
    b: str
    bench: str


def _row(left: Found, right: Found, names: _Names) -> Row:
    a, b = left.reading, right.reading
    row = Row(name=a.name, kind=left.kind, unit=a.unit, conditions=dict(a.conditions), a=a, b=b)
    a_name, b_name = names.a, names.b
    if a.value is None or b.value is None:
        missing = [name for name, reading in ((a_name, a), (b_name, b)) if reading.value is None]
        return replace(row, note=f"Not measured in {' and '.join(missing)}.")
    if isinstance(a.value, str) or isinstance(b.value, str):
        alike = a.value == b.value
        note = f"Both {a.value}." if alike else f"{a_name}: {a.value}; {b_name}: {b.value}."
        return replace(row, note=note)
    if a.bound or b.bound:
        return replace(row, note=_of_bounds(a, b, a_name, b_name))
    return _of_numbers(row, a.value, b.value, names)


def _of_bounds(a: Reading, b: Reading, a_name: str, b_name: str) -> str:
    (a_low, a_high), (b_low, b_high) = ends(a), ends(b)
    if b_low > a_high:
        return f"Only a bound, so no difference; {b_name} is the higher all the same."
    if b_high < a_low:
        return f"Only a bound, so no difference; {b_name} is the lower all the same."
    return "Only a bound, so no difference can be given; the two may be equal."


def uncertainty_of_difference(
    a: Reading, b: Reading, a_name: str, b_name: str, bench: str
) -> tuple[Expanded, frozenset[str]]:
    """Give U of b minus a, and the names of what both share and what drops out of it.

    Parameters
    ----------
    a_name, b_name : of the runs, different from each other
    bench : the name of the bench that both runs name, or nothing
    """
    a_parts, b_parts = whole_parts(a), whole_parts(b)
    recordings = {*a.recordings, *b.recordings}
    shared = shared_between_runs(a_parts, b_parts, bench, recordings)
    parts = difference(
        kept_apart(b_parts, shared, f"{b_name}, second"),
        kept_apart(a_parts, shared, f"{a_name}, first"),
    )
    return combine(parts), shared


def _of_numbers(row: Row, a_value: float, b_value: float, names: _Names) -> Row:
    a_name, b_name = names.a, names.b
    total, shared = uncertainty_of_difference(row.a, row.b, a_name, b_name, names.bench)
    gap = b_value - a_value
    row = replace(
        row,
        difference=gap,
        expanded_uncertainty=total.expanded_uncertainty,
        coverage_factor=total.coverage_factor,
        shared=tuple(sorted(shared)),
    )
    if total.expanded_uncertainty == 0.0:
        return replace(row, note="Neither has an uncertainty of its own to judge it by.")
    row = replace(row, en=gap / total.expanded_uncertainty)
    if row.agrees:
        return replace(row, note="Agree within the stated uncertainties.")
    word = "higher" if gap > 0.0 else "lower"
    better = better_of(row.name, a_value, b_value)
    said = f"{b_name} is {word} by more than the uncertainties explain"
    if better is not None:
        said += f"; {a_name if better == 'a' else b_name} is the better"
    return replace(row, better=better, note=f"{said}.")


def _remarks(a: Run, b: Run, a_name: str, b_name: str) -> tuple[str, ...]:
    remarks = []
    for what, one, other in (
        ("unit", _named(a.unit), _named(b.unit)),
        ("bench", _named(a.bench), _named(b.bench)),
        ("source", a.source, b.source),
        ("procedure", a.procedure, b.procedure),
    ):
        # Where the runs are called by their units, their names say it.
        if one != other and (one, other) != (a_name, b_name):
            remarks.append(
                f"The {what} is not the same: {one or 'not named'} in {a_name}, "
                f"{other or 'not named'} in {b_name}."
            )
    if a.bench.get("name") == b.bench.get("name") and dict(a.bench) != dict(b.bench):
        keys = in_few_words(differing(a.bench, b.bench))
        remarks.append(
            "The bench has the same name in both runs, but not the same description: " + keys + "."
        )
    versions = sorted(
        name
        for name in set(a.software) | set(b.software)
        if a.software.get(name) != b.software.get(name)
    )
    if versions:
        remarks.append(f"Measured with different versions of {', '.join(versions)}.")
    rated = sorted(
        key
        for key in set(a.unit) & set(b.unit)
        if key not in ("name", "serial", "limits") and a.unit[key] != b.unit[key]
    )
    if rated:
        remarks.append(f"The units are described differently: {', '.join(rated)}.")
    return tuple(remarks)


def _named(description: Mapping[str, object]) -> str:
    parts = (description.get("name"), description.get("serial"))
    return ", serial ".join(str(part) for part in parts if part)
