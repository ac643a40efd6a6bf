"""A unit in service on the terminal, or as JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from harness.commands.one_object import print_object
from harness.commands.table import Row, print_rows, say
from harness.report.fielded import (
    ON_EXPOSURE,
    ON_RANGES,
    ON_TIMES,
    Fielded,
    Looked,
    factors_in_words,
    fielded,
)
from harness.service.exposure import REFLECTIONS

if TYPE_CHECKING:
    from rich.console import Console

    from harness.service.capacity import Capacity
    from harness.service.link import Reach

SCHEMA = 1
"""Of the JSON form."""


def print_field(looked: Looked, console: Console) -> None:
    """Print run times, ranges, exposure, the knob, what went in, and what to bear in mind."""
    words = fielded(looked)
    _print_times(words, console)
    _print_ranges(words, console)
    _print_exposure(words, console)
    say(console, f"\nSquelch knob: {words.knob}", style="bold")
    say(console, words.knob_sentence)
    say(console, "\nWhat went in", style="bold")
    print_rows(
        console,
        ("value", "is", "how known"),
        [
            Row(title=line.title, values=(line.value, line.origin), words=line.source)
            for line in words.inputs
        ],
    )
    for remark in words.remarks:
        say(console, f"Caution: {remark}")
    for caution in words.cautions:
        say(console, f"Caution: {caution}")


def _print_times(words: Fielded, console: Console) -> None:
    say(console, "Run time", style="bold")
    rows = [
        Row(title=line.duty, values=(line.time, line.interval), words=line.why)
        for line in words.times
    ]
    print_rows(console, ("duty", "lasts", "95 %"), rows)
    for sentence in words.battery:
        say(console, sentence)
    say(console, ON_TIMES, style="dim")


def _print_ranges(words: Fielded, console: Console) -> None:
    say(console, "\nRange", style="bold")
    rows = [
        Row(title=line.way, values=(line.usual, line.most), words=line.why) for line in words.ways
    ]
    if rows:
        print_rows(console, ("way", "usual", "at most"), rows)
    say(console, words.balance)
    say(console, ON_RANGES, style="dim")


def _print_exposure(words: Fielded, console: Console) -> None:
    say(console, "\nExposure", style="bold")
    say(console, words.keep_away)
    if words.exposures:
        rows = [
            Row(title=line.public, values=(line.limit, *line.distances)) for line in words.exposures
        ]
        print_rows(console, ("people", "limit", *factors_in_words()), rows)
        say(console, ON_EXPOSURE, style="dim")


def print_field_json(looked: Looked, fingerprints: Mapping[str, str]) -> None:
    """Print one JSON object on standard output and nothing else."""
    print_object(field_json(looked, fingerprints))


def field_json(looked: Looked, fingerprints: Mapping[str, str]) -> dict[str, Any]:
    """Give the JSON form; what was not measured is null.

    Parameters
    ----------
    looked : what the results mean
    fingerprints : content SHA-512 of each results file, by its name
    """
    found = looked.found
    chosen = looked.advice.chosen if looked.advice is not None else None
    return {
        "schema": SCHEMA,
        "kind": "field",
        "unit": found.unit.get("name"),
        "results": [{"path": name, "sha512": sha} for name, sha in fingerprints.items()],
        "inputs": [
            {
                "name": each.name,
                "title": each.title,
                "value": each.value,
                "unit": each.unit,
                "expanded_uncertainty": each.expanded_uncertainty,
                "origin": each.origin,
                "source": each.source,
            }
            for each in found.inputs
        ],
        "run_times": [
            {
                "duty": each.duty.name,
                "source": each.duty.source,
                "transmit": each.duty.transmit,
                "receive": each.duty.receive,
                "standby": each.duty.standby,
                "hours": each.hours,
                "interval_h": None if each.interval_h is None else _ends(each.interval_h),
                "by_charge_h": each.by_charge_h,
                "bound": each.bound,
                "missing": list(each.missing),
            }
            for each in found.endurances
        ],
        "capacity": None if found.capacity is None else _capacity(found.capacity),
        "of_rated_percent": None
        if found.rated is None
        else {
            "value": found.rated.percent,
            "expanded_uncertainty": found.rated.expanded_uncertainty_percent,
        },
        "ageing": _ageing(looked),
        "talk_out": None if found.talk_out is None else _reach(found.talk_out),
        "talk_in": None if found.talk_in is None else _reach(found.talk_in),
        "balance": None
        if found.balance is None
        else {
            "value_db": found.balance.value_db,
            "expanded_uncertainty_db": found.balance.expanded_uncertainty_db,
            "longer": found.balance.longer,
        },
        "talk_in_set_by": found.governing or None,
        "exposure": [
            {
                "people": each.public,
                "limit_mw_per_cm2": each.limit_mw_per_cm2,
                "averaging_min": each.averaging_min,
                "source": each.source,
                "distances_m": dict(zip(map(str, REFLECTIONS), each.distances_m, strict=True)),
            }
            for each in found.exposures
        ],
        "knob": {
            "outcome": None if looked.advice is None else looked.advice.outcome,
            "position": None if chosen is None else chosen.position.knob,
        },
        "cautions": [*found.remarks, *fielded(looked).cautions],
    }


def _ends(interval: tuple[float, float]) -> list[float | None]:
    return [end if math.isfinite(end) else None for end in interval]


def _capacity(each: Capacity) -> dict[str, Any]:
    return {
        "results": each.name,
        "started_utc": each.started_utc.isoformat(),
        "end_v": each.end_v,
        "delivered_ah": each.delivered_ah,
        "mean_a": each.mean_a,
        "at_rated_time_ah": each.value_ah,
        "expanded_uncertainty_ah": each.expanded_uncertainty_ah,
        "bound": each.bound,
        "why_bound": each.why_bound,
    }


def _ageing(looked: Looked) -> dict[str, Any] | None:
    ageing = looked.found.ageing
    if ageing is None:
        return None
    change, slope = ageing.change, ageing.per_year
    return {
        "capacities": [_capacity(each) for each in ageing.capacities],
        "change_ah": None if change is None else change.difference_ah,
        "change_expanded_uncertainty_ah": None
        if change is None
        else change.expanded_uncertainty_ah,
        "change_en": None if change is None else change.en,
        "percent_per_year": None if slope is None else slope.percent,
        "percent_per_year_expanded_uncertainty": None
        if slope is None
        else slope.expanded_uncertainty_percent,
        "why_none": ageing.why_none,
    }


def _reach(each: Reach) -> dict[str, Any]:
    return {
        "frequency_hz": each.frequency_hz,
        "budget_db": each.budget_db,
        "expanded_uncertainty_db": each.expanded_uncertainty_db,
        "usual_m": None if each.usual_m is None else list(each.usual_m),
        "most_m": each.most_m,
        "horizon_m": each.horizon_m,
        "missing": each.missing,
    }
