"""Which reading of one run may be set against which of the other: like with like, or not at all.

Two readings are alike when kind of measurement, name and conditions agree. Conditions agree when
they have the same keys and equal values; numbers may differ by no more than ``_SLACK`` allows,
because a level seen by a tap and a fitted tone are never the same twice.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.readings import ConditionValue, Reading
from harness.results import Run

_SLACK: tuple[tuple[str, float, float], ...] = (
    # Ending of the key, absolute and relative slack; all chosen.
    ("_dbm", 0.1, 0.0),
    ("_db", 0.1, 0.0),
    ("_hz", 0.0, 2e-3),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A reading and the kind of measurement that gave it."""

    kind: str
    reading: Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Unmatched:
    """A reading that only one run can show, and why."""

    run_name: str
    kind: str
    reading: Reading
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairing:
    """What is alike, in the order of the first run, and what is not."""

    pairs: tuple[tuple[Found, Found], ...]
    unmatched: tuple[Unmatched, ...]


def pair(a: Run, b: Run, a_name: str, b_name: str) -> Pairing:
    """Set the readings of two runs side by side."""
    left, right = _all(a), _all(b)
    crowded = _repeated(left) + _repeated(right)
    pairs: list[tuple[Found, Found]] = []
    free = [found for found in right if not _among(found, crowded)]
    unmatched: list[Unmatched] = []
    for found in left:
        partner = None if _among(found, crowded) else _first_like(found, free)
        if partner is None:
            reason = _reason(found, right, b_name, crowded)
            unmatched.append(_unmatched(a_name, found, reason))
            continue
        free.remove(partner)
        pairs.append((found, partner))
    taken = {id(partner) for _, partner in pairs}
    unmatched += [
        _unmatched(b_name, found, _reason(found, left, a_name, crowded))
        for found in right
        if id(found) not in taken
    ]
    return Pairing(pairs=tuple(pairs), unmatched=tuple(unmatched))


def conditions_differ(
    one: Mapping[str, ConditionValue], other: Mapping[str, ConditionValue]
) -> list[str]:
    """Keys under which two sets of conditions do not agree, in order."""
    keys = sorted(set(one) | set(other))
    return [key for key in keys if not _agree(key, one.get(key), other.get(key))]


def _agree(key: str, one: ConditionValue | None, other: ConditionValue | None) -> bool:
    if isinstance(one, str | bool) or isinstance(other, str | bool) or one is None or other is None:
        return type(one) is type(other) and one == other
    absolute, relative = next(
        ((absolute, relative) for ending, absolute, relative in _SLACK if key.endswith(ending)),
        (0.0, 1e-9),
    )
    return math.isclose(one, other, abs_tol=absolute * (1.0 + 1e-9), rel_tol=relative)


def _all(run: Run) -> list[Found]:
    return [
        Found(kind=findings.kind, reading=reading)
        for findings in run.findings
        for reading in findings.readings
    ]


def _alike(one: Found, other: Found) -> bool:
    return (
        one.kind == other.kind
        and one.reading.name == other.reading.name
        and not conditions_differ(one.reading.conditions, other.reading.conditions)
    )


def _first_like(found: Found, free: Sequence[Found]) -> Found | None:
    return next((other for other in free if _alike(found, other)), None)


def _among(found: Found, crowded: Sequence[Found]) -> bool:
    return any(_alike(found, other) for other in crowded)


def _repeated(all_found: Sequence[Found]) -> list[Found]:
    """Give the readings that one run holds more than once under the same conditions."""
    return [
        found
        for position, found in enumerate(all_found)
        if any(_alike(found, other) for place, other in enumerate(all_found) if place != position)
    ]


def _unmatched(run_name: str, found: Found, reason: str) -> Unmatched:
    return Unmatched(run_name=run_name, kind=found.kind, reading=found.reading, reason=reason)


def _reason(
    found: Found, others: Sequence[Found], other_name: str, crowded: Sequence[Found]
) -> str:
    if _among(found, crowded):
        return "stands more than once under these conditions, so that no pair is certain"
    named = [
        other
        for other in others
        if other.kind == found.kind and other.reading.name == found.reading.name
    ]
    if not named:
        return f"not in {other_name}"
    nearest = min(
        (conditions_differ(found.reading.conditions, other.reading.conditions) for other in named),
        key=len,
    )
    if not nearest:
        return f"in {other_name} it is set against another reading"
    return f"not in {other_name} under the same conditions ({', '.join(nearest)})"
