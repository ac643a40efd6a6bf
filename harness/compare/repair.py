"""Before and after a repair: pairs of runs of one unit each, and what became better or worse.

Each pair is a comparison of two runs (``runs``), the earlier one first; what differs by no more
than the uncertainty of the difference has not been seen to change. Of many quantities that did not
change, one in twenty differs by more all the same: U is at 95 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from harness.compare.gather import Named, require_comparable, unit_of
from harness.compare.runs import Comparison, Row, compare_runs
from harness.errors import BadInput

Change = Literal["better", "worse", "changed", "same", "not told"]
CHANGES: tuple[Change, ...] = ("worse", "better", "changed", "same", "not told")
"""In the order in which they are shown."""
_STATES_BEST_FIRST = ("normal", "steady")
"""States that a sound unit has; out of them is worse, into them better."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """One unit before and after.

    Parameters
    ----------
    unit : name and serial number
    comparison : after minus before
    changes : of each row of the comparison
    """

    unit: tuple[str, str]
    before: Named
    after: Named
    comparison: Comparison
    changes: tuple[Change, ...]

    def rows(self, change: Change) -> tuple[Row, ...]:
        """Give the rows of one kind of change."""
        return tuple(
            row
            for row, which in zip(self.comparison.rows, self.changes, strict=True)
            if which == change
        )


def compare_repairs(before: Sequence[Named], after: Sequence[Named]) -> tuple[Repair, ...]:
    """Pair runs before and after by their unit, and compare each pair.

    Parameters
    ----------
    before, after : one run of each unit in both, in any order

    Raises
    ------
    BadInput : a unit has not exactly one run in both, a run after is not later than the one
        before, or one is simulated and the other not.
    """
    earlier, later = _by_unit(before, "--before"), _by_unit(after, "--after")
    for unit in (*earlier, *later):
        if unit not in earlier or unit not in later:
            missing = "--before" if unit not in earlier else "--after"
            raise BadInput(
                f"no run of {_said(unit)}", missing, "Give the unit's run before and after."
            )
    return tuple(_repair(earlier[unit], later[unit]) for unit in earlier)


def change_of(row: Row) -> Change:
    """Tell whether a quantity became better, worse, or only changed."""
    if isinstance(row.a.value, str) and isinstance(row.b.value, str):
        if row.a.value == row.b.value:
            return "same"
        was, now = (value in _STATES_BEST_FIRST for value in (row.a.value, row.b.value))
        return "changed" if was == now else "better" if now else "worse"
    if row.agrees is None:
        return "not told"
    if row.agrees:
        return "same"
    return {"a": "worse", "b": "better", None: "changed"}[row.better]  # type: ignore[return-value]


def _repair(before: Named, after: Named) -> Repair:
    require_comparable((before, after))
    if after.run.started_utc <= before.run.started_utc:
        raise BadInput(
            "the run after is not later than the run before", after.name, "Give them the other way."
        )
    comparison = compare_runs(before.run, after.run, "before", "after")
    return Repair(
        unit=unit_of(before.run),
        before=before,
        after=after,
        comparison=comparison,
        changes=tuple(change_of(row) for row in comparison.rows),
    )


def _by_unit(runs: Sequence[Named], option: str) -> dict[tuple[str, str], Named]:
    held: dict[tuple[str, str], Named] = {}
    for named in runs:
        unit = unit_of(named.run)
        if unit in held:
            raise BadInput(
                f"two runs of {_said(unit)}", option, "Give one run of each unit before and after."
            )
        held[unit] = named
    return held


def _said(unit: tuple[str, str]) -> str:
    return " ".join(filter(None, unit)) or "a unit without a name"
