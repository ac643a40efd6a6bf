"""Numbers as people type them: a comma or a point, with or without the unit."""

from __future__ import annotations

import math
import re

_NUMBER = re.compile(r"([+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-zµμ]*)", re.ASCII)
_PREFIXES = {"": 1.0, "m": 1e-3, "k": 1e3, "µ": 1e-6, "μ": 1e-6, "u": 1e-6}


def number_typed(text: str, unit: str, low: float, high: float) -> float:
    """Read a number in a unit.

    Parameters
    ----------
    text : such as ``12.53``, ``12,53``, ``12.53 V``, ``1420 mA``; the minus of print is one too
    unit : "V" or "A"
    low, high : ends of the range, both allowed

    Raises
    ------
    ValueError : it is none, has another unit, or lies outside; with a sentence that says so.
    """
    plain = " ".join(text.split()).replace("\N{MINUS SIGN}", "-")
    if not plain:
        raise ValueError("Nothing was typed.")
    found = _NUMBER.fullmatch(plain)
    if found is None:
        if re.fullmatch(r"[-+\d.,' ]+", plain) and sum(plain.count(c) for c in ".,'") > 1:
            raise ValueError(f"{plain} has more than one point or comma; leave out the thousands.")
        raise ValueError(f"{plain[:40]} is no number such as 12.53.")
    digits, given = found[1].replace(",", "."), found[2]
    factor = _factor(given, unit)
    if factor is None:
        raise ValueError(f"{plain[:40]} is not in {unit}.")
    value = float(digits) * factor
    if not math.isfinite(value) or not low <= value <= high:
        raise ValueError(f"{value:g} {unit} is outside {low:g} to {high:g} {unit}.")
    return value


def _factor(given: str, unit: str) -> float | None:
    if not given:
        return 1.0
    if given[-1] not in (unit, unit.lower()):
        return None
    return _PREFIXES.get(given[:-1])
