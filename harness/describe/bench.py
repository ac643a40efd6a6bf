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

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, model_validator

from harness.describe.calibration import (
    day,
    load_calibration,
)
from harness.describe.connected import (
    GeneratorDescription,
    MeterDescription,
    SimulatedDescription,
    SoundDescription,
)
from harness.describe.document import Description, checked, read_toml, shown
from harness.describe.path import CONNECTION, SOURCE, PathElement, declared, path_loss_db
from harness.describe.quantities import (
    Name,
    RadioHz,
    TemperatureDegC,
    UncertaintyDb,
    refuse,
)
from harness.describe.receiver import InputReceiver, OutputReceiver, Receiver
from harness.describe.unit import Unit
from harness.devices import Role
from harness.errors import BadInput
from harness.uncertainty import Contribution


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
        path = declared(f"{self.name}.generator.path", -1.0, generator.path)
        onward = self.input.unit_path if self.input is not None else ()
        return (
            scale,
            *path,
            *declared(f"{self.name}.input.unit_path", -1.0, onward),
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
    if bench.meter is not None and bench.meter.source == "csv":
        found["meter"] = bench.meter.beside(Path(path))
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
