"""What else a bench file names: generator, meter, sound card, simulated unit."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import PrivateAttr, model_validator

from harness.describe.calibration import (
    DeviationCalibration,
    SoundCalibration,
)
from harness.describe.document import Description
from harness.describe.path import PathElement, each_once
from harness.describe.quantities import (
    BaudRate,
    DeviceName,
    LevelDbm,
    MeterA,
    MeterV,
    Name,
    RatingW,
    SampleRateHz,
    TimeoutS,
    UncertaintyDb,
    Whole,
    refuse,
)


class Connected(Description):
    """An instrument: simulated, by SCPI, or set and read by hand.

    ``resource`` is the VISA name of an instrument that is reached by SCPI, ``dialect`` the table
    of its commands: one that comes with the program, or a TOML file of your own. ``baud_rate`` is
    that of a serial port.
    """

    source: Literal["simulated", "scpi", "by hand"]
    resource: Name | None = None
    dialect: Name | None = None
    timeout_s: TimeoutS | None = None
    baud_rate: BaudRate | None = None

    @model_validator(mode="after")
    def _reached(self) -> Self:
        if self.source == "scpi":
            if self.resource is None:
                refuse(
                    'has source = "scpi" and no resource; write the VISA name of the instrument,'
                    ' such as "TCPIP::192.0.2.10::5025::SOCKET"'
                )
            return self
        for key in ("resource", "dialect", "timeout_s", "baud_rate"):
            if getattr(self, key) is not None:
                refuse(f'has {key}, which only source = "scpi" takes')
        return self


class GeneratorDescription(Connected):
    """The signal generator, and the path from it to the tap (to the unit's port without a tap).

    ``minimum_dbm`` and ``maximum_dbm`` are the lowest and the highest level that it may be set
    to; above the latter nothing is ever sent. ``reverse_power_w`` is what its output stands from
    outside; ``level_uncertainty_db`` is that of its level scale. ``calibration`` names a
    calibration file, which holds the deviation scale of the generator with its ``serial``.
    """

    minimum_dbm: LevelDbm | None = None
    maximum_dbm: LevelDbm | None = None
    reverse_power_w: RatingW | None = None
    level_uncertainty_db: UncertaintyDb | None = None
    level_step_db: UncertaintyDb | None = None
    serial: Name | None = None
    calibration: DeviceName | None = None
    path: tuple[PathElement, ...] = ()
    _deviation: tuple[DeviationCalibration, ...] = PrivateAttr(default=())

    @property
    def deviation_calibrations(self) -> tuple[DeviationCalibration, ...]:
        """Its deviation scales by tone, where it names a calibration file."""
        return self._deviation

    def calibrated(self, deviation: tuple[DeviationCalibration, ...]) -> Self:
        """Give the same generator with what a calibration file says of it."""
        made = self.model_copy()
        made._deviation = deviation
        return made

    @model_validator(mode="after")
    def _complete(self) -> Self:
        each_once("path", self.path)
        low, high = self.minimum_dbm, self.maximum_dbm
        if low is not None and high is not None and low >= high:
            refuse(f"minimum_dbm = {low:g} does not lie below maximum_dbm = {high:g}")
        if self.level_step_db is not None and self.level_uncertainty_db is None:
            refuse("has level_step_db and no level_uncertainty_db; write that of its scale too")
        return self


class MeterDescription(Connected):
    """The meter on the unit's supply, with the standard uncertainty of what it shows.

    ``resource`` reads the voltage, ``current_resource`` the current: the same name where one
    instrument does both. Without the second nothing is known of the current. By hand it is asked
    for too, unless ``reads_current`` is false.
    """

    current_resource: Name | None = None
    reads_current: bool = True
    voltage_uncertainty_v: MeterV | None = None
    current_uncertainty_a: MeterA | None = None

    @model_validator(mode="after")
    def _current(self) -> Self:
        if self.source != "scpi" and self.current_resource is not None:
            refuse('has current_resource, which only source = "scpi" takes')
        if self.source != "by hand" and not self.reads_current:
            refuse('has reads_current, which only source = "by hand" takes')
        return self


class SoundDescription(Description):
    """The sound card: ``input_device`` hears the repeated audio, ``output_device`` plays tones.

    Devices go by the names that the system gives them, since their numbers change. ``calibration``
    names a calibration file, which says what voltage the input's full scale is.
    """

    source: Literal["sound card", "recording"]
    input_device: DeviceName | None = None
    output_device: DeviceName | None = None
    sample_rate_hz: SampleRateHz = 48000.0
    calibration: DeviceName | None = None
    _level: SoundCalibration | None = PrivateAttr(default=None)
    _temperature_degc: float | None = PrivateAttr(default=None)

    @property
    def level_calibration(self) -> SoundCalibration | None:
        """Its voltage scale, where it names a calibration file."""
        return self._level

    @property
    def temperature_degc(self) -> float | None:
        """How warm the bench is, where its file says so and names a calibration."""
        return self._temperature_degc

    def calibrated(self, level: SoundCalibration, temperature_degc: float | None) -> Self:
        """Give the same sound card with what a calibration file says of it."""
        made = self.model_copy()
        made._level, made._temperature_degc = level, temperature_degc
        return made


class SimulatedDescription(Description):
    """Which simulated unit stands on the bench, its random numbers and its faults by name."""

    unit: Name
    seed: Whole
    faults: tuple[Name, ...] = ()
