"""Each calibration: measured, shown, put into the file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness.describe import CalibrationFile
    from harness.measure.bessel_null import DeviationFound


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What was typed after ``harness calibrate``; None where nothing was said."""

    recordings: tuple[Path, ...]
    serial: str
    out: Path
    valid_days: int
    temperature_degc: float | None = None
    again: bool = False
    uncertainty: float | None = None
    level: str | None = None
    frequency_hz: float | None = None
    deviation: str | None = None
    volts: str | None = None
    gain_db: float | None = None
    spacing_hz: float | None = None

    def calibrate(self, what: str) -> None:
        """Measure, show, and write the file anew with what was found in it.

        Raises
        ------
        BadInput : something given that this calibration cannot heed, something missing, an entry
            that is there already, recordings that nothing may rest on.
        """
        from rich.console import Console

        from harness.commands.table import say
        from harness.describe import CalibrationFile, load_calibration, write_calibration

        calibration, heeds = WHATS[what]
        self._refuse_unheeded(what, heeds)
        held = load_calibration(self.out) if self.out.exists() else CalibrationFile()
        common = self._common()
        changed = calibration(self, held, common)
        write_calibration(self.out, changed)
        say(Console(), f"Written to {self.out}; valid until {common['valid_until']}.")

    def known_uncertainty(self) -> float:
        """Give the standard uncertainty of what is known, which this calibration cannot do without.

        Raises
        ------
        BadInput : it is missing.
        """
        from harness.errors import BadInput

        if self.uncertainty is None:
            raise BadInput(
                "the uncertainty of what is known is missing",
                "--uncertainty",
                "Give it as one standard deviation, in dB or Hz.",
            )
        return self.uncertainty

    def refuse_earlier(self, is_there: bool, what: str) -> None:
        """Refuse to replace what is in the file, unless that is asked for."""
        from harness.errors import BadInput

        if is_there and not self.again:
            raise BadInput(
                f"holds {what} of this already", str(self.out), "Give --again to replace it."
            )

    def _refuse_unheeded(self, what: str, heeds: Sequence[str]) -> None:
        from harness.errors import BadInput

        for field, option in _OPTIONS.items():
            if getattr(self, field) is not None and field not in heeds:
                raise BadInput(f"is not for {what}", option, "Leave it out.")

    def _common(self) -> dict[str, Any]:
        """Give the keys that all share; a recording without a date is of now."""
        starts = [_start_utc(path) for path in self.recordings]
        made = min((start for start in starts if start is not None), default=datetime.now(UTC))
        made = made.astimezone(UTC).replace(microsecond=0)
        common = {"made_utc": made, "valid_until": made.date() + timedelta(days=self.valid_days)}
        if self.temperature_degc is None:
            return common
        return {**common, "temperature_degc": self.temperature_degc}


def _start_utc(path: Path) -> datetime | None:
    """When a recording begins; an audio file does not say."""
    from harness.measure.feed import AUDIO_SUFFIXES
    from harness.recordings import open_recording

    if path.suffix.lower() in AUDIO_SUFFIXES:
        return None
    return open_recording(path).segments[0].start_utc


def _level(asked: Asked, held: CalibrationFile, common: dict[str, Any]) -> CalibrationFile:
    from harness.commands.words import numbers
    from harness.describe import LevelCalibration, ReceiverCalibration, same_gain
    from harness.describe.document import checked
    from harness.errors import BadInput
    from harness.measure.calibrate import calibrate_level

    if asked.level is None:
        raise BadInput("the known level is missing", "--level", "Give it in dBm.")
    known_dbm = numbers(asked.level, "--level")
    found = calibrate_level(
        asked.recordings, known_dbm, asked.known_uncertainty(), at_hz=asked.frequency_hz
    )
    gain_db = asked.gain_db
    if gain_db is not None and found.gain_db is not None and not same_gain(gain_db, found.gain_db):
        raise BadInput(
            f"the recordings were made at {found.gain_db:g} dB", "--gain", "Leave it out."
        )
    at_db = found.gain_db if gain_db is None else gain_db
    if at_db is None:
        raise BadInput("no recording tells its gain", "--gain", "Give it in dB.")
    earlier = held.of(asked.serial)
    asked.refuse_earlier(earlier.level_at(at_db) is not None, f"a level at {at_db:g} dB")
    table = {
        "gain_db": at_db,
        "full_scale_dbm": found.full_scale_dbm,
        "full_scale_uncertainty_db": found.standard_uncertainty_db,
        "lowest_dbm": min(known_dbm),
        "highest_dbm": max(known_dbm),
        **common,
    }
    if found.tuned_hz is not None:
        table["lowest_hz"], table["highest_hz"] = found.tuned_hz
    made = checked(LevelCalibration, table, "calibration")
    _show_linearity(
        [f"{one:.2f} dBm" for one in found.known_dbm],
        found.level_dbfs,
        found.residuals_db,
        f"Full scale {found.full_scale_dbm:.2f} ± {2.0 * found.standard_uncertainty_db:.2f} dBm"
        " (k = 2).",
    )
    _say_cautions(found.cautions)
    others = [one for one in earlier.level if not same_gain(one.gain_db, at_db)]
    plain = {"serial": earlier.serial, "level": [*others, made], "clock": earlier.clock}
    return held.with_receiver(checked(ReceiverCalibration, plain, "calibration"))


def _frequency(asked: Asked, held: CalibrationFile, common: dict[str, Any]) -> CalibrationFile:
    from rich.console import Console

    from harness.commands.table import say
    from harness.describe import ClockCalibration, ReceiverCalibration
    from harness.describe.document import checked
    from harness.errors import BadInput
    from harness.measure.calibrate import calibrate_frequency

    paths, known_hz = asked.recordings, asked.frequency_hz
    if not known_hz:
        raise BadInput("the known frequency is missing", "--frequency", "Give it in Hz.")
    if len(paths) != 1:
        raise BadInput(f"{len(paths)} recordings given", "RECORDING", "Give one for frequency.")
    earlier = held.of(asked.serial)
    asked.refuse_earlier(earlier.clock is not None, "a clock error")
    found = calibrate_frequency(paths[0], known_hz, asked.known_uncertainty())
    table = {
        "clock_error_ppm": found.clock_error_ppm,
        "clock_uncertainty_ppm": found.standard_uncertainty_ppm,
        "frequency_hz": found.frequency_hz,
        **common,
    }
    made = checked(ClockCalibration, table, "calibration")
    say(
        Console(),
        f"Clock error {made.clock_error_ppm:+.4f} ± {2.0 * made.clock_uncertainty_ppm:.4f} ppm"
        " (k = 2); positive is fast.",
    )
    _say_cautions(found.cautions)
    plain = {"serial": earlier.serial, "level": earlier.level, "clock": made}
    return held.with_receiver(checked(ReceiverCalibration, plain, "calibration"))


def _deviation(asked: Asked, held: CalibrationFile, common: dict[str, Any]) -> CalibrationFile:
    from harness.commands.words import numbers
    from harness.describe import DeviationCalibration, GeneratorCalibration, same_tone
    from harness.describe.document import checked
    from harness.errors import BadInput
    from harness.measure.bessel_null import calibrate_deviation

    if asked.deviation is None:
        raise BadInput(
            "what the generator showed is missing", "--deviation", "Give it in Hz, one each."
        )
    shown_hz = numbers(asked.deviation, "--deviation")
    found = calibrate_deviation(
        asked.recordings, shown_hz, at_hz=asked.frequency_hz, spacing_hz=asked.spacing_hz
    )
    earlier = held.of_generator(asked.serial)
    is_there = earlier.deviation_at(found.tone_hz) is not None
    asked.refuse_earlier(is_there, f"a deviation at a tone of {found.tone_hz:.0f} Hz")
    table = {
        "tone_hz": round(found.tone_hz, 3),
        "deviation_scale": found.scale,
        "deviation_scale_uncertainty": found.standard_uncertainty,
        "lowest_hz": min(shown_hz),
        "highest_hz": max(shown_hz),
        **common,
    }
    made = checked(DeviationCalibration, table, "calibration")
    _show_deviation(found)
    others = [one for one in earlier.deviation if not same_tone(one.tone_hz, found.tone_hz)]
    plain = {"serial": earlier.serial, "deviation": [*others, made]}
    return held.with_generator(checked(GeneratorCalibration, plain, "calibration"))


def _sound(asked: Asked, held: CalibrationFile, common: dict[str, Any]) -> CalibrationFile:
    from harness.commands.words import numbers
    from harness.describe import SoundCalibration
    from harness.describe.document import checked
    from harness.errors import BadInput
    from harness.measure.sound_level import calibrate_sound

    if asked.volts is None:
        raise BadInput("the known voltage is missing", "--volts", "Give it in V, one each.")
    known_v = numbers(asked.volts, "--volts")
    asked.refuse_earlier(held.of_sound(asked.serial) is not None, "a voltage scale")
    found = calibrate_sound(asked.recordings, known_v, asked.known_uncertainty())
    table = {
        "input_device": asked.serial,
        "full_scale_v": found.full_scale_v,
        "full_scale_uncertainty_db": found.standard_uncertainty_db,
        "tone_hz": round(found.tone_hz, 3),
        "lowest_v": min(known_v),
        "highest_v": max(known_v),
        **common,
    }
    made = checked(SoundCalibration, table, "calibration")
    low_v, high_v = (
        found.full_scale_v * 10.0 ** (sign * found.standard_uncertainty_db / 10.0)
        for sign in (-1.0, 1.0)
    )
    _show_linearity(
        [f"{one:.4g} V" for one in found.known_v],
        found.level_dbfs,
        found.residuals_db,
        f"A sine of full scale is {found.full_scale_v:.4g} V, {low_v:.4g} to {high_v:.4g} V"
        " (k = 2), as the card's mixer stands.",
    )
    _say_cautions(found.cautions)
    return held.with_sound(made)


Calibration = Callable[[Asked, "CalibrationFile", dict[str, Any]], "CalibrationFile"]
WHATS: dict[str, tuple[Calibration, tuple[str, ...]]] = {
    "level": (_level, ("uncertainty", "level", "frequency_hz", "gain_db")),
    "frequency": (_frequency, ("uncertainty", "frequency_hz")),
    "deviation": (_deviation, ("frequency_hz", "deviation", "spacing_hz")),
    "sound": (_sound, ("uncertainty", "volts")),
}
"""What can be calibrated, how, and which options it heeds."""

_OPTIONS = {
    "uncertainty": "--uncertainty",
    "level": "--level",
    "frequency_hz": "--frequency",
    "deviation": "--deviation",
    "volts": "--volts",
    "gain_db": "--gain",
    "spacing_hz": "--spacing",
}


def _show_linearity(
    known: Sequence[str], level_dbfs: Sequence[float], residuals_db: Sequence[float], result: str
) -> None:
    from rich.console import Console

    from harness.commands.table import Row, print_rows, say

    rows = [
        Row(title=title, values=(f"{shown:.2f} dBFS", f"{residual:+.3f} dB"))
        for title, shown, residual in zip(known, level_dbfs, residuals_db, strict=True)
    ]
    console = Console()
    print_rows(console, ("known level", "shown", "linearity"), rows)
    say(console, result)
    if len(rows) == 1:
        say(console, "Caution: one level only; the linearity is not known and not in ±.")


def _show_deviation(found: DeviationFound) -> None:
    from rich.console import Console

    from harness.commands.table import Row, print_rows, say

    rows = [
        Row(
            title=f"{shown:.1f} Hz",
            values=(
                f"{100.0 * ratio:+.3f} %",
                f"{true:.1f} Hz",
                f"{true - found.scale * shown:+.1f} Hz",
                f"{read:.1f} Hz",
            ),
        )
        for shown, ratio, true, read in zip(
            found.shown_hz, found.carrier_ratio, found.true_hz, found.read_hz, strict=True
        )
    ]
    console = Console()
    headings = ("generator shows", "carrier line", "true", "off scale", "discriminator reads")
    print_rows(console, headings, rows)
    say(
        console,
        f"At a tone of {found.tone_hz:.2f} Hz the carrier vanishes where the generator shows"
        f" {found.null_shown_hz:.1f} Hz.",
    )
    say(
        console,
        f"Deviation scale {found.scale:.5f} ± {2.0 * found.standard_uncertainty:.5f} (k = 2):"
        " true over shown.",
    )
    off = (
        f"{100.0 * (found.read_scale - 1.0):+.3f} % ± {100.0 * found.read_uncertainty:.3f} %"
        " off the null"
    )
    if found.discriminator_agrees:
        say(console, f"The discriminator agrees: it reads {off}.")
    else:
        say(
            console,
            f"Caution: the discriminator does not agree; it reads {off}. Look for a second signal"
            " in the channel or a channel that is too narrow, and record again.",
        )
    _say_cautions(found.cautions)


def _say_cautions(cautions: Sequence[str]) -> None:
    """Pass on what the measurements had to say."""
    from rich.console import Console

    from harness.commands.table import say
    from harness.report.wording import minus

    for caution in cautions:
        say(Console(), f"Caution: {minus(caution)}")
