"""What the uncertainty of a reading is made of, as a difference of two readings needs it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence, Set
from dataclasses import replace

from harness.describe.path import CONNECTION
from harness.readings import Reading
from harness.uncertainty import Contribution, combine


def whole_parts(reading: Reading) -> tuple[Contribution, ...]:
    """Give what U is made of; what its named contributions leave of it stands as one more."""
    parts = reading.contributions
    stated = reading.expanded_uncertainty
    value = reading.value
    if reading.interval is not None and isinstance(value, int | float):
        half = max(value - reading.interval[0], reading.interval[1] - value)
        stated = max(stated or 0.0, half)
    named = combine(parts)
    if stated is None or stated <= named.expanded_uncertainty * (1.0 + 1e-9):
        return parts
    # U = k u for both, so that the stated whole comes out again.
    factor = reading.coverage_factor
    rest = (stated / factor) ** 2 - named.standard_uncertainty**2
    if rest <= 0.0:
        return parts
    return (
        *parts,
        Contribution(
            name="what the named contributions leave",
            standard_uncertainty=math.sqrt(rest),
            kind="A",
            source="the stated expanded uncertainty",
        ),
    )


def same_declared(one: Contribution, other: Contribution) -> bool:
    """Whether two contributions of one name say the same of it, from the same source."""
    return (
        one.kind == other.kind == "B"
        and one.source == other.source != ""
        and one.standard_uncertainty == other.standard_uncertainty
    )


def kept_apart(
    parts: Iterable[Contribution], shared: Set[str], tag: str
) -> tuple[Contribution, ...]:
    """Give the parts with all but the shared ones named after whose they are."""
    return tuple(
        part if part.name in shared else replace(part, name=f"{part.name} ({tag})")
        for part in parts
    )


_OF_A_RECORDING = "recording"
"""Source of a contribution that a recording declares of its receiver."""
_ANEW_IN_EACH_RUN = (".skew_s", ".clock_error_ppm", CONNECTION)


def shared_between_runs(
    a: Sequence[Contribution], b: Sequence[Contribution], bench: str, recordings: Set[str]
) -> frozenset[str]:
    """Names of what both took from one and the same calibration.

    What is not known to be the same is taken as independent, which makes U larger, not smaller.
    """
    of_b = {part.name: part for part in b}
    return frozenset(
        part.name
        for part in a
        if part.name in of_b
        and same_declared(part, of_b[part.name])
        and _is_calibration(part, bench, recordings)
    )


def _is_calibration(part: Contribution, bench: str, recordings: Set[str]) -> bool:
    if part.name.endswith(_ANEW_IN_EACH_RUN):
        return False
    if bench and part.name.startswith(f"{bench}."):
        return True
    nameless = any(part.name.startswith(f"{recording}.") for recording in recordings)
    return part.source == _OF_A_RECORDING and not nameless
