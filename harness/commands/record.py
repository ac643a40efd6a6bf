"""``harness record``: a take from the receivers of a bench."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

if TYPE_CHECKING:
    from harness.devices import Role
    from harness.procedures.recording import StreamState


def record(
    take: Annotated[
        Path,
        typer.Argument(
            metavar="TAKE", help="Name of what is made, such as captures/take-1; never overwritten."
        ),
    ],
    bench: Annotated[Path, typer.Option(metavar="FILE", help="Bench file: the receivers.")],
    unit: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Unit file: the channels to tune to.")
    ] = None,
    seconds: Annotated[
        float | None, typer.Option(metavar="S", help="How long; else until Ctrl-C.")
    ] = None,
    role: Annotated[
        str | None,
        typer.Option(metavar="ROLE", help="input or output alone; else all that the bench has."),
    ] = None,
    input_centre: Annotated[
        str | None, typer.Option(metavar="HZ", help="Tune the input receiver to it.")
    ] = None,
    output_centre: Annotated[
        str | None, typer.Option(metavar="HZ", help="Tune the output receiver to it.")
    ] = None,
) -> None:
    """Record from the receivers of a bench, one or two at once.

    Shows level, clipping and lost samples. Ctrl-C ends it and keeps what came.
    """
    from harness.commands.progress import RecordingWatcher, say_on_terminal
    from harness.commands.words import carrier_hz
    from harness.describe import load_bench, load_unit
    from harness.errors import BadInput
    from harness.procedures.recording import record_take, take_paths
    from harness.procedures.wiring import OFF_CHANNEL_HZ, open_source, receiver_roles

    if seconds is not None and not 0.0 < seconds < float("inf"):
        raise BadInput(f"{seconds:g} s is no length", "--seconds", "Give a number above 0.")
    if role not in (None, "input", "output"):
        raise BadInput(f"no role {role!r}", "--role", "Give input or output.")
    the_bench = load_bench(bench)
    roles = (cast("Role", role),) if role else receiver_roles(the_bench)
    centres_hz: dict[Role, float] = {}
    if unit is not None:
        the_unit = load_unit(unit)
        centres_hz["input"] = the_unit.receive_hz - OFF_CHANNEL_HZ
        centres_hz["output"] = the_unit.transmit_hz - OFF_CHANNEL_HZ
    for text, option, which in (
        (input_centre, "--input-centre", "input"),
        (output_centre, "--output-centre", "output"),
    ):
        centre_hz = carrier_hz(text, option)
        if centre_hz is not None:
            centres_hz[cast("Role", which)] = centre_hz
    paths = take_paths(take, roles)
    with open_source(the_bench, roles, centres_hz) as source:
        for note in getattr(source, "notes", ()):
            say_on_terminal(note)
        with RecordingWatcher(seconds) as watcher:
            states = record_take(source, the_bench, paths, take, seconds, watcher.watch)
    for state in states:
        if state.samples:
            typer.echo(f"{paths[state.role]}: {summary(state)}")


def summary(state: StreamState) -> str:
    """Say what a recording has become."""
    return (
        f"{state.seconds:.6g} s, {state.samples} samples, {state.clipped_samples} clipped,"
        f" {state.lost_samples} lost"
    )
