"""The bench: receivers, paths and instruments, and what is known of each.

How the parts hang together, with ``-->`` for the paths that are declared:

    generator --[generator.path]--> tap --[input.unit_path]--> unit's receiver port
                                    tap --[input.path]--> input receiver
    unit's transmitter port --[output.path]--> output receiver

Every uncertainty in a bench file is a standard uncertainty (one standard deviation).

A loss is one number, or stands in a Touchstone file and hangs on the frequency. A bench file knows
no frequency, so ``Bench.at_frequencies`` fills such losses in: the output path's at what the unit
sends, all others at what it is sent. ``load_bench`` does it where it is given the unit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import BeforeValidator, PrivateAttr, model_validator

from harness.describe.calibration import (
    ClockCalibration,
    DeviationCalibration,
    LevelCalibration,
    SoundCalibration,
    day,
    load_calibration,
)
from harness.describe.document import Description, checked, read_toml, shown
from harness.describe.quantities import (
    BaudRate,
    ClockPpm,
    ClockUncertaintyPpm,
    DeviceName,
    GainDb,
    LevelDbm,
    LossDb,
    MeterA,
    MeterV,
    Name,
    RadioHz,
    RatingW,
    SampleRateHz,
    SkewS,
    SkewUncertaintyS,
    TemperatureDegC,
    TimeoutS,
    UncertaintyDb,
    Whole,
    refuse,
)
from harness.describe.touchstone import GAIN_ALLOWED_DB, LossCurve, load_loss
from harness.describe.unit import Unit
from harness.devices import Role
from harness.errors import BadInput
from harness.uncertainty import Contribution

SOURCE = "bench file"
CALIBRATION_SOURCE = "calibration file"
SAFE_INPUT_DBM = 10.0
"""What a low-cost receiver stands without damage: common practice, no source."""
MARK_WITHIN_DB = 1.0
"""How far a Touchstone file may be from the loss that the part is marked with. Chosen: more than
pads miss their mark by, less than the step from one pad to the next."""
SAMPLE_RATE_HZ = 250e3
"""Chosen: a rate that low-cost receivers offer and several channels fit in."""


class PathElement(Description):
    """A pad, cable, coupler or filter: loss in dB, and the power it stands continuously.

    ``touchstone`` names a file that its loss is read from, beside the bench file; ``ports`` are
    the two that power goes in and out by, [1, 2] unless said. ``loss_db`` beside it is what the
    part is marked with, and the file has to agree.
    """

    element: Name
    loss_db: LossDb | None = None
    touchstone: DeviceName | None = None
    ports: tuple[Whole, ...] | None = None
    uncertainty_db: UncertaintyDb
    rating_w: RatingW | None = None
    _curve: LossCurve | None = PrivateAttr(default=None)
    _marked_db: float | None = PrivateAttr(default=None)
    _caution: str | None = PrivateAttr(default=None)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.loss_db is None and self.touchstone is None:
            refuse("has neither loss_db nor touchstone; write the loss in dB, or the file it is in")
        if self.ports is not None and self.touchstone is None:
            refuse("has ports, which only an element with touchstone takes")
        if self.ports is not None and not (len(self.ports) == 2 == len(set(self.ports))):
            refuse(f"ports = {list(self.ports)} are not two ports; write [1, 2] for |S21|")
        return self

    def with_curve(self, bench_path: Path) -> PathElement:
        """Give the same element with its Touchstone file read.

        Raises
        ------
        BadInput : what is wrong with the file.
        """
        if self.touchstone is None:
            return self
        made = self.model_copy(update={"loss_db": None})
        into, out = self.ports or (1, 2)
        made._curve = load_loss(bench_path.parent / self.touchstone, (into, out))
        made._marked_db = self.loss_db
        return made

    def at_frequency(self, frequency_hz: float) -> PathElement:
        """Give the same element with ``loss_db`` as it is at a frequency.

        Raises
        ------
        BadInput : its file does not reach there, or says something else than its mark.
        """
        if self._curve is None:
            return self
        loss_db = self.loss_at_db(frequency_hz)
        if self._marked_db is not None and abs(self._marked_db - loss_db) > MARK_WITHIN_DB:
            raise BadInput(
                f"has a loss of {loss_db:.2f} dB at {frequency_hz / 1e6:.6g} MHz, and"
                f" {shown(self.element)} is said to have loss_db = {self._marked_db:g}",
                self._curve.path,
                "Name the right file and ports, or correct loss_db.",
            )
        made = self.model_copy(update={"loss_db": loss_db})
        gain_db = -self._curve.at_db(frequency_hz)
        made._caution = None
        if gain_db > 0.0:
            made._caution = (
                f"{self.element}: {self._curve.path} gives it a gain of {gain_db:.2f} dB at"
                f" {frequency_hz / 1e6:.6g} MHz; a passive part has none, so no loss is counted."
                " Check how the analyser was calibrated."
            )
        return made

    @property
    def caution(self) -> str | None:
        """What is odd about its Touchstone file at the frequency that was filled in."""
        return self._caution

    def loss_at_db(self, frequency_hz: float, *, either_way: bool = False) -> float:
        """Give its loss at a frequency; ``either_way`` the smaller one of both directions.

        Raises
        ------
        BadInput : as ``at_frequency``.
        """
        if self._curve is None:
            return self.known_loss_db
        at_db = self._curve.least_db if either_way else self._curve.at_db
        loss_db = at_db(frequency_hz)
        if loss_db < -GAIN_ALLOWED_DB:
            raise BadInput(
                f"has a gain of {-loss_db:.2f} dB at {frequency_hz / 1e6:.6g} MHz; an amplifier"
                " has no place in a path that power is planned through",
                self._curve.path,
                "Check the file and its ports.",
            )
        return max(0.0, loss_db)

    @property
    def known_loss_db(self) -> float:
        """Its loss in dB, as declared or as filled in.

        Raises
        ------
        BadInput : it stands in a file, and no frequency has been given.
        """
        if self.loss_db is None:
            raise BadInput(
                f"the loss of {shown(self.element)} hangs on the frequency, which is not known",
                str(self.touchstone),
                "Give the unit file (--unit), or the frequency.",
            )
        return self.loss_db


CONNECTION = ".connection"
"""Ending of the name of what is made anew each time that a unit is connected."""


def path_loss_db(path: Sequence[PathElement]) -> float:
    """Loss of a path in dB: the sum over its elements.

    Raises
    ------
    BadInput : one hangs on the frequency, and none has been given.
    """
    return sum(element.known_loss_db for element in path)


def _each_once(key: str, path: Sequence[PathElement]) -> None:
    names = [element.element for element in path]
    for name in names:
        if names.count(name) > 1:
            refuse(f"{key} has two elements named {shown(name)}; give each its own name")


def _declared(prefix: str, sign: float, path: Sequence[PathElement]) -> list[Contribution]:
    return [
        Contribution(
            name=f"{prefix}.{element.element}",
            standard_uncertainty=element.uncertainty_db,
            sensitivity=sign,
            kind="B",
            source=SOURCE,
        )
        for element in path
    ]


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
        _each_once("path", self.path)
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
        return (scale, *_declared(f"{prefix}.path", 1.0, self.path))

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
        _each_once("unit_path", self.unit_path)
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
        return (*shared, *_declared(prefix, -1.0, self.unit_path))


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
        _each_once("path", self.path)
        low, high = self.minimum_dbm, self.maximum_dbm
        if low is not None and high is not None and low >= high:
            refuse(f"minimum_dbm = {low:g} does not lie below maximum_dbm = {high:g}")
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


class Bench(Description):
    """A bench. ``calibrated`` is the day that its losses and scales were last measured.

    ``connection_uncertainty_db`` is how far a level moves, one standard deviation, each time that
    a unit is connected anew. ``operator`` and ``place`` say who measures, and where,
    ``temperature_degc`` how warm it is there. ``align_hz`` is the frequency of a signal of speech
    or noise that two dongles both hear.
    """

    name: Name
    note: Name | None = None
    operator: Name | None = None
    place: Name | None = None
    temperature_degc: TemperatureDegC | None = None
    calibrated: Annotated[date, BeforeValidator(day)] | None = None
    connection_uncertainty_db: UncertaintyDb | None = None
    align_hz: RadioHz | None = None
    input: InputReceiver | None = None
    output: OutputReceiver | None = None
    generator: GeneratorDescription | None = None
    meter: MeterDescription | None = None
    sound: SoundDescription | None = None
    simulated: SimulatedDescription | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        for part in ("input", "output", "generator", "meter"):
            described = getattr(self, part)
            if described is None:
                continue
            if described.source == "simulated" and self.simulated is None:
                refuse(f'[{part}] has source = "simulated", but there is no [simulated]')
            # By hand beside it is a rehearsal: what is said to be set is what is simulated.
            if described.source not in ("simulated", "by hand") and self.simulated is not None:
                refuse(
                    f"[{part}] has source = {shown(described.source)} beside [simulated];"
                    " a bench is simulated as a whole"
                )
        if self.input is not None and self.output is not None:
            serials = (self.input.serial, self.output.serial)
            live = self.input.source == self.output.source == "rtlsdr"
            if live and None in serials:
                refuse("[input] and [output] are two dongles; give each its serial")
            if live and serials[0] == serials[1]:
                refuse(f"[input] and [output] both have serial = {shown(serials[0])}")
        if self.align_hz is not None and not self.has_two_dongles:
            refuse("align_hz is for two dongles; leave it out")
        return self

    @property
    def has_two_dongles(self) -> bool:
        """Whether input and output are received by a dongle each."""
        return all(
            part is not None and part.source == "rtlsdr" for part in (self.input, self.output)
        )

    @property
    def live(self) -> bool:
        """Whether real power can flow: something on it is neither simulated nor recorded."""
        parts = (self.input, self.output, self.generator)
        real = ("rtlsdr", "scpi", "by hand")
        # A rehearsal by hand on a simulated bench sets nothing but that.
        return self.simulated is None and any(
            part is not None and part.source in real for part in parts
        )

    @property
    def generator_loss_db(self) -> float:
        """Loss from the generator's output to the unit's receiver port."""
        path = self.generator.path if self.generator is not None else ()
        onward = self.input.unit_path if self.input is not None else ()
        return path_loss_db((*path, *onward))

    def _paths(self) -> dict[tuple[str, str], tuple[PathElement, ...]]:
        """Give each path that is declared, by its part of the bench and its key."""
        places = (("output", "path"), ("input", "path"), ("input", "unit_path"))
        return {
            (part, key): getattr(described, key)
            for part, key in (*places, ("generator", "path"))
            if (described := getattr(self, part)) is not None
        }

    def with_curves(self, bench_path: Path) -> Bench:
        """Give the same bench with the Touchstone files that it names read, beside its own file.

        Raises
        ------
        BadInput : what is wrong with one of them.
        """
        return self._with_paths(
            {
                place: tuple(element.with_curve(bench_path) for element in path)
                for place, path in self._paths().items()
            }
        )

    def at_frequencies(
        self, *, receive_hz: float | None = None, transmit_hz: float | None = None
    ) -> Bench:
        """Give the same bench with the losses that stand in Touchstone files filled in.

        Parameters
        ----------
        receive_hz : what the unit is sent; for the paths of generator and input receiver
        transmit_hz : what the unit sends; for the path of the output receiver

        Raises
        ------
        BadInput : a file does not reach to its frequency, or its loss cannot be that of the part.

        Notes
        -----
        Without a frequency such a loss stays unknown; asking for it is then an error.
        """
        found = {}
        for (part, key), path in self._paths().items():
            frequency_hz = transmit_hz if part == "output" else receive_hz
            if frequency_hz is not None:
                found[part, key] = tuple(element.at_frequency(frequency_hz) for element in path)
        return self._with_paths(found)

    def _with_paths(self, paths: Mapping[tuple[str, str], tuple[PathElement, ...]]) -> Bench:
        changed: dict[str, dict[str, tuple[PathElement, ...]]] = {}
        for (part, key), path in paths.items():
            changed.setdefault(part, {})[key] = path
        return self.model_copy(
            update={
                part: getattr(self, part).model_copy(update=found)
                for part, found in changed.items()
            }
        )

    @property
    def path_cautions(self) -> tuple[str, ...]:
        """What is odd about the Touchstone files of its paths; empty before they are filled in."""
        return tuple(
            element.caution
            for path in self._paths().values()
            for element in path
            if element.caution is not None
        )

    def with_simulated_unit(self, unit: str, seed: int | None = None) -> Bench:
        """Give the same simulated bench with another unit on it, and other random numbers.

        Raises
        ------
        ValueError : the bench is real.
        """
        if self.simulated is None:
            raise ValueError(f"{self.name} is not simulated")
        changed = {"unit": unit} if seed is None else {"unit": unit, "seed": seed}
        return self.model_copy(update={"simulated": self.simulated.model_copy(update=changed)})

    def receiver(self, role: Role) -> InputReceiver | OutputReceiver | None:
        """Give the receiver of a role, or None."""
        return {"input": self.input, "output": self.output}.get(role)

    def stimulus_contributions(self) -> tuple[Contribution, ...]:
        """Give the uncertainty of a level at the unit's port as the generator was set, in dB.

        Its level scale, its path, and the path from the tap to the unit; the last is the same
        quantity as in the level of the input receiver. Empty without ``level_uncertainty_db``.
        """
        generator = self.generator
        if generator is None or generator.level_uncertainty_db is None:
            return ()
        scale = Contribution(
            name=f"{self.name}.generator.level_dbm",
            standard_uncertainty=generator.level_uncertainty_db,
            kind="B",
            source=SOURCE,
        )
        path = _declared(f"{self.name}.generator.path", -1.0, generator.path)
        onward = self.input.unit_path if self.input is not None else ()
        return (
            scale,
            *path,
            *_declared(f"{self.name}.input.unit_path", -1.0, onward),
            *self._connection("input"),
        )

    def level_contributions(self, role: Role) -> tuple[Contribution, ...]:
        """Give the uncertainty of a level at the unit's port as a receiver shows it, in dB.

        Its scale, its path, and how well a connection repeats; empty without a scale.
        """
        receiver = self.receiver(role)
        parts = receiver.level_contributions(self.name) if receiver else ()
        return (*parts, *self._connection(role)) if parts else ()

    def _connection(self, role: Role) -> tuple[Contribution, ...]:
        if self.connection_uncertainty_db is None:
            return ()
        return (
            Contribution(
                name=f"{self.name}.{role}{CONNECTION}",
                standard_uncertainty=self.connection_uncertainty_db,
                kind="B",
                source=SOURCE,
            ),
        )

    def voltage_contributions(self) -> tuple[Contribution, ...]:
        """Give the uncertainty of the meter's voltage in V; empty when it is not declared."""
        return self._meter_part(
            "voltage_v", self.meter.voltage_uncertainty_v if self.meter else None
        )

    def current_contributions(self) -> tuple[Contribution, ...]:
        """Give the uncertainty of the meter's current in A; empty when it is not declared."""
        return self._meter_part(
            "current_a", self.meter.current_uncertainty_a if self.meter else None
        )

    def _meter_part(self, what: str, standard: float | None) -> tuple[Contribution, ...]:
        if standard is None:
            return ()
        name = f"{self.name}.meter.{what}"
        return (Contribution(name=name, standard_uncertainty=standard, kind="B", source=SOURCE),)


def bench_from(table: Mapping[str, Any], where: str = "bench") -> Bench:
    """Make a bench from tables as TOML gives them.

    Raises
    ------
    BadInput : what is wrong with them, with ``where`` before it.
    """
    return checked(Bench, table, where)


def load_bench(path: Path | str, unit: Unit | None = None) -> Bench:
    """Read a bench file, and the calibration and Touchstone files that it names.

    Parameters
    ----------
    path : the file
    unit : what stands on the bench; losses that hang on the frequency are those at its channels,
        and unknown without it

    Raises
    ------
    BadInput : a file cannot be read, is not TOML, or a key is unknown, missing or wrong.
    """
    bench = checked(Bench, read_toml(path), str(path)).with_curves(Path(path))
    if unit is not None:
        bench = bench.at_frequencies(receive_hz=unit.receive_hz, transmit_hz=unit.transmit_hz)
    found: dict[str, Description] = {
        role: _calibrated(receiver, Path(path), bench.temperature_degc)
        for role in ("input", "output")
        if (receiver := getattr(bench, role)) is not None and receiver.calibration is not None
    }
    if bench.sound is not None and bench.sound.calibration is not None:
        found["sound"] = _calibrated_sound(bench.sound, Path(path), bench.temperature_degc)
    if bench.generator is not None and bench.generator.calibration is not None:
        found["generator"] = _calibrated_generator(bench.generator, Path(path))
    return bench.model_copy(update=found) if found else bench


def _calibrated_generator(generator: GeneratorDescription, bench_path: Path) -> Description:
    """Fill in the generator from the calibration file that it names, beside the bench file."""
    if generator.serial is None:
        raise BadInput(
            "[generator] has calibration and no serial", str(bench_path), "Give the serial."
        )
    named = bench_path.parent / str(generator.calibration)
    known = load_calibration(named).of_generator(generator.serial)
    if not known.deviation:
        raise BadInput(
            f"has no generator with serial = {shown(generator.serial)}",
            str(named),
            "Calibrate it, or correct the serial in the bench file.",
        )
    return generator.calibrated(known.deviation)


def _calibrated_sound(
    sound: SoundDescription, bench_path: Path, temperature_degc: float | None
) -> SoundDescription:
    """Fill in the sound card from the calibration file that it names, beside the bench file."""
    if sound.input_device is None:
        raise BadInput(
            "[sound] has calibration and no input_device", str(bench_path), "Give the input_device."
        )
    named = bench_path.parent / str(sound.calibration)
    known = load_calibration(named).of_sound(sound.input_device)
    if known is None:
        raise BadInput(
            f"has no [[sound]] with input_device = {shown(sound.input_device)}",
            str(named),
            "Calibrate it, or correct the name in the bench file.",
        )
    return sound.calibrated(known, temperature_degc)


def _calibrated(receiver: Receiver, bench_path: Path, temperature_degc: float | None) -> Receiver:
    """Fill in a receiver from the calibration file that it names, beside the bench file."""
    where, table = str(bench_path), f"[{receiver.role}]"
    if receiver.serial is None:
        raise BadInput(f"{table} has calibration and no serial", where, "Give the serial.")
    named = bench_path.parent / str(receiver.calibration)
    known = load_calibration(named).of(receiver.serial)
    if not known.level and known.clock is None:
        raise BadInput(
            f"has no receiver with serial = {shown(receiver.serial)}",
            str(named),
            "Calibrate it, or correct the serial in the bench file.",
        )
    for key, is_known in (("full_scale_dbm", known.level), ("clock_error_ppm", known.clock)):
        if is_known and getattr(receiver, key) is not None:
            raise BadInput(
                f"{table} has {key}, and so has its calibration", where, "Leave one of the two out."
            )
    level = None
    if known.level:
        gains = ", ".join(f"{one.gain_db:g}" for one in known.level)
        if receiver.gain_db is None:
            raise BadInput(
                f"{table} has calibration and no gain_db", where, f"Calibrated is gain {gains} dB."
            )
        level = known.level_at(receiver.gain_db)
        if level is None:
            raise BadInput(
                f"{table} has gain_db = {receiver.gain_db:g}, at which it is not calibrated",
                where,
                f"Calibrate it there, or use gain {gains} dB.",
            )
    return receiver.calibrated(level, known.clock, temperature_degc)
