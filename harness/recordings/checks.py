"""JSON from strangers: load it, and read its fields one by one, each checked."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.errors import Damaged

MOST_BYTES = 16 << 20
"""A description above this is something else; chosen (a step annotation takes 200 bytes)."""
HUGE = 1e300
LARGEST_SAMPLE = 1e10
"""Full scale is 1; somebody's 32-bit counts saved as float come near 2e9; chosen above."""
_REMEDY = "Correct it, or record again."


def load_object(raw: bytes, where: str) -> dict[str, Any]:
    """Read one JSON object; Damaged, in one line, for whatever else the bytes hold."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        raise Damaged(
            f"is not UTF-8 text (byte {fault.start})", where, "Is it really a description?"
        ) from None
    try:
        loaded = json.loads(text, object_pairs_hook=_without_twins)
        json.dumps(loaded, ensure_ascii=False).encode()
    except json.JSONDecodeError as fault:
        raise Damaged(
            f"is not JSON: {fault.msg.lower()} at line {fault.lineno}, column {fault.colno}",
            where,
            "Cut off while it was copied?",
        ) from None
    except RecursionError:
        raise Damaged("is nested too deeply for a description", where, _REMEDY) from None
    except UnicodeEncodeError:
        raise Damaged("holds characters that are none", where, _REMEDY) from None
    except ValueError as fault:
        raise Damaged(f"is not JSON: {ascii(str(fault))[1:-1][:100]}", where, _REMEDY) from None
    if not isinstance(loaded, dict):
        raise Damaged("is not a JSON object", where, "Is it really a description?")
    return loaded


def require_possible(samples: NDArray[Any], start: int, path: Path) -> None:
    """Refuse what no receiver gives: NaN, infinity, or far beyond full scale.

    Parameters
    ----------
    samples : shape (n,) or (n, 2); whole numbers pass
    start : number of the first of them
    path : the file that they came from, for the error
    """
    if samples.dtype.kind != "f" or not samples.size:
        return
    # One pass when all is well; NaN makes both ends NaN, and the comparison false.
    if -LARGEST_SAMPLE <= samples.min() and samples.max() <= LARGEST_SAMPLE:
        return
    wrong = ~(np.abs(samples.reshape(len(samples), -1)) <= LARGEST_SAMPLE)
    at = int(np.argmax(wrong.any(axis=1)))
    value = float(samples.reshape(len(samples), -1)[at][wrong[at]][0])
    if math.isfinite(value):
        raise Damaged(
            f"sample {start + at} is {value:.3g}, where full scale is 1",
            str(path),
            "Scale it to full scale, or give its true datatype.",
        )
    raise Damaged(
        f"sample {start + at} is NaN or infinite", str(path), "Record again, or cut that part out."
    )


def _without_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) != len(pairs):
        names = [name for name, _ in pairs]
        twin = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"{shown(twin)} stands twice in one object")
    return made


def shown(value: Any, most: int = 40) -> str:
    """Show a value from a file: as JSON, short, on one line, printable anywhere."""
    if isinstance(value, int) and abs(value) >= 1 << 64:
        return "a huge number"
    if isinstance(value, dict | list):
        return "an object" if isinstance(value, dict) else "a list"
    text = json.dumps(value[: 4 * most] if isinstance(value, str) else value)
    return text if len(text) <= most else f"{text[: most - 3]}..."


class Fields:
    """One JSON object, read field by field.

    Every reader gives None for a field that is absent and raises Damaged, naming the file, the
    place and the value, for one of the wrong type or out of its range.

    Parameters
    ----------
    mapping : the object
    where : str, file for the error line
    inside : str, place in the file, such as ``captures[1]``
    """

    def __init__(self, mapping: Any, where: str, inside: str) -> None:
        self.where = where
        self.inside = inside
        if not isinstance(mapping, dict):
            raise Damaged(f"{inside} is {shown(mapping)}, not an object", where, _REMEDY)
        self.mapping = mapping

    def wrong(self, key: str, why: str, remedy: str = _REMEDY) -> Damaged:
        """Make the error for a field: ``why`` follows its name and value."""
        value = shown(self.mapping.get(key))
        return Damaged(f"{self.inside}: {key} is {value}, {why}", self.where, remedy)

    def missing(self, key: str, remedy: str = _REMEDY) -> Damaged:
        """Make the error for a field that must be there."""
        return Damaged(f"{self.inside}: {key} is missing", self.where, remedy)

    def number(self, key: str, low: float = -HUGE, high: float = HUGE) -> float | None:
        """Give a finite number within ``low`` to ``high``, both included."""
        if key not in self.mapping:
            return None
        value = self.mapping[key]
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.wrong(key, "not a number")
        if isinstance(value, float) and not math.isfinite(value):
            raise self.wrong(key, "not a finite number")
        self._within(key, value, low, high)
        return float(value)

    def integer(self, key: str, low: int = 0, high: int = 2**63 - 1) -> int | None:
        """Give a whole number within ``low`` to ``high``, both included."""
        if key not in self.mapping:
            return None
        value = self.mapping[key]
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.wrong(key, "not a whole number")
        self._within(key, value, low, high)
        return value

    def text(self, key: str) -> str | None:
        """Give a string."""
        value = self.mapping.get(key)
        if key in self.mapping and not isinstance(value, str):
            raise self.wrong(key, "not a text")
        return value

    def flag(self, key: str) -> bool | None:
        """Give true or false."""
        value = self.mapping.get(key)
        if key in self.mapping and not isinstance(value, bool):
            raise self.wrong(key, "not true or false")
        return value

    def word(self, key: str, allowed: Sequence[str]) -> str | None:
        """Give one of the words allowed."""
        value = self.text(key)
        if value is not None and value not in allowed:
            raise self.wrong(key, f"none of {', '.join(allowed)}")
        return value

    def items(self, key: str) -> list[Any]:
        """Give a list; an absent one is empty."""
        value = self.mapping.get(key, [])
        if not isinstance(value, list):
            raise self.wrong(key, "not a list")
        return value

    def _within(self, key: str, value: float, low: float, high: float) -> None:
        if value < low:
            raise self.wrong(key, f"below {low:g}")
        if value > high:
            raise self.wrong(key, f"above {high:g}")
