"""``harness play``: test tones out of the sound card."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, cast, get_args

import typer

SIGNAL_HELP = "tone, ramp, sweep, multitone or stepped."
USUAL_HZ = {
    "tone": "1000",
    "ramp": "1000",
    "sweep": "300,3000",
    "multitone": "300,400,500,630,800,1000,1250,1600,2000,2500,3000",
    "stepped": "300,400,500,630,800,1000,1250,1600,2000,2500,3000",
}
"""Where none are named: the speech band, in steps of about a third of an octave. Chosen."""


def play(
    signal: Annotated[str, typer.Argument(metavar="SIGNAL", help=SIGNAL_HELP)],
    bench: Annotated[
        Path, typer.Option(metavar="FILE", help="Bench file: [sound] names the device.")
    ],
    frequencies: Annotated[
        str | None,
        typer.Option(metavar="HZ,HZ", help="Tones; a sweep takes its two ends."),
    ] = None,
    level: Annotated[
        float, typer.Option(metavar="DBFS", help="Level of the peak; 0 is full scale.")
    ] = -12.0,
    from_level: Annotated[float, typer.Option(metavar="DBFS", help="Where a ramp begins.")] = -60.0,
    seconds: Annotated[float, typer.Option(metavar="S", help="How long.")] = 10.0,
) -> None:
    """Play test tones on the sound card.

    Into the audio input of a generator or of a transmitter on a load. Begin at a low level.
    """
    from harness.commands.progress import progress_on_terminal
    from harness.commands.words import frequencies_hz
    from harness.describe import load_bench
    from harness.errors import BadInput
    from harness.procedures.wiring import Signal, SignalKind, described_sound, play_tones

    if signal not in get_args(SignalKind):
        choice = ", ".join(get_args(SignalKind))
        raise BadInput(f"no signal {signal!r}", "SIGNAL", f"Choose one of {choice}.")
    tones = frequencies_hz(frequencies or USUAL_HZ[signal], "--frequencies")
    most = {"tone": 1, "ramp": 1, "sweep": 2}.get(signal)
    if most is not None and len(tones) != most:
        raise BadInput(
            f"{len(tones)} frequencies are given, and a {signal} takes {most}",
            "--frequencies",
            "Give as many.",
        )
    sound = described_sound(load_bench(bench))
    with progress_on_terminal(signal) as progress:
        duration_s, underruns = play_tones(
            sound,
            Signal(
                kind=cast(SignalKind, signal),
                frequencies_hz=tuple(tones),
                level_dbfs=level,
                from_dbfs=from_level,
                duration_s=seconds,
            ),
            progress,
        )
    typer.echo(f"played {signal} for {duration_s:g} s on {sound.output_device}")
    if underruns:
        typer.echo(
            f"The sound card ran dry {underruns} times: what was played has gaps. Close other"
            " programs and play it again."
        )
