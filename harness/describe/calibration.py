"""The calibration file: what is known of instruments, how well, from when and until when.

One ``[[receiver]]`` per serial; in it a ``[[receiver.level]]`` for each gain and one
``[receiver.clock]``. One ``[[generator]]`` per serial; in it a ``[[generator.deviation]]`` for each
tone. One ``[[sound]]`` per input of a sound card. Every uncertainty is a standard one, as in a
bench file.
"""

from __future__ import annotations

import contextlib
import json
import os
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, model_validator

from harness.describe.document import Description, checked, read_toml, shown
from harness.describe.quantities import (
    ClockPpm,
    ClockUncertaintyPpm,
    DeviationHz,
    DeviationScale,
    DeviceName,
    GainDb,
    LevelDbm,
    Name,
    RadioHz,
    ScaleUncertainty,
    SoundV,
    TemperatureDegC,
    ToneHz,
    UncertaintyDb,
    refuse,
)
from harness.errors import BadInput

SAME_GAIN_DB = 0.05
"""Gains nearer than this are one setting. Chosen: half of the last digit that drivers tell."""
SAME_TONE = 0.01
"""Tones nearer than this share are one setting. Chosen: what is one to a generator's scale."""


def day(value: object) -> object:
    """Let a date also stand as text, as ``plain`` gives it."""
    try:
        return date.fromisoformat(value) if isinstance(value, str) else value
    except ValueError:
        return value


def _instant(value: object) -> object:
    try:
        return datetime.fromisoformat(value) if isinstance(value, str) else value
    except ValueError:
        return value


class Calibration(Description):
    """When something was found, how warm it was, and the last day that it holds."""

    made_utc: Annotated[datetime, BeforeValidator(_instant)]
    valid_until: Annotated[date, BeforeValidator(day)]
    temperature_degc: TemperatureDegC | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.made_utc.tzinfo is None:
            refuse("made_utc has no time zone; end it with Z")
        if self.valid_until < self.made_utc.date():
            refuse(f"valid_until = {self.valid_until} lies before made_utc = {self.made_utc}")
        return self


class LevelCalibration(Calibration):
    """Level scale at one gain.

    It was found from ``lowest_dbm`` to ``highest_dbm`` at the connector, tuned to ``lowest_hz`` to
    ``highest_hz`` where that is known.
    """

    gain_db: GainDb
    full_scale_dbm: LevelDbm
    full_scale_uncertainty_db: UncertaintyDb
    lowest_dbm: LevelDbm
    highest_dbm: LevelDbm
    lowest_hz: RadioHz | None = None
    highest_hz: RadioHz | None = None

    @model_validator(mode="after")
    def _range(self) -> Self:
        if self.lowest_dbm > self.highest_dbm:
            refuse(f"lowest_dbm = {self.lowest_dbm:g} lies above highest_dbm")
        if (self.lowest_hz is None) != (self.highest_hz is None):
            refuse("needs lowest_hz and highest_hz together, or neither")
        if self.lowest_hz is not None and self.highest_hz is not None:
            if self.lowest_hz > self.highest_hz:
                refuse(f"lowest_hz = {self.lowest_hz:g} lies above highest_hz")
        return self


class ClockCalibration(Calibration):
    """Clock error, positive when the clock is fast, and the frequency that it was found at."""

    clock_error_ppm: ClockPpm
    clock_uncertainty_ppm: ClockUncertaintyPpm
    frequency_hz: RadioHz


class DeviationCalibration(Calibration):
    """Deviation scale with one tone: true deviation over what is shown, a ratio.

    ``lowest_hz`` to ``highest_hz`` is the deviation shown that it was found over.
    """

    tone_hz: ToneHz
    deviation_scale: DeviationScale
    deviation_scale_uncertainty: ScaleUncertainty
    lowest_hz: DeviationHz
    highest_hz: DeviationHz

    @model_validator(mode="after")
    def _range(self) -> Self:
        if self.lowest_hz > self.highest_hz:
            refuse(f"lowest_hz = {self.lowest_hz:g} lies above highest_hz")
        return self


class GeneratorCalibration(Description):
    """What was found of the generator with one serial."""

    serial: Name
    deviation: tuple[DeviationCalibration, ...] = ()

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        for number, one in enumerate(self.deviation):
            if any(same_tone(one.tone_hz, other.tone_hz) for other in self.deviation[:number]):
                refuse(f"has two deviations at tone_hz = {one.tone_hz:g}; keep one")
        return self

    def deviation_at(self, tone_hz: float) -> DeviationCalibration | None:
        """Give the deviation scale with a tone, or None."""
        return next((one for one in self.deviation if same_tone(one.tone_hz, tone_hz)), None)


class SoundCalibration(Calibration):
    """Voltage scale of a sound card's input, as its mixer stood.

    ``full_scale_v`` is the root mean square voltage of a sine whose peaks just reach full scale;
    ``lowest_v`` to ``highest_v`` is what it was found over, with one tone.
    """

    input_device: DeviceName
    full_scale_v: SoundV
    full_scale_uncertainty_db: UncertaintyDb
    tone_hz: ToneHz
    lowest_v: SoundV
    highest_v: SoundV

    @model_validator(mode="after")
    def _range(self) -> Self:
        if self.lowest_v > self.highest_v:
            refuse(f"lowest_v = {self.lowest_v:g} lies above highest_v")
        return self


class ReceiverCalibration(Description):
    """What was found of the receiver with one serial."""

    serial: Name
    level: tuple[LevelCalibration, ...] = ()
    clock: ClockCalibration | None = None

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        for number, one in enumerate(self.level):
            if any(same_gain(one.gain_db, other.gain_db) for other in self.level[:number]):
                refuse(f"has two levels at gain_db = {one.gain_db:g}; keep one")
        return self

    def level_at(self, gain_db: float) -> LevelCalibration | None:
        """Give the level scale at a gain, or None."""
        return next((one for one in self.level if same_gain(one.gain_db, gain_db)), None)


class CalibrationFile(Description):
    """All instruments of a calibration file."""

    receiver: tuple[ReceiverCalibration, ...] = ()
    generator: tuple[GeneratorCalibration, ...] = ()
    sound: tuple[SoundCalibration, ...] = ()

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        for what, several in (("receivers", self.receiver), ("generators", self.generator)):
            serials = [one.serial for one in several]
            for serial in serials:
                if serials.count(serial) > 1:
                    refuse(f"has two {what} with serial = {shown(serial)}; keep one")
        devices = [one.input_device for one in self.sound]
        for device in devices:
            if devices.count(device) > 1:
                refuse(f"has two sound cards with input_device = {shown(device)}; keep one")
        return self

    def of(self, serial: str) -> ReceiverCalibration:
        """Give what is known of a receiver; nothing of one that is not there."""
        found = (one for one in self.receiver if one.serial == serial)
        return next(found, ReceiverCalibration(serial=serial))

    def of_generator(self, serial: str) -> GeneratorCalibration:
        """Give what is known of a generator; nothing of one that is not there."""
        found = (one for one in self.generator if one.serial == serial)
        return next(found, GeneratorCalibration(serial=serial))

    def of_sound(self, input_device: str) -> SoundCalibration | None:
        """Give what is known of a sound card's input, or None."""
        return next((one for one in self.sound if one.input_device == input_device), None)

    def with_sound(self, sound: SoundCalibration) -> CalibrationFile:
        """Give the same file with one input put in, or in the place of its earlier self."""
        others = tuple(one for one in self.sound if one.input_device != sound.input_device)
        return self.model_copy(update={"sound": (*others, sound)})

    def with_receiver(self, receiver: ReceiverCalibration) -> CalibrationFile:
        """Give the same file with one receiver put in, or in the place of its earlier self."""
        others = tuple(one for one in self.receiver if one.serial != receiver.serial)
        return self.model_copy(update={"receiver": (*others, receiver)})

    def with_generator(self, generator: GeneratorCalibration) -> CalibrationFile:
        """Give the same file with one generator put in, or in the place of its earlier self."""
        others = tuple(one for one in self.generator if one.serial != generator.serial)
        return self.model_copy(update={"generator": (*others, generator)})


def same_gain(first_db: float, second_db: float) -> bool:
    """Tell whether two gains are one setting."""
    return abs(first_db - second_db) < SAME_GAIN_DB


def same_tone(first_hz: float, second_hz: float) -> bool:
    """Tell whether two tones are one setting."""
    return abs(first_hz / second_hz - 1.0) < SAME_TONE


def load_calibration(path: Path | str) -> CalibrationFile:
    """Read a calibration file.

    Raises
    ------
    BadInput : the file cannot be read, is not TOML, or a key is unknown, missing or wrong.
    """
    return checked(CalibrationFile, read_toml(path), str(path))


def write_calibration(path: Path, calibration: CalibrationFile) -> None:
    """Write a calibration file whole: beside the old one, synced, then in its place.

    Raises
    ------
    BadInput : it cannot be written there; what stood there stays.
    """
    lines = ["# Instruments as calibrated; every uncertainty is one standard deviation."]
    for receiver in calibration.receiver:
        plain = receiver.plain()
        lines += ["", "[[receiver]]", f"serial = {_toml(plain['serial'])}"]
        for level in plain.get("level", ()):
            lines += ["", "[[receiver.level]]", *_keys(level)]
        if "clock" in plain:
            lines += ["", "[receiver.clock]", *_keys(plain["clock"])]
    for generator in calibration.generator:
        plain = generator.plain()
        lines += ["", "[[generator]]", f"serial = {_toml(plain['serial'])}"]
        for deviation in plain.get("deviation", ()):
            lines += ["", "[[generator.deviation]]", *_keys(deviation)]
    for sound in calibration.sound:
        lines += ["", "[[sound]]", *_keys(sound.plain())]
    new = path.with_name(path.name + ".new")
    try:
        with new.open("x", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(new, path)
    except FileExistsError as error:
        raise BadInput(
            "is there from a calibration that was cut off", str(new), "Remove it and run again."
        ) from error
    except OSError as error:
        with contextlib.suppress(OSError):
            new.unlink(missing_ok=True)
        raise BadInput(
            f"cannot be written: {error.strerror}", str(path), "Check the folder and its rights."
        ) from error


def _keys(table: dict[str, Any]) -> list[str]:
    return [f"{key} = {_toml(value)}" for key, value in table.items()]


def _toml(value: Any) -> str:
    """Write a number or text; dates stay text, which the reader takes as well."""
    # A name is printable (quantities), so JSON's escapes are those of a TOML string.
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)
