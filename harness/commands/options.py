"""What several commands are told alike: descriptions, channel, checks; which runs are wanted."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

UnitFile = Annotated[Path | None, typer.Option(metavar="FILE", help="Unit file: channel, limits.")]
BenchFile = Annotated[Path | None, typer.Option(metavar="FILE", help="Bench file: calibration.")]
ChannelMiddle = Annotated[str | None, typer.Option(metavar="HZ", help="Middle of the channel.")]
ChannelSpacing = Annotated[str | None, typer.Option(metavar="HZ", help="Channel spacing.")]
Verify = Annotated[bool, typer.Option(help="Check the recordings' checksums.")]

OfUnit = Annotated[
    str | None,
    typer.Option(metavar="NAME", help="Runs of this unit: name or serial; * stands for anything."),
]
Since = Annotated[
    str | None, typer.Option(metavar="DAY", help="Runs from this day on, such as 2026-03-14, UTC.")
]
Until = Annotated[str | None, typer.Option(metavar="DAY", help="Runs up to and with this day.")]
OfVerdict = Annotated[
    list[str] | None,
    typer.Option(metavar="VERDICT", help="Runs that ended so; may be given several times."),
]
