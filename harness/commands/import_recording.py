"""``harness import``: make a recording of another program's samples."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, cast

import typer

from harness.devices import Role


def import_recording(
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", help="Raw .cu8, .cs8, .cs16, .cf32, or a WAV with I left and Q right."
        ),
    ],
    centre: Annotated[
        str, typer.Option(metavar="HZ", help="Frequency that the receiver was tuned to.")
    ],
    rate: Annotated[
        str | None, typer.Option(metavar="HZ", help="Samples per second; a WAV knows its own.")
    ] = None,
    role: Annotated[
        str, typer.Option(metavar="ROLE", help="Side of the repeater: input, output or audio.")
    ] = "output",
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Name of the recording; else as FILE, beside it."),
    ] = None,
    full_scale_dbm: Annotated[
        float | None, typer.Option(metavar="DBM", help="Power at the receiver of full scale.")
    ] = None,
    port_offset_db: Annotated[
        float | None,
        typer.Option(metavar="DB", help="Added to that level to get it at the unit's port."),
    ] = None,
    datatype: Annotated[
        str | None,
        typer.Option(metavar="TYPE", help="cu8, cs8, cs16 or cf32, where the name does not tell."),
    ] = None,
    start: Annotated[
        str | None, typer.Option(metavar="UTC", help="Time of the first sample, ISO 8601.")
    ] = None,
) -> None:
    """Make a SigMF recording of raw samples or a WAV.

    FILE stays as it is.
    """
    from harness.commands.progress import progress_on_terminal
    from harness.commands.words import carrier_hz, number_hz
    from harness.errors import BadInput
    from harness.recordings.description import ROLES
    from harness.recordings.raw import import_raw

    if role not in ROLES:
        raise BadInput(f"no role {role!r}", "--role", f"Give one of {', '.join(ROLES)}.")
    with progress_on_terminal("importing") as progress:
        recording = import_raw(
            file,
            sample_rate_hz=number_hz(rate, "--rate"),
            centre_hz=cast(float, carrier_hz(centre, "--centre")),
            role=cast(Role, role),
            out=out,
            datatype=datatype,
            full_scale_dbm=full_scale_dbm,
            port_offset_db=port_offset_db,
            start_utc=_moment(start),
            progress=progress,
        )
    typer.echo(
        f"{recording.path}: {recording.sample_count} samples, {recording.duration_s:.6g} s at "
        f"{recording.sample_rate_hz:.10g} Hz, {recording.datatype}"
    )


def _moment(text: str | None) -> datetime | None:
    from harness.errors import BadInput
    from harness.recordings.utc import utc_from_text

    if text is None:
        return None
    try:
        return utc_from_text(text)
    except ValueError:
        raise BadInput(
            f"{text!r} is no UTC time", "--start", "Write it as 2025-03-01T06:00:00Z."
        ) from None
