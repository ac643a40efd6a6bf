"""Pick readings out of findings."""

from typing import Any


def pick(findings: Any, name: str, **conditions: Any) -> Any:
    """Give the one reading of a name that holds under these conditions."""
    found = [
        r
        for r in findings.readings
        if r.name == name and all(r.conditions.get(k) == v for k, v in conditions.items())
    ]
    assert len(found) == 1, f"{len(found)} readings {name!r} {conditions}"
    return found[0]


def series(findings: Any, name: str) -> Any:
    """Give the one series of a name."""
    (found,) = (s for s in findings.series if s.name == name)
    return found
