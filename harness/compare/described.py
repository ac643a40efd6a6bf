"""In what two descriptions, of benches or of units, are not the same."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

MOST_KEYS = 6
"""Named in one sentence; chosen."""


def differing(one: Mapping[str, Any], other: Mapping[str, Any]) -> tuple[str, ...]:
    """Give the keys under which two descriptions differ, dotted, with both values if short."""
    return tuple(_differing(one, other, ""))


def _differing(one: Any, other: Any, place: str) -> Iterable[str]:
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        for key in dict.fromkeys((*one, *other)):
            yield from _differing(one.get(key), other.get(key), f"{place}.{key}" if place else key)
    elif _is_list(one) and _is_list(other) and len(one) == len(other):
        for number, (left, right) in enumerate(zip(one, other, strict=True), start=1):
            yield from _differing(left, right, f"{place} {number}")
    elif one != other:
        short = not any(isinstance(value, Mapping | list | tuple) for value in (one, other))
        yield f"{place} ({_said(one)} and {_said(other)})" if short else place


def _is_list(value: Any) -> bool:
    return isinstance(value, list | tuple)


def _said(value: Any) -> str:
    return "not said" if value is None else str(value)


def in_few_words(keys: Iterable[str]) -> str:
    """Write keys with commas between, the last of many counted only."""
    held = list(keys)
    rest = len(held) - MOST_KEYS
    return ", ".join(held[:MOST_KEYS]) + (f" and {rest} more" if rest > 0 else "")
