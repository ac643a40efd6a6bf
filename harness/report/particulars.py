"""The head of a report: which unit, who measured, when, where, with what."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from harness.report.sessions import session_in_words
from harness.report.wording import TIE
from harness.results import Run


def particulars(run: Run) -> Iterable[tuple[str, str]]:
    """Give what is known, each with its word."""
    unit, bench = run.unit, run.bench
    yield "Unit", _joined([unit.get("name"), _labelled("serial", unit.get("serial"))])
    for key, word in (("receive_hz", "Receives"), ("transmit_hz", "Transmits")):
        if isinstance(unit.get(key), int | float):
            yield word, f"{unit[key] / 1e6:.4f} MHz"
    rated = [
        f"{value:g}{TIE}{unit_of}"
        for key, scale, unit_of in (
            ("channel_spacing_hz", 1e-3, "kHz channel"),
            ("rated_deviation_hz", 1e-3, "kHz deviation"),
            ("rated_power_w", 1.0, "W"),
        )
        if isinstance(unit.get(key), int | float) and (value := unit[key] * scale)
    ]
    if rated:
        yield "Rated", ", ".join(rated)
    battery = unit.get("battery")
    if isinstance(battery, Mapping):
        yield (
            "Battery",
            _joined(
                [
                    battery.get("chemistry"),
                    _with_unit(battery.get("nominal_v"), "V"),
                    _with_unit(battery.get("capacity_ah"), "Ah"),
                ]
            ),
        )
    start, end = moment(run.started_utc), moment(run.ended_utc)
    day = f"{run.started_utc:%Y-%m-%d} "
    yield "Measured", f"{start.removesuffix(' UTC')} to {end.removeprefix(day)}"
    yield "Procedure", run.procedure
    plan = run.session.get("plan")
    title = str(plan.get("title") or plan.get("name") or "") if isinstance(plan, Mapping) else ""
    if title and title != run.procedure:
        yield "Plan", title
    yield from session_in_words(run)
    who = run.session.get("operator") or bench.get("operator")
    for word, held in (("Measured by", who), ("Where", bench.get("place"))):
        if held:
            yield word, str(held)
    yield (
        "Bench",
        _joined(
            [
                bench.get("name"),
                _labelled("source", run.source),
                _labelled("calibrated", bench.get("calibrated")),
            ]
        ),
    )
    for key, word in (
        ("output", "Output receiver"),
        ("input", "Input receiver"),
        ("generator", "Generator"),
        ("meter", "Meter"),
    ):
        if bench.get(key):
            yield word, _device(bench[key])
    yield "Software", ", ".join(f"{name} {version}" for name, version in run.software.items())


def _device(device: Any) -> str:
    if isinstance(device, Mapping):
        return (
            _joined([device.get("source"), _labelled("serial", device.get("serial"))])
            or "as described"
        )
    return str(device)


def _joined(parts: Iterable[Any]) -> str:
    return ", ".join(str(part) for part in parts if part not in (None, ""))


def _labelled(word: str, value: Any) -> str:
    return f"{word} {value}" if value not in (None, "") else ""


def _with_unit(value: Any, unit: str) -> str:
    return f"{value:g} {unit}" if isinstance(value, int | float) else ""


def moment(when: datetime) -> str:
    """Write a time for people, to the second."""
    return f"{when:%Y-%m-%d %H:%M:%S} UTC"
