"""``harness calibrate``: a receiver's level scale or clock error into a calibration file."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from harness.describe import ReceiverCalibration
    from harness.measure.calibrate import LevelFound

VALID_DAYS = 365
"""Chosen: a year."""


def calibrate(
    what: Annotated[str, typer.Argument(metavar="WHAT", help="level or frequency.")],
    recordings: Annotated[
        list[Path],
        typer.Argument(metavar="RECORDING", help="SigMF recordings of a known carrier."),
    ],
    serial: Annotated[str, typer.Option(metavar="NAME", help="Serial of the receiver.")],
    out: Annotated[Path, typer.Option(metavar="FILE", help="Calibration file to write into.")],
    uncertainty: Annotated[
        float,
        typer.Option(metavar="DB|HZ", help="Standard uncertainty of what is known, in dB or Hz."),
    ],
    level: Annotated[
        str | None,
        typer.Option(metavar="DBM,...", help="Level at the receiver, one for each recording."),
    ] = None,
    frequency: Annotated[
        str | None, typer.Option(metavar="HZ", help="Frequency of the known carrier.")
    ] = None,
    gain: Annotated[
        float | None,
        typer.Option(metavar="DB", help="Gain, where the recordings do not tell it; level."),
    ] = None,
    temperature: Annotated[
        float | None, typer.Option(metavar="DEGC", help="Temperature of the receiver.")
    ] = None,
    valid_days: Annotated[
        int, typer.Option(metavar="DAYS", help="How long it holds, from the recording's day on.")
    ] = VALID_DAYS,
    again: Annotated[
        bool, typer.Option("--again", help="Replace what was found of the same before.")
    ] = False,
) -> int:
    """Calibrate a receiver by a carrier that is known.

    Never a transmitter straight into a receiver: use a generator, or pads that stand its power.
    """
    from harness.commands.words import carrier_hz
    from harness.describe import CalibrationFile, load_calibration, write_calibration
    from harness.errors import BadInput

    if what not in ("level", "frequency"):
        raise BadInput(f"no calibration {what!r}", "WHAT", "Choose level or frequency.")
    if not 0.0 <= uncertainty < float("inf"):
        raise BadInput(f"{uncertainty:g} is no uncertainty", "--uncertainty", "Give 0 or more.")
    if not 1 <= valid_days <= 36525:
        raise BadInput(f"{valid_days} days", "--valid-days", "Give 1 to 36525.")
    known_hz = carrier_hz(frequency, "--frequency")
    if known_hz is not None and not math.isfinite(known_hz):
        raise BadInput(f"{frequency} is no frequency", "--frequency", "Give it in Hz.")
    held = load_calibration(out) if out.exists() else CalibrationFile()
    earlier = held.of(serial)
    common = _common(recordings, valid_days, temperature)
    if what == "level":
        changed = _level(
            earlier, recordings, level, uncertainty, gain, known_hz, common, out, again
        )
    else:
        for name, given in (("--level", level), ("--gain", gain)):
            if given is not None:
                raise BadInput("is not for a frequency", name, "Leave it out.")
        changed = _frequency(earlier, recordings, known_hz, uncertainty, common, out, again)
    write_calibration(out, held.with_receiver(changed))
    typer.echo(f"Written to {out}; valid until {common['valid_until']}.")
    return 0


def _common(paths: list[Path], valid_days: int, temperature: float | None) -> dict[str, Any]:
    """Give the keys that level and clock share; a recording without a date is of now."""
    from harness.recordings import open_recording

    starts = [open_recording(path).segments[0].start_utc for path in paths]
    made = min((start for start in starts if start is not None), default=datetime.now(UTC))
    made = made.astimezone(UTC).replace(microsecond=0)
    common = {"made_utc": made, "valid_until": made.date() + timedelta(days=valid_days)}
    return common if temperature is None else {**common, "temperature_degc": temperature}


def _refuse_earlier(is_there: bool, what: str, out: Path, again: bool) -> None:
    from harness.errors import BadInput

    if is_there and not again:
        raise BadInput(
            f"holds {what} of this receiver already", str(out), "Give --again to replace it."
        )


def _level(
    earlier: ReceiverCalibration,
    paths: list[Path],
    level: str | None,
    uncertainty_db: float,
    gain_db: float | None,
    at_hz: float | None,
    common: dict[str, Any],
    out: Path,
    again: bool,
) -> ReceiverCalibration:
    from harness.commands.words import numbers
    from harness.describe import LevelCalibration, ReceiverCalibration, same_gain
    from harness.describe.document import checked
    from harness.errors import BadInput
    from harness.measure.calibrate import calibrate_level

    if level is None:
        raise BadInput("the known level is missing", "--level", "Give it in dBm.")
    known_dbm = numbers(level, "--level")
    found = calibrate_level(paths, known_dbm, uncertainty_db, at_hz=at_hz)
    if gain_db is not None and found.gain_db is not None and not same_gain(gain_db, found.gain_db):
        raise BadInput(
            f"the recordings were made at {found.gain_db:g} dB", "--gain", "Leave it out."
        )
    at_db = found.gain_db if gain_db is None else gain_db
    if at_db is None:
        raise BadInput("no recording tells its gain", "--gain", "Give it in dB.")
    _refuse_earlier(earlier.level_at(at_db) is not None, f"a level at {at_db:g} dB", out, again)
    table = {
        "gain_db": at_db,
        "full_scale_dbm": found.full_scale_dbm,
        "full_scale_uncertainty_db": found.standard_uncertainty_db,
        "lowest_dbm": min(known_dbm),
        "highest_dbm": max(known_dbm),
        **common,
    }
    made = checked(LevelCalibration, table, "calibration")
    _show_level(found)
    others = [one for one in earlier.level if not same_gain(one.gain_db, at_db)]
    plain = {"serial": earlier.serial, "level": [*others, made], "clock": earlier.clock}
    return checked(ReceiverCalibration, plain, "calibration")


def _frequency(
    earlier: ReceiverCalibration,
    paths: list[Path],
    known_hz: float | None,
    uncertainty_hz: float,
    common: dict[str, Any],
    out: Path,
    again: bool,
) -> ReceiverCalibration:
    from harness.describe import ClockCalibration, ReceiverCalibration
    from harness.describe.document import checked
    from harness.errors import BadInput
    from harness.measure.calibrate import calibrate_frequency

    if not known_hz:
        raise BadInput("the known frequency is missing", "--frequency", "Give it in Hz.")
    if len(paths) != 1:
        raise BadInput(f"{len(paths)} recordings given", "RECORDING", "Give one for frequency.")
    _refuse_earlier(earlier.clock is not None, "a clock error", out, again)
    found = calibrate_frequency(paths[0], known_hz, uncertainty_hz)
    table = {
        "clock_error_ppm": found.clock_error_ppm,
        "clock_uncertainty_ppm": found.standard_uncertainty_ppm,
        "frequency_hz": found.frequency_hz,
        **common,
    }
    made = checked(ClockCalibration, table, "calibration")
    typer.echo(
        f"Clock error {made.clock_error_ppm:+.4f} ± {2.0 * made.clock_uncertainty_ppm:.4f} ppm"
        " (k = 2); positive is fast."
    )
    plain = {"serial": earlier.serial, "level": earlier.level, "clock": made}
    return checked(ReceiverCalibration, plain, "calibration")


def _show_level(found: LevelFound) -> None:
    from rich.console import Console

    from harness.commands.table import Row, print_rows

    rows = [
        Row(title=f"{known:.2f} dBm", values=(f"{shown:.2f} dBFS", f"{residual:+.3f} dB"))
        for known, shown, residual in zip(
            found.known_dbm, found.level_dbfs, found.residuals_db, strict=True
        )
    ]
    print_rows(Console(), ("known level", "shown", "linearity"), rows)
    typer.echo(
        f"Full scale {found.full_scale_dbm:.2f} ± {2.0 * found.standard_uncertainty_db:.2f} dBm"
        " (k = 2)."
    )
    if len(rows) == 1:
        typer.echo("Caution: one level only; the linearity is not known and not in ±.")
