"""Many runs beside each other: which readings are one quantity, and what is left out, and why.

As for two runs, like with like or not at all: kind of measurement, name and conditions agree
(``pairs``). A quantity's conditions are those of the first run that holds it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from harness.compare.described import differing, in_few_words
from harness.compare.pairs import conditions_differ
from harness.compare.parts import shared_between_runs, whole_parts
from harness.errors import BadInput
from harness.readings import ConditionValue, Reading
from harness.results import Run
from harness.uncertainty import Contribution, combine

SAME_EFFECT = 0.01
"""Share by which a shared calibration may move one run's value more than another's and still
count as dropping out; chosen: a hundredth of it stays, far below what else there is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A run and what it is called here."""

    name: str
    run: Run


@dataclass(slots=True, kw_only=True)
class Quantity:
    """One quantity in several runs.

    Parameters
    ----------
    kind, name, unit, conditions : as of the first reading
    readings : by the place of their run among the runs
    """

    kind: str
    name: str
    unit: str
    conditions: Mapping[str, ConditionValue]
    readings: dict[int, Reading] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """Readings of one name that are not compared with those of other runs.

    Parameters
    ----------
    count : of readings that are left out for this reason
    runs : names of the runs that hold them
    """

    kind: str
    name: str
    count: int
    runs: tuple[str, ...]
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """What several runs hold of each quantity."""

    quantities: tuple[Quantity, ...]
    left_out: tuple[LeftOut, ...]


_TWICE = "stands more than once under the same conditions, so that it is not certain which is meant"


def gather(runs: Sequence[Named], least: int = 2) -> Gathered:
    """Set the readings of several runs beside each other.

    Parameters
    ----------
    runs : in the order in which they are shown
    least : runs that must hold a quantity for it to be compared
    """
    groups: dict[tuple[str, str], list[Quantity]] = {}
    doubtful: dict[tuple[str, str], list[tuple[int, Reading]]] = {}
    for place, named in enumerate(runs):
        for key, readings in _by_name(named.run).items():
            held = groups.setdefault(key, [])
            for reading in readings:
                if _is_repeated(reading, readings):
                    doubtful.setdefault(key, []).append((place, reading))
                    continue
                quantity = next((q for q in held if _takes(q, place, reading)), None)
                if quantity is None:
                    quantity = Quantity(
                        kind=key[0],
                        name=key[1],
                        unit=reading.unit,
                        conditions=dict(reading.conditions),
                    )
                    held.append(quantity)
                quantity.readings[place] = reading
    names = [named.name for named in runs]
    left_out = [
        _left_out(key, [place for place, _ in held], names, _TWICE)
        for key, held in doubtful.items()
    ]
    quantities: list[Quantity] = []
    for key, held in groups.items():
        alone: dict[str, list[int]] = {}
        for quantity in held:
            if len(quantity.readings) >= least:
                quantities.append(quantity)
                continue
            if all(reading.value is None for reading in quantity.readings.values()):
                continue  # stands in the report of its run, with its reason
            reason = _reason(quantity, held, least)
            alone.setdefault(reason, []).extend(quantity.readings)
        left_out += [_left_out(key, places, names, reason) for reason, places in alone.items()]
    return Gathered(quantities=tuple(quantities), left_out=tuple(left_out))


def _by_name(run: Run) -> dict[tuple[str, str], list[Reading]]:
    held: dict[tuple[str, str], list[Reading]] = {}
    for findings in run.findings:
        for reading in findings.readings:
            held.setdefault((findings.kind, reading.name), []).append(reading)
    return held


def _is_repeated(reading: Reading, readings: Sequence[Reading]) -> bool:
    return any(
        other is not reading and not conditions_differ(reading.conditions, other.conditions)
        for other in readings
    )


def _takes(quantity: Quantity, place: int, reading: Reading) -> bool:
    return place not in quantity.readings and not conditions_differ(
        quantity.conditions, reading.conditions
    )


def _reason(quantity: Quantity, others: Sequence[Quantity], least: int) -> str:
    elsewhere: list[list[str]] = [
        conditions_differ(quantity.conditions, other.conditions)
        for other in others
        if other is not quantity and set(other.readings) - set(quantity.readings)
    ]
    if elsewhere:
        nearest = sorted(elsewhere, key=len)[0]
        return f"the other runs hold it under other conditions only ({', '.join(nearest)})"
    if len(quantity.readings) > 1:
        return f"in {len(quantity.readings)} runs only, and it takes {least}"
    return "in one run only"


def _left_out(
    key: tuple[str, str], places: Sequence[int], names: Sequence[str], reason: str
) -> LeftOut:
    runs = tuple(names[place] for place in sorted(set(places)))
    return LeftOut(kind=key[0], name=key[1], count=len(places), runs=runs, reason=reason)


# What the values of several runs share.


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """A number of one run, with the uncertainty that it does not share with the others.

    Parameters
    ----------
    place : of its run
    value : in the quantity's unit
    standard_uncertainty, expanded_uncertainty : of its own
    """

    place: int
    value: float
    standard_uncertainty: float
    expanded_uncertainty: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Values:
    """The numbers that a quantity has in several runs.

    Parameters
    ----------
    held : in the order of the runs
    shared : names of the calibrations that all of them rest on, and that move all alike
    shared_uncertainty : U of these alone
    without : place and why, of the readings that are no numbers
    """

    held: tuple[Value, ...]
    shared: tuple[str, ...]
    shared_uncertainty: float
    without: tuple[tuple[int, str], ...]


def values_of(quantity: Quantity, runs: Sequence[Named]) -> Values:
    """Give the numbers of a quantity, without what all of them share."""
    numbers: list[tuple[int, float, Reading]] = []
    without = []
    for place, reading in sorted(quantity.readings.items()):
        if isinstance(reading.value, int | float) and not reading.bound:
            numbers.append((place, float(reading.value), reading))
        elif reading.value is None:
            without.append((place, "not measured"))
        else:
            word = "only a bound" if reading.bound else str(reading.value)
            without.append((place, word))
    parts = {place: whole_parts(reading) for place, _, reading in numbers}
    shared = _shared_by_all(parts, quantity, runs)
    common = next(iter(parts.values()), ())
    common_total = combine(part for part in common if part.name in shared)
    held = []
    for place, value, _ in numbers:
        total = combine(part for part in parts[place] if part.name not in shared)
        held.append(
            Value(
                place=place,
                value=value,
                standard_uncertainty=total.standard_uncertainty,
                expanded_uncertainty=total.expanded_uncertainty,
            )
        )
    return Values(
        held=tuple(held),
        shared=tuple(sorted(shared)),
        shared_uncertainty=common_total.expanded_uncertainty,
        without=tuple(without),
    )


def _shared_by_all(
    parts: Mapping[int, Sequence[Contribution]], quantity: Quantity, runs: Sequence[Named]
) -> frozenset[str]:
    if len(parts) < 2:
        return frozenset()
    benches = {str(runs[place].run.bench.get("name", "")) for place in parts}
    bench = benches.pop() if len(benches) == 1 else ""
    (first, ours), *others = parts.items()
    effects = {part.name: part.sensitivity for part in ours}
    shared = frozenset(effects)
    for place, theirs in others:
        recordings = {
            *quantity.readings[first].recordings,
            *quantity.readings[place].recordings,
        }
        alike = {
            part.name
            for part in theirs
            if part.name in effects
            and abs(part.sensitivity - effects[part.name]) <= SAME_EFFECT * abs(part.sensitivity)
        }
        shared &= shared_between_runs(ours, theirs, bench, recordings) & alike
    return shared


# What must be the same for several runs to be compared at all.


def unit_of(run: Run) -> tuple[str, str]:
    """Give by what a run's unit is known: its name and its serial number."""
    return str(run.unit.get("name") or ""), str(run.unit.get("serial") or "")


def require_comparable(runs: Sequence[Named]) -> None:
    """Refuse runs that say nothing of each other.

    Raises
    ------
    BadInput : some are of simulated units and some are not.
    """
    simulated = [named.name for named in runs if named.run.source == "simulated"]
    if 0 < len(simulated) < len(runs):
        raise BadInput(
            f"{len(simulated)} of {len(runs)} runs are simulated, and a simulated unit says"
            " nothing of a real one",
            in_few_words(simulated),
            "Leave these out, or compare them alone.",
        )


def remarks_on(runs: Sequence[Named]) -> tuple[str, ...]:
    """Say what sets several runs apart beside their readings, in plain sentences."""
    remarks = []
    for what, said in (
        ("benches", [str(named.run.bench.get("name") or "not named") for named in runs]),
        ("procedures", [named.run.procedure or "not named" for named in runs]),
        ("sources", [named.run.source or "not named" for named in runs]),
    ):
        different = list(dict.fromkeys(said))
        if len(different) > 1:
            remarks.append(f"The {what} are not the same: {in_few_words(different)}.")
    by_bench: dict[object, Named] = {}
    for named in runs:
        first = by_bench.setdefault(named.run.bench.get("name"), named)
        keys = differing(first.run.bench, named.run.bench)
        if keys:
            remarks.append(
                f"The bench is described otherwise in {named.name} than in {first.name}: "
                f"{in_few_words(keys)}."
            )
    versions = list(dict.fromkeys(named.run.software.get("harness", "") for named in runs))
    if len(versions) > 1:
        remarks.append(f"Measured with {len(versions)} versions of harness.")
    return tuple(remarks)
