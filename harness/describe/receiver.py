"""The receivers of a bench file: scale, clock, skew and the path to each."""

from __future__ import annotations

from typing import ClassVar, Literal, Self

from pydantic import PrivateAttr, model_validator

from harness.describe.calibration import (
    ClockCalibration,
    LevelCalibration,
)
from harness.describe.document import Description
from harness.describe.path import SOURCE, PathElement, declared, each_once, path_loss_db
from harness.describe.quantities import (
    ClockPpm,
    ClockUncertaintyPpm,
    DeviceName,
    GainDb,
    LevelDbm,
    Name,
    SampleRateHz,
    SkewS,
    SkewUncertaintyS,
    UncertaintyDb,
    refuse,
)
from harness.devices import Role
from harness.uncertainty import Contribution

CALIBRATION_SOURCE = "calibration file"
SAFE_INPUT_DBM = 10.0
"""What a low-cost receiver stands without damage: common practice, no source."""
SAMPLE_RATE_HZ = 250e3
"""Chosen: a rate that low-cost receivers offer and several channels fit in."""


class Receiver(Description):
    """A software-defined receiver and the path to it.

    ``full_scale_dbm`` is the power at its connector of a complex sinusoid of amplitude 1 at
    ``gain_db``; ``clock_error_ppm`` is positive when its clock is fast; ``skew_s`` is added to its
    time. ``safe_input_dbm`` is what it stands without damage. ``calibration`` names a calibration
    file, from which ``load_bench`` fills in scale and clock.
    """

    role: ClassVar[Role]

    source: Literal["rtlsdr", "simulated", "recording"]
    serial: Name | None = None
    sample_rate_hz: SampleRateHz = SAMPLE_RATE_HZ
    gain_db: GainDb | None = None
    calibration: DeviceName | None = None
    clock_error_ppm: ClockPpm | None = None
    clock_uncertainty_ppm: ClockUncertaintyPpm | None = None
    full_scale_dbm: LevelDbm | None = None
    full_scale_uncertainty_db: UncertaintyDb | None = None
    skew_s: SkewS | None = None
    skew_uncertainty_s: SkewUncertaintyS | None = None
    safe_input_dbm: LevelDbm = SAFE_INPUT_DBM
    path: tuple[PathElement, ...] = ()
    _level: LevelCalibration | None = PrivateAttr(default=None)
    _clock: ClockCalibration | None = PrivateAttr(default=None)
    _temperature_degc: float | None = PrivateAttr(default=None)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        for value, uncertainty in (
            ("full_scale_dbm", "full_scale_uncertainty_db"),
            ("clock_error_ppm", "clock_uncertainty_ppm"),
            ("skew_s", "skew_uncertainty_s"),
        ):
            if (getattr(self, value) is None) != (getattr(self, uncertainty) is None):
                refuse(f"needs {value} and {uncertainty} together, or neither")
        each_once("path", self.path)
        return self

    @property
    def level_calibration(self) -> LevelCalibration | None:
        """Where its level scale comes from, when that is a calibration file."""
        return self._level

    @property
    def clock_calibration(self) -> ClockCalibration | None:
        """Where its clock error comes from, when that is a calibration file."""
        return self._clock

    @property
    def temperature_degc(self) -> float | None:
        """How warm the bench is, where its file says so and names a calibration."""
        return self._temperature_degc

    def calibrated(
        self,
        level: LevelCalibration | None,
        clock: ClockCalibration | None,
        temperature_degc: float | None = None,
    ) -> Self:
        """Give the same receiver with what a calibration file says of it, on a bench so warm."""
        found: dict[str, float] = {}
        if level is not None:
            found["full_scale_dbm"] = level.full_scale_dbm
            found["full_scale_uncertainty_db"] = level.full_scale_uncertainty_db
        if clock is not None:
            found["clock_error_ppm"] = clock.clock_error_ppm
            found["clock_uncertainty_ppm"] = clock.clock_uncertainty_ppm
        made = self.model_copy(update=found)
        made._level, made._clock = level, clock
        made._temperature_degc = temperature_degc
        return made

    @property
    def port_offset_db(self) -> float:
        """Added to the level at the receiver to give the level at the unit's port."""
        return path_loss_db(self.path)

    def level_contributions(self, bench_name: str) -> tuple[Contribution, ...]:
        """Give the uncertainty of the level at the unit's port: scale and path elements, in dB.

        Empty without ``full_scale_dbm``: then there is no level.
        """
        if self.full_scale_uncertainty_db is None:
            return ()
        prefix = f"{bench_name}.{self.role}"
        scale = Contribution(
            name=f"{prefix}.full_scale_dbm",
            standard_uncertainty=self.full_scale_uncertainty_db,
            kind="B",
            source=SOURCE if self._level is None else CALIBRATION_SOURCE,
        )
        return (scale, *declared(f"{prefix}.path", 1.0, self.path))

    def clock_contributions(self, bench_name: str) -> tuple[Contribution, ...]:
        """Uncertainty of the clock error in ppm; empty when it is not declared."""
        if self.clock_uncertainty_ppm is None:
            return ()
        return (
            Contribution(
                name=f"{bench_name}.{self.role}.clock_error_ppm",
                standard_uncertainty=self.clock_uncertainty_ppm,
                kind="B",
                source=SOURCE if self._clock is None else CALIBRATION_SOURCE,
            ),
        )

    def skew_contributions(self, bench_name: str) -> tuple[Contribution, ...]:
        """Uncertainty of the skew in s; empty when it is not declared."""
        if self.skew_uncertainty_s is None:
            return ()
        return (
            Contribution(
                name=f"{bench_name}.{self.role}.skew_s",
                standard_uncertainty=self.skew_uncertainty_s,
                kind="B",
                source=SOURCE,
            ),
        )


class OutputReceiver(Receiver):
    """The receiver on what the unit sends; ``path`` runs from the unit's port to it."""

    role: ClassVar[Role] = "output"


class InputReceiver(Receiver):
    """The receiver on what the unit is sent.

    ``path`` runs from the tap to the receiver, ``unit_path`` from the tap to the unit's port.
    """

    role: ClassVar[Role] = "input"

    unit_path: tuple[PathElement, ...] = ()

    @model_validator(mode="after")
    def _unit_path(self) -> Self:
        each_once("unit_path", self.unit_path)
        return self

    @property
    def port_offset_db(self) -> float:
        """Added to the level at the receiver to give the level at the unit's port.

        Loss from the tap to the receiver counts up, loss from the tap to the unit counts down.
        """
        return path_loss_db(self.path) - path_loss_db(self.unit_path)

    def level_contributions(self, bench_name: str) -> tuple[Contribution, ...]:
        """Give those of any receiver, and the path to the unit with the other sign."""
        shared = super().level_contributions(bench_name)
        if not shared:
            return ()
        prefix = f"{bench_name}.{self.role}.unit_path"
        return (*shared, *declared(prefix, -1.0, self.unit_path))
