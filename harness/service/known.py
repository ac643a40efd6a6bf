"""What goes in, each value with where it is from: measured, the unit file, given, or assumed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from harness.describe.field import FieldFile
from harness.readings import Reading
from harness.results import Run

Origin = Literal["measured", "unit file", "given", "assumed", "not measured"]

CHOSEN = "chosen"
COMMON = "common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A value that goes in.

    Parameters
    ----------
    name : with its unit at the end, as in a field file where it may be given there
    title : for people
    value : number or word; None with origin "not measured"
    unit : of value and U
    origin : how it is known
    source : file, or why it was chosen; for "not measured" what is missing
    expanded_uncertainty : k = 2; None where nothing is known of it, or nothing is to be known
    """

    name: str
    title: str
    value: float | str | None
    unit: str
    origin: Origin
    source: str
    expanded_uncertainty: float | None = None

    @property
    def number(self) -> float:
        """The value where it is one.

        Raises
        ------
        ValueError : it is a word, or missing.
        """
        if not isinstance(self.value, int | float):
            raise ValueError(f"{self.name}={self.value!r} is no number")
        return float(self.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A run and what its results file is called."""

    name: str
    run: Run


_ASSUMED: Mapping[str, tuple[str, float | str, str, str]] = {
    # By the name in a field file: title, value, unit, why.
    "antenna_gain_dbi": ("antenna gain", 2.15, "dBi", "half-wave dipole, chosen"),
    "antenna_height_m": ("antenna height", 6.0, "m", "a short mast, chosen"),
    "feeder_loss_db": ("feeder loss", 1.0, "dB", CHOSEN),
    "surroundings": ("surroundings, for noise", "rural", "", CHOSEN),
    "margin_db": ("margin for terrain and fading", 10.0, "dB", CHOSEN),
    "spread_db": ("spread from place to place", 8.0, "dB", CHOSEN),
    "exposure_share": ("share of the time keyed, for exposure", 1.0, "", "no averaging, chosen"),
    "handheld.power_w": ("handheld's power", 5.0, "W", COMMON),
    "handheld.sensitivity_dbm": ("handheld's sensitivity", -116.0, "dBm", f"0.35 µV, {COMMON}"),
    "handheld.noise_figure_db": ("handheld's noise figure", 7.0, "dB", CHOSEN),
    "handheld.antenna_gain_dbi": (
        "handheld's antenna gain",
        -8.0,
        "dBi",
        "short antenna beside the body, chosen",
    ),
    "handheld.height_m": ("handheld's height", 1.5, "m", CHOSEN),
}


def settings(field: FieldFile, where: str) -> dict[str, Known]:
    """Give what the field file says, and what is assumed where it does not.

    Parameters
    ----------
    field : of the user
    where : its name, or how it was given
    """
    known = {}
    for name, (title, usual, unit, why) in _ASSUMED.items():
        table, _, key = name.rpartition(".")
        value = getattr(field.handheld if table else field, key)
        known[name] = Known(
            name=name,
            title=title,
            value=usual if value is None else value,
            unit=unit,
            origin="assumed" if value is None else "given",
            source=why if value is None else where,
        )
    return known


def measured(name: str, title: str, reading: Reading, run: Named) -> Known:
    """Give a reading as what goes in."""
    assert isinstance(reading.value, int | float)
    return Known(
        name=name,
        title=title,
        value=float(reading.value),
        unit=reading.unit,
        origin="measured",
        source=f"{run.name}, {run.run.started_utc:%Y-%m-%d}",
        expanded_uncertainty=reading.expanded_uncertainty,
    )


def missing(name: str, title: str, unit: str, what: str) -> Known:
    """Say that something was not measured, and what would measure it."""
    return Known(name=name, title=title, value=None, unit=unit, origin="not measured", source=what)


def newest_first(runs: Sequence[Named]) -> list[Named]:
    """Order runs by when they began, the last one first."""
    return sorted(runs, key=lambda each: each.run.started_utc, reverse=True)


def number_of(table: Mapping[str, Any], key: str) -> float | None:
    """Give a number above 0 of a description, or None."""
    value = table.get(key)
    return float(value) if isinstance(value, int | float) and value > 0.0 else None


def text_of(table: Mapping[str, Any], key: str) -> str | None:
    """Give a word of a description, or None."""
    value = table.get(key)
    return value if isinstance(value, str) else None
