"""``harness listen``: record the sound card's input."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def listen(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="New file: .flac, .wav or .sigmf-meta.")
    ],
    bench: Annotated[
        Path, typer.Option(metavar="FILE", help="Bench file: [sound] names the device.")
    ],
    seconds: Annotated[
        float | None, typer.Option(metavar="S", help="How long; else until Ctrl-C.")
    ] = None,
    label: Annotated[
        str,
        typer.Option(metavar="TEXT", help="Stimulus, for .sigmf-meta: swept tone, stepped tones."),
    ] = "",
    note: Annotated[str, typer.Option(metavar="TEXT", help="Kept in the file.")] = "",
) -> None:
    """Record the repeater's audio from the sound card.

    Measure it with harness measure audio FILE.
    """
    from harness.commands.progress import progress_on_terminal
    from harness.describe import load_bench
    from harness.errors import BadInput, Stopped
    from harness.procedures.sound import SIGMF_SUFFIX, hear

    if seconds is not None and not 0.0 < seconds <= 7 * 86_400.0:
        raise BadInput(f"{seconds:g} s is no length", "--seconds", "Give up to 604800.")
    if label and file.suffix != SIGMF_SUFFIX:
        raise BadInput(
            "only a SigMF recording holds a label", "--label", f"End FILE in {SIGMF_SUFFIX}."
        )
    described = load_bench(bench)
    with progress_on_terminal("listening") as progress:
        try:
            heard = hear(
                described,
                file,
                duration_s=seconds,
                label=label,
                note=note,
                progress=progress,
                begun=lambda device: typer.echo(f"listening to {device}", err=True),
            )
        except KeyboardInterrupt:
            kept = f"What came is in {file}." if file.exists() else "Nothing had come yet."
            raise Stopped("stopped by the operator", "", kept) from None
    if heard.path is None:
        typer.echo("nothing came")
        return
    typer.echo(
        f"{heard.path}: {heard.samples} samples, {heard.samples / heard.sample_rate_hz:.6g} s at"
        f" {heard.sample_rate_hz:g} Hz"
    )
    if heard.caution:
        typer.echo(heard.caution)
