"""Desensitisation: the sensitivity for 12 dB SINAD keyed, minus that with the transmitter off.

What both sweeps share (the generator's level, the path) drops out of its uncertainty by name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from harness.devices import TransmitterState
from harness.readings import Bound, Findings, Reading, measured, not_measured
from harness.uncertainty import Contribution, difference

NAME = "desensitisation"
SENSITIVITY = "sensitivity_12db_sinad"


def desensitisation(keyed: Findings, unkeyed: Findings) -> Reading:
    """Loss of sensitivity with the transmitter keyed, from two measurements.

    Parameters
    ----------
    keyed, unkeyed : of kind "audio"; their sensitivity (of that transmitter state, if they tell
        it) is taken

    Returns
    -------
    Reading : a bound where one sweep gives no more; "not measured" where one has no sensitivity
    """
    on, off = _sensitivity_of(keyed, "on"), _sensitivity_of(unkeyed, "off")
    names = [name for r in (on, off) if r is not None for name in r.recordings]
    return desensitisation_of(on, off, tuple(dict.fromkeys(names)))


def _sensitivity_of(findings: Findings, state: TransmitterState) -> Reading | None:
    """Give the sensitivity of a transmitter state; one that does not tell will do."""
    known = [r for r in findings.readings if r.name == SENSITIVITY and r.value is not None]
    told = [r for r in known if r.conditions.get("transmitter") == state]
    untold = [r for r in known if "transmitter" not in r.conditions]
    return next(iter(told + untold), None)


def desensitisation_of(
    on: Reading | None, off: Reading | None, recordings: tuple[str, ...]
) -> Reading:
    """Give the difference of two sensitivities, keyed minus unkeyed; arguments may be bounds."""
    more: dict[str, Any] = {"recordings": recordings}
    if on is None or not isinstance(on.value, float):
        return not_measured(NAME, "no sensitivity with the transmitter keyed", **more)
    if off is None or not isinstance(off.value, float):
        return not_measured(NAME, "no sensitivity with the transmitter off", **more)
    held = {k: v for k, v in off.conditions.items() if k != "transmitter"}
    more["conditions"] = {k: v for k, v in held.items() if on.conditions.get(k) == v}
    if more["conditions"] != held:
        note = "the two sweeps were not measured alike"
        return not_measured(NAME, note, recordings=recordings)
    ends = {on.bound, _turned(off.bound)} - {None}
    if len(ends) > 1:
        note = "both sweeps end before 12 dB, on sides that say nothing of their difference"
        return not_measured(NAME, note, **more)
    bound = next(iter(ends), None)
    return measured(
        NAME,
        on.value - off.value,
        difference(*_kept_apart(on.contributions, off.contributions)),
        count=on.count + off.count,
        bound=bound,
        note="" if bound is None else "one of the sweeps does not pass 12 dB SINAD",
        **more,
    )


def _turned(bound: Bound | None) -> Bound | None:
    """Give the bound of minus a value."""
    turned: dict[Bound, Bound] = {"upper": "lower", "lower": "upper"}
    return None if bound is None else turned[bound]


def _kept_apart(
    on: Sequence[Contribution], off: Sequence[Contribution]
) -> tuple[list[Contribution], list[Contribution]]:
    """Rename what only looks alike: fits, and declared figures that are not one and the same."""
    other = {c.name: c for c in off}
    shared = {
        c.name
        for c in on
        if c.kind == "B"
        and c.name in other
        and other[c.name].kind == "B"
        and c.standard_uncertainty == other[c.name].standard_uncertainty
        and c.source == other[c.name].source
    }

    def apart(parts: Sequence[Contribution], tag: str) -> list[Contribution]:
        return [c if c.name in shared else replace(c, name=f"{c.name}, {tag}") for c in parts]

    return apart(on, "keyed"), apart(off, "unkeyed")
