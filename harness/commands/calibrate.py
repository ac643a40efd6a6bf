"""``harness calibrate``: what an instrument is off by, into a calibration file."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from harness.commands.options import ChannelSpacing

VALID_DAYS = 365
"""Chosen: a year."""


def calibrate(
    what: Annotated[
        str, typer.Argument(metavar="WHAT", help="level, frequency, deviation or sound.")
    ],
    recordings: Annotated[
        list[Path],
        typer.Argument(
            metavar="RECORDING", help="SigMF recordings of a known signal; sound: WAV or FLAC too."
        ),
    ],
    serial: Annotated[
        str, typer.Option(metavar="NAME", help="Serial of receiver or generator; input device.")
    ],
    out: Annotated[Path, typer.Option(metavar="FILE", help="Calibration file to write into.")],
    uncertainty: Annotated[
        float | None,
        typer.Option(metavar="DB|HZ", help="Standard uncertainty of what is known, in dB or Hz."),
    ] = None,
    level: Annotated[
        str | None,
        typer.Option(metavar="DBM,...", help="Level at the receiver, one for each recording."),
    ] = None,
    frequency: Annotated[
        str | None, typer.Option(metavar="HZ", help="Frequency of the known carrier.")
    ] = None,
    deviation: Annotated[
        str | None,
        typer.Option(metavar="HZ,...", help="Deviation as shown, one for each recording."),
    ] = None,
    volts: Annotated[
        str | None,
        typer.Option(metavar="V,...", help="RMS volts at the sound card, one for each recording."),
    ] = None,
    gain: Annotated[
        float | None,
        typer.Option(metavar="DB", help="Gain, where the recordings do not tell it; level."),
    ] = None,
    spacing: ChannelSpacing = None,
    temperature: Annotated[
        float | None, typer.Option(metavar="DEGC", help="Temperature of the instrument.")
    ] = None,
    valid_days: Annotated[
        int, typer.Option(metavar="DAYS", help="How long it holds, from the recording's day on.")
    ] = VALID_DAYS,
    again: Annotated[
        bool, typer.Option("--again", help="Replace what was found of the same before.")
    ] = False,
) -> int:
    """Calibrate a bench by signals that are known.

    Never a transmitter straight into a receiver: use a generator, or pads that stand its power.
    """
    from harness.commands.calibrations import WHATS, Asked
    from harness.commands.words import carrier_hz, number_hz
    from harness.errors import BadInput

    if what not in WHATS:
        choice = ", ".join(WHATS)
        raise BadInput(f"no calibration {what!r}", "WHAT", f"Choose one of {choice}.")
    if uncertainty is not None and not 0.0 <= uncertainty < float("inf"):
        raise BadInput(f"{uncertainty:g} is no uncertainty", "--uncertainty", "Give 0 or more.")
    if not 1 <= valid_days <= 36525:
        raise BadInput(f"{valid_days} days", "--valid-days", "Give 1 to 36525.")
    known_hz = carrier_hz(frequency, "--frequency")
    if known_hz is not None and not math.isfinite(known_hz):
        raise BadInput(f"{frequency} is no frequency", "--frequency", "Give it in Hz.")
    asked = Asked(
        recordings=tuple(recordings),
        serial=serial,
        out=out,
        valid_days=valid_days,
        temperature_degc=temperature,
        again=again,
        uncertainty=uncertainty,
        level=level,
        frequency_hz=known_hz,
        deviation=deviation,
        volts=volts,
        gain_db=gain,
        spacing_hz=number_hz(spacing, "--spacing"),
    )
    asked.calibrate(what)
    return 0
