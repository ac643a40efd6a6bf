"""The range of a generator: what may be set, by SCPI or by hand."""

from __future__ import annotations

from harness.describe import GeneratorDescription
from harness.errors import BadInput


def highest_dbm(described: GeneratorDescription, where: str) -> float:
    """Give the highest level that a generator may be set to.

    Raises
    ------
    BadInput : nobody declared it. A device that cannot tell its limits is refused.
    """
    if described.maximum_dbm is None:
        raise BadInput(
            "the highest level that the generator may be set to is not known",
            where,
            "Write maximum_dbm into [generator] of the bench file.",
        )
    return described.maximum_dbm


def require_within(level_port_dbm: float, range_port_dbm: tuple[float, float], where: str) -> None:
    """Refuse a level at the unit's port that lies outside; NaN does too.

    Raises
    ------
    BadInput : it does.
    """
    low, high = range_port_dbm
    if not low <= level_port_dbm <= high:
        raise BadInput(
            f"cannot give {level_port_dbm:.2f} dBm at the unit's port",
            where,
            f"It gives {low:.1f} to {high:.1f} dBm there: change the path, or minimum_dbm and"
            " maximum_dbm.",
        )
