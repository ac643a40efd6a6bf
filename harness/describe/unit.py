"""The unit under test: what its label and its licence say of it, and the limits it is judged by."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, Self

from pydantic import Field, model_validator

from harness.describe.chemistries import CHEMISTRIES, Chemistry
from harness.describe.document import Description, checked, nearest, read_toml, shown
from harness.describe.quantities import (
    CapacityAh,
    DelayS,
    DeviationHz,
    LevelDbm,
    LimitValue,
    LossDb,
    Name,
    NoiseDbcPerHz,
    RadioHz,
    RatingW,
    Source,
    SpacingHz,
    SupplyV,
    ToleratedDb,
    TransmitterW,
    UncertaintyDb,
    refuse,
)
from harness.readings import ConditionValue, Limit
from harness.vocabulary import TERMS

KEYING_STATES = ("normal", "always keyed", "never keyed", "chatters")
"""DESIGN section 3, keying_state."""
CONDITIONS = (
    "knob",
    "input_level_port_dbm",
    "weighting",
    "de_emphasis",
    "tone_hz",
    "deviation_hz",
    "method",
    "spacing_hz",
    "interval",
    "side",
    "mask",
    "branch",
    "port",
)
"""Conditions that readings stand under and a limit may ask for."""
TEXT_CONDITIONS = ("knob", "weighting", "method", "interval", "side", "mask", "branch", "port")
LARGEST_CONDITION = 1e12
"""Chosen: above every frequency; it also keeps NaN and infinity out."""
DEEPEST_SHARE = 0.5
"""Chosen: an end voltage below half of the nominal one is a slip of the pen in any chemistry."""


class Battery(Description):
    """The battery that the unit runs on."""

    chemistry: Name
    nominal_v: SupplyV
    capacity_ah: CapacityAh
    end_v: SupplyV

    @model_validator(mode="after")
    def _plausible(self) -> Self:
        if self.chemistry not in CHEMISTRIES:
            guess = nearest(self.chemistry, CHEMISTRIES)
            hint = f"did you mean {shown(guess)}?" if guess else f"known: {', '.join(CHEMISTRIES)}"
            refuse(f"chemistry = {shown(self.chemistry)} is unknown; {hint}")
        if not DEEPEST_SHARE * self.nominal_v <= self.end_v < self.nominal_v:
            refuse(
                f"end_v = {self.end_v:g} is not between half of nominal_v and"
                f" nominal_v = {self.nominal_v:g} V"
            )
        return self

    @property
    def details(self) -> Chemistry:
        """Voltages of a cell of this chemistry."""
        return CHEMISTRIES[self.chemistry]


class Duplex(Description):
    """What the unit's sheets, or its owner, say of transmitting and receiving at once.

    At the distance of the unit's two frequencies: noise of the transmitter in dBc/Hz, the level of
    a carrier that the receiver stands at its input, its noise figure. ``tolerated_loss_db`` is how
    much sensitivity the transmitter's noise may cost. ``rating_w`` is the duplexer's. Uncertainties
    are standard ones.
    """

    transmitter_noise_dbc_per_hz: NoiseDbcPerHz | None = None
    transmitter_noise_uncertainty_db: UncertaintyDb = 0.0
    noise_figure_db: LossDb | None = None
    noise_figure_uncertainty_db: UncertaintyDb = 0.0
    blocking_dbm: LevelDbm | None = None
    blocking_uncertainty_db: UncertaintyDb = 0.0
    tolerated_loss_db: ToleratedDb | None = None
    rating_w: RatingW | None = None


class LimitRow(Description):
    """A row of ``[[limits]]``: a reading, what it may be, and where that is written.

    ``where`` holds the conditions under which it applies: words, true or false, numbers, and for
    what is measured a range ``[from, to]``.
    """

    reading: Name
    unit: str = ""
    minimum: LimitValue | None = None
    maximum: LimitValue | None = None
    allowed: tuple[Name, ...] = ()
    source: Source
    where: dict[str, Any] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _meaningful(self) -> Self:
        term = TERMS.get(self.reading)
        if term is None:
            guess = nearest(self.reading, TERMS)
            hint = f'; did you mean "{guess}"?' if guess else ""
            refuse(f"reading = {shown(self.reading)} is not in the vocabulary{hint}")
        wanted = self._unit(term.unit)
        if self.unit != wanted:
            written = f"unit = {shown(self.unit)}" if self.unit else "has no unit"
            refuse(f"{written}, but {self.reading} is in {shown(wanted)}")
        if self.reading == "keying_state":
            self._state()
        else:
            self._number()
        self._conditions()
        return self

    def _unit(self, reading_unit: str) -> str:
        """Give the unit that minimum and maximum have to be in."""
        return reading_unit

    def _state(self) -> None:
        if not self.allowed or self.minimum is not None or self.maximum is not None:
            refuse(f'{self.reading} is a state; give allowed = ["normal"], no minimum or maximum')
        for word in self.allowed:
            if word not in KEYING_STATES:
                refuse(f"allowed holds {shown(word)}; known: {', '.join(KEYING_STATES)}")

    def _number(self) -> None:
        if self.allowed:
            refuse(f"{self.reading} is a number; give minimum or maximum instead of allowed")
        if self.minimum is None and self.maximum is None:
            refuse(f"limit of {self.reading} has neither minimum nor maximum")
        if self.minimum is not None and self.maximum is not None and self.minimum > self.maximum:
            refuse(f"minimum = {self.minimum:g} is above maximum = {self.maximum:g}")

    def _conditions(self) -> None:
        for key, value in self.where.items():
            if key not in CONDITIONS:
                guess = nearest(key, CONDITIONS)
                hint = (
                    f"did you mean {shown(guess)}?" if guess else f"known: {', '.join(CONDITIONS)}"
                )
                refuse(f"where has the unknown condition {shown(key)}; {hint}")
            numbers = value if isinstance(value, tuple) and len(value) == 2 else (value,)
            number = all(type(n) in (int, float) and abs(n) <= LARGEST_CONDITION for n in numbers)
            if key == "de_emphasis" and not isinstance(value, bool):
                refuse(f"where {key} = {shown(value)} is not true or false")
            if key.endswith(("_dbm", "_hz")) and not number:
                refuse(f"where {key} = {shown(value)} is not a number or a range [from, to]")
            if number and numbers[0] > numbers[-1]:
                refuse(f"where {key} runs from {numbers[0]:g} down to {numbers[-1]:g}")
            if key in TEXT_CONDITIONS and not isinstance(value, str):
                refuse(f'where {key} = {shown(value)} is not text in "quotes"')

    def limit(self) -> Limit:
        """Give the limit as readings are judged by it."""
        where: Mapping[str, ConditionValue | tuple[float, float]]
        where = MappingProxyType(dict(self.where))
        return Limit(
            reading=self.reading,
            unit=self.unit,
            source=self.source,
            minimum=self.minimum,
            maximum=self.maximum,
            allowed=self.allowed,
            where=where,
        )


class Unit(Description):
    """A repeater under test.

    Frequencies in Hz, power in W at the antenna port. ``antenna_port`` is "shared" when receiver
    and transmitter meet in a duplexer at one connector, "separate" when each has its own.
    ``knob_positions`` are the squelch settings to look at, from loose to tight, as marked on the
    unit; ``marked_knob`` is the one that it is used at. ``audio_delay_s`` is the time
    that the repeated audio takes through the unit, None when nobody measured it.
    """

    name: Name
    serial: Name | None = None
    note: Name | None = None
    receive_hz: RadioHz
    transmit_hz: RadioHz
    channel_spacing_hz: SpacingHz
    rated_deviation_hz: DeviationHz
    rated_power_w: TransmitterW
    emphasis: bool
    antenna_port: Literal["shared", "separate"] = "shared"
    audio_delay_s: DelayS | None = None
    knob_positions: tuple[Name, ...] = ()
    marked_knob: Name | None = None
    battery: Battery | None = None
    duplex: Duplex | None = None
    limit_rows: tuple[LimitRow, ...] = Field(default=(), alias="limits")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if abs(self.receive_hz - self.transmit_hz) < self.channel_spacing_hz:
            refuse(
                "receive_hz and transmit_hz lie closer than channel_spacing_hz;"
                " a duplex repeater has two channels"
            )
        if 2 * self.rated_deviation_hz > self.channel_spacing_hz:
            refuse(
                f"rated_deviation_hz = {self.rated_deviation_hz:g} is more than half of"
                f" channel_spacing_hz = {self.channel_spacing_hz:g}"
            )
        if len(set(self.knob_positions)) != len(self.knob_positions):
            refuse("knob_positions has one position twice")
        if self.marked_knob is not None and self.marked_knob not in self.knob_positions:
            refuse(f"marked_knob = {shown(self.marked_knob)} is not in knob_positions")
        for row in self.limit_rows:
            knob = row.where.get("knob")
            if knob is not None and knob not in self.knob_positions:
                refuse(f"a limit of {row.reading} is for knob {shown(knob)}, not in knob_positions")
        return self

    @property
    def used_knob(self) -> str | None:
        """Position that the unit is used at: the marked one, else the middle one."""
        positions = self.knob_positions
        return self.marked_knob or (positions[len(positions) // 2] if positions else None)

    @property
    def limits(self) -> tuple[Limit, ...]:
        """Limits that the readings of this unit are judged by."""
        return tuple(row.limit() for row in self.limit_rows)


def unit_from(table: Mapping[str, Any], where: str = "unit") -> Unit:
    """Make a unit from tables as TOML or ``Unit.plain`` gives them.

    Raises
    ------
    BadInput : what is wrong with them, with ``where`` before it.
    """
    return checked(Unit, table, where)


def load_unit(path: Path | str) -> Unit:
    """Read a unit file.

    Raises
    ------
    BadInput : the file cannot be read, is not TOML, or a key is unknown, missing or wrong.
    """
    return checked(Unit, read_toml(path), str(path))
