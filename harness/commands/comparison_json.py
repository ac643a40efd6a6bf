"""Comparisons as JSON: one object, by its ``way``: two, repair, fleet or years."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from harness.compare import Comparison, Fleet, Named, Repair, Years
from harness.compare.gather import LeftOut, Quantity, Value
from harness.compare.runs import Row
from harness.readings import reading_json

SCHEMA = 1


def two_json(comparison: Comparison, runs: Sequence[Named]) -> dict[str, Any]:
    """Two runs: ``b`` minus ``a``."""
    a, b = runs
    return {**_begun("two"), "a": _run(a), "b": _run(b), **_comparison(comparison)}


def repair_json(repairs: Sequence[Repair]) -> dict[str, Any]:
    """Pairs of runs: ``b`` is after the repair; each quantity has its ``change``."""
    units = []
    for repair in repairs:
        held = _comparison(repair.comparison)
        for quantity, change in zip(held["quantities"], repair.changes, strict=True):
            quantity["change"] = change
        units.append(
            {
                "unit": repair.unit[0],
                "serial": repair.unit[1],
                "a": _run(repair.before),
                "b": _run(repair.after),
                **held,
            }
        )
    return {**_begun("repair"), "units": units}


def fleet_json(fleet: Fleet, runs: Sequence[Named]) -> dict[str, Any]:
    """Several units; ``run`` is the place in ``runs``, from 0."""
    return {
        **_begun("fleet"),
        "runs": [_run(named) for named in runs],
        "quantities": [
            {
                **_quantity(line.quantity),
                "median": line.middle,
                "robust_standard_deviation": line.scale,
                "first_rank_is_best": line.has_direction,
                "units": [
                    {
                        "run": one.place,
                        "value": one.value,
                        "own_expanded_uncertainty": one.expanded_uncertainty,
                        "distance": one.distance,
                        "score": one.score,
                        "rank": one.rank,
                        "ranks_possible": list(one.ranks),
                        "stands_out": one.stands_out,
                    }
                    for one in line.units
                ],
                "states": {word: list(places) for word, places in line.states},
                **_rest(line.without, line.shared, line.note),
            }
            for line in fleet.lines
        ],
        **_ended(fleet.left_out, fleet.remarks),
    }


def years_json(years: Years, runs: Sequence[Named]) -> dict[str, Any]:
    """One unit over its runs; ``run`` is the place in ``runs``, from 0, by time."""
    return {
        **_begun("years"),
        "unit": years.unit[0],
        "serial": years.unit[1],
        "runs": [_run(named) for named in runs],
        "expected_utc": years.expected_utc.isoformat(),
        "quantities": [
            {
                **_quantity(line.quantity),
                "runs": [_value(one) for one in line.values],
                "trend": None
                if line.trend is None
                else {
                    "middle_utc": line.trend.middle_utc.isoformat(),
                    "level": line.trend.level,
                    "slope_per_year": line.trend.slope_per_year,
                    "expanded_uncertainty_of_slope": line.trend.expanded_slope,
                    "coverage_factor": line.trend.coverage_factor,
                    "birge_ratio": line.trend.birge,
                    "is_told": line.trend.is_told,
                },
                "expected": line.expected,
                "expanded_uncertainty_of_expected": line.expanded_expected,
                "control": None if line.control is None else asdict(line.control),
                **_rest(line.without, line.shared, line.note),
            }
            for line in years.lines
        ],
        **_ended(years.left_out, years.remarks),
    }


def _begun(way: str) -> dict[str, Any]:
    return {"schema": SCHEMA, "way": way}


def _ended(left_out: Sequence[LeftOut], remarks: Sequence[str]) -> dict[str, Any]:
    return {"not_compared": [asdict(one) for one in left_out], "remarks": list(remarks)}


def _rest(without: Sequence[tuple[int, str]], shared: Sequence[str], note: str) -> dict[str, Any]:
    return {
        "without": [{"run": place, "reason": reason} for place, reason in without],
        "shared": list(shared),
        "note": note,
    }


def _run(named: Named) -> dict[str, Any]:
    run = named.run
    unit: Mapping[str, Any] = run.unit
    return {
        "name": named.name,
        "title": run.title,
        "unit": str(unit.get("name") or ""),
        "serial": str(unit.get("serial") or ""),
        "started_utc": run.started_utc.isoformat(timespec="microseconds"),
        "verdict": run.verdict,
        "source": run.source,
    }


def _quantity(held: Quantity) -> dict[str, Any]:
    return {
        "kind": held.kind,
        "name": held.name,
        "unit": held.unit,
        "conditions": dict(held.conditions),
    }


def _value(one: Value) -> dict[str, Any]:
    return {
        "run": one.place,
        "value": one.value,
        "own_expanded_uncertainty": one.expanded_uncertainty,
    }


def _comparison(comparison: Comparison) -> dict[str, Any]:
    return {
        "quantities": [_row(row) for row in comparison.rows],
        "not_compared": [
            {
                "run": alone.run_name,
                "kind": alone.kind,
                "reading": reading_json(alone.reading),
                "reason": alone.reason,
            }
            for alone in comparison.unmatched
        ],
        "remarks": list(comparison.remarks),
    }


def _row(row: Row) -> dict[str, Any]:
    return {
        "kind": row.kind,
        "name": row.name,
        "unit": row.unit,
        "conditions": dict(row.conditions),
        "a": reading_json(row.a),
        "b": reading_json(row.b),
        "difference": row.difference,
        "expanded_uncertainty": row.expanded_uncertainty,
        "coverage_factor": row.coverage_factor,
        "en": row.en,
        "agrees": row.agrees,
        "better": row.better,
        "shared": list(row.shared),
        "note": row.note,
    }
