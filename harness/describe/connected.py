"""What else a bench file names: generator, meter, sound card, simulated unit."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, PrivateAttr, model_validator

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
    SkewS,
    TimeoutS,
    UncertaintyDb,
    Whole,
    refuse,
    within,
)

Column = Name | Annotated[int, AfterValidator(within(1, 1000, ""))]
"""Name of a column, or its number from 1."""


class Connected(Description):
    """An instrument: simulated, by SCPI, or set and read by hand; a meter also by a CSV file.

    ``resource`` is the VISA name of an instrument that is reached by SCPI, ``dialect`` the table
    of its commands: one that comes with the program, or a TOML file of your own. ``baud_rate`` is
    that of a serial port.
    """

    source: Literal["simulated", "scpi", "by hand", "csv"]
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


class MeterColumns(Description):
    """Which columns of a CSV file are which: by name, or by number where it has no header."""

    time: Column | None = None
    voltage_v: Column | None = None
    current_a: Column | None = None
    temperature_degc: Column | None = None

    @property
    def asked(self) -> dict[str, str | int]:
        """Ours to theirs, of those that are given."""
        return {name: theirs for name, theirs in self if theirs is not None}

    @model_validator(mode="after")
    def _measures(self) -> Self:
        if self.voltage_v is None and self.current_a is None:
            refuse("names neither voltage_v nor current_a")
        if len({isinstance(theirs, int) for theirs in self.asked.values()}) > 1:
            refuse("has names and numbers; a file has a header or not")
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
        if self.source == "csv":
            refuse('has source = "csv", which only [meter] takes')
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

    From a CSV file that another program appends to: ``path``, beside the bench file; ``columns``;
    ``clock`` of its times, which ``clock_error_s`` is ahead of the true one; a row older than
    ``stale_s`` (60 s) tells nothing any more.
    """

    current_resource: Name | None = None
    reads_current: bool = True
    path: DeviceName | None = None
    columns: MeterColumns | None = None
    clock: Literal["utc", "local"] | None = None
    clock_error_s: SkewS | None = None
    stale_s: TimeoutS | None = None
    voltage_uncertainty_v: MeterV | None = None
    current_uncertainty_a: MeterA | None = None
    _file: Path | None = PrivateAttr(default=None)

    @property
    def file(self) -> Path | None:
        """The CSV file, where the bench file lies."""
        return self._file

    def beside(self, bench_path: Path) -> Self:
        """Give the same meter with its CSV file found beside the bench file."""
        made = self.model_copy()
        made._file = None if self.path is None else bench_path.parent / self.path
        return made

    @model_validator(mode="after")
    def _from_csv(self) -> Self:
        own = ("path", "columns", "clock", "clock_error_s", "stale_s")
        if self.source != "csv":
            for key in own:
                if getattr(self, key) is not None:
                    refuse(f'has {key}, which only source = "csv" takes')
            return self
        for key in ("path", "columns"):
            if getattr(self, key) is None:
                refuse(f'has source = "csv" and no {key}')
        timed = self.columns is not None and self.columns.time is not None
        if timed and self.clock is None:
            refuse('names a column with the time and no clock; write clock = "utc" or "local"')
        if not timed and not (self.clock is None and self.clock_error_s is None):
            refuse("has clock, and columns names no time")
        return self

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
