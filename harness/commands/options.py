"""What ``measure`` and ``remeasure`` are told alike: the descriptions, the channel, the checks."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

UnitFile = Annotated[Path | None, typer.Option(metavar="FILE", help="Unit file: channel, limits.")]
BenchFile = Annotated[Path | None, typer.Option(metavar="FILE", help="Bench file: calibration.")]
ChannelMiddle = Annotated[str | None, typer.Option(metavar="HZ", help="Middle of the channel.")]
ChannelSpacing = Annotated[str | None, typer.Option(metavar="HZ", help="Channel spacing.")]
Verify = Annotated[bool, typer.Option(help="Check the recordings' checksums.")]
