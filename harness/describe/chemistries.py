"""Battery chemistries by name: cells, voltages, rate effect, each with its source."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from types import MappingProxyType


@dataclass(frozen=True, slots=True, kw_only=True)
class CellVoltage:
    """A voltage of one cell, the condition it holds under, and where it stands.

    ``verified`` is "read", "memory", "computed" or "chosen": whether somebody read the figure
    in its source.
    """

    volts: float
    condition: str
    source: str
    verified: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RateExponent:
    """Range of Peukert's exponent; ``low`` is 1 or more, ``verified`` as in ``CellVoltage``."""

    low: float
    high: float
    source: str
    verified: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RatedTime:
    """Length of the discharge that the marked capacity is meant for."""

    hours: float
    source: str
    verified: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chemistry:
    """A chemistry: voltages of one cell, and what a faster discharge costs.

    ``end`` holds one voltage per condition (rate of discharge), the usual one first.
    ``usual_cells`` are counts of cells that portable batteries are built with.
    """

    name: str
    lead_acid: bool
    usual_cells: tuple[int, ...]
    nominal: CellVoltage
    end: tuple[CellVoltage, ...]
    rate_exponent: RateExponent
    rated_time: RatedTime

    def cells(self, nominal_v: float) -> int:
        """Give the count of cells whose nominal voltage is nearest; at least one."""
        return max(1, round(nominal_v / self.nominal.volts))


def _load() -> Mapping[str, Chemistry]:
    text = (files("harness") / "data" / "chemistries.toml").read_text(encoding="utf-8")
    chemistries = {}
    for name, table in tomllib.loads(text).items():
        chemistries[name] = Chemistry(
            name=name,
            lead_acid=table["lead_acid"],
            usual_cells=tuple(table["usual_cells"]),
            nominal=CellVoltage(**table["nominal"]),
            end=tuple(CellVoltage(**row) for row in table["end"]),
            rate_exponent=RateExponent(**table["rate_exponent"]),
            rated_time=RatedTime(**table["rated_time"]),
        )
    return MappingProxyType(chemistries)


CHEMISTRIES: Mapping[str, Chemistry] = _load()
"""By the name that a unit file gives."""
