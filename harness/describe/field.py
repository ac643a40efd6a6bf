"""Where and how a unit is used: antenna, surroundings, the handhelds it works with, its duty."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from harness.describe.document import Description, checked, read_toml
from harness.describe.quantities import (
    CapacityAh,
    LevelDbm,
    LossDb,
    Name,
    TransmitterW,
    refuse,
    within,
)

AntennaDbi = Annotated[float, AfterValidator(within(-30.0, 40.0, "dBi"))]
HeightM = Annotated[float, AfterValidator(within(0.1, 5000.0, "m"))]
CurrentA = Annotated[float, AfterValidator(within(0.0, 200.0, "A", (("mA", -3),)))]
Share = Annotated[float, AfterValidator(within(0.0, 1.0, ""))]
Percent = Annotated[float, AfterValidator(within(0.0, 100.0, "%"))]
Exponent = Annotated[float, AfterValidator(within(1.0, 2.0, ""))]
RatedHours = Annotated[float, AfterValidator(within(0.1, 200.0, "h"))]
MarginDb = Annotated[float, AfterValidator(within(0.0, 60.0, "dB"))]


class Handheld(Description):
    """A radio that talks through the repeater."""

    power_w: TransmitterW | None = None
    sensitivity_dbm: LevelDbm | None = None
    noise_figure_db: LossDb | None = None
    antenna_gain_dbi: AntennaDbi | None = None
    height_m: HeightM | None = None


class Supply(Description):
    """Currents and battery, where no run has measured them; U of the currents is k = 2."""

    transmit_a: CurrentA | None = None
    receive_a: CurrentA | None = None
    standby_a: CurrentA | None = None
    current_uncertainty_percent: Percent | None = None
    capacity_ah: CapacityAh | None = None
    capacity_uncertainty_percent: Percent | None = None
    rated_hours: RatedHours | None = None
    rate_exponent: tuple[Exponent, ...] = ()

    @model_validator(mode="after")
    def _range(self) -> Self:
        if self.rate_exponent and len(self.rate_exponent) not in (1, 2):
            refuse("rate_exponent is one number or the two ends of a range")
        if self.rate_exponent and self.rate_exponent[0] > self.rate_exponent[-1]:
            refuse("rate_exponent runs from high to low")
        return self


class DutyRow(Description):
    """A row of ``[[duty]]``; what is left of the time is standby."""

    name: Name
    transmit: Share
    receive: Share = 0.0

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.transmit + self.receive > 1.0 + 1e-9:
            refuse("transmit and receive are more than all of the time")
        return self


class FieldFile(Description):
    """What a user knows of the use in service; everything may be left out.

    Gains in dBi, heights above the ground beneath, shares of the time from 0 to 1.
    ``exposure_share`` is the largest share of six minutes that it is keyed.
    """

    antenna_gain_dbi: AntennaDbi | None = None
    antenna_height_m: HeightM | None = None
    feeder_loss_db: LossDb | None = None
    surroundings: Literal["city", "residential", "rural", "quiet rural"] | None = None
    margin_db: MarginDb | None = None
    spread_db: MarginDb | None = None
    exposure_share: Share | None = None
    handheld: Handheld = Field(default_factory=Handheld)
    supply: Supply = Field(default_factory=Supply)
    duty: tuple[DutyRow, ...] = ()


def load_field(path: Path | str) -> FieldFile:
    """Read a field file.

    Raises
    ------
    BadInput : the file cannot be read, is not TOML, or a key is unknown or wrong.
    """
    return checked(FieldFile, read_toml(path), str(path))
