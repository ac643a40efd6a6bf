"""``harness record``: a take from the receivers of a bench."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from harness.report.wording import minus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.describe import Bench
    from harness.devices import Role, SampleSource, TunableSource
    from harness.measure.skew import Skew
    from harness.procedures.looking import Channels
    from harness.procedures.states import StreamState

LONGEST_LOOK_S = 60.0
"""Chosen."""


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
    align: Annotated[
        str | None,
        typer.Option(
            metavar="HZ",
            help="Speech or noise that both receivers hear: tells how their clocks stand.",
        ),
    ] = None,
    look: Annotated[
        float,
        typer.Option(metavar="S", help="How long to look at the receivers first; 0 for not."),
    ] = 1.0,
) -> None:
    """Record from receivers of a bench, one or two at once.

    Looks at the health of the receivers first, and stops where one gives nothing to measure.
    Shows level, clipping and lost samples. Ctrl-C ends it and keeps what came.
    """
    from harness.commands.progress import RecordingWatcher, say_on_terminal
    from harness.commands.words import carrier_hz
    from harness.describe import load_bench, load_unit
    from harness.errors import BadInput
    from harness.measure.skew import drift_between
    from harness.procedures.looking import channels_of
    from harness.procedures.recording import record_take, take_paths
    from harness.procedures.synchronise import align_streams, drift_in_words, skew_in_words
    from harness.procedures.wiring import OFF_CHANNEL_HZ, open_source, receiver_roles

    if seconds is not None and not 0.0 < seconds < float("inf"):
        raise BadInput(f"{seconds:g} s is no length", "--seconds", "Give a number above 0.")
    if not 0.0 <= look <= LONGEST_LOOK_S:
        raise BadInput(f"{look:g} s", "--look", f"Give 0 to {LONGEST_LOOK_S:g}.")
    if role not in (None, "input", "output"):
        raise BadInput(f"no role {role!r}", "--role", "Give input or output.")
    the_unit = load_unit(unit) if unit is not None else None
    the_bench = load_bench(bench, the_unit)
    roles = (cast("Role", role),) if role else receiver_roles(the_bench)
    centres_hz: dict[Role, float] = {}
    if the_unit is not None:
        centres_hz["input"] = the_unit.receive_hz - OFF_CHANNEL_HZ
        centres_hz["output"] = the_unit.transmit_hz - OFF_CHANNEL_HZ
    for text, option, which in (
        (input_centre, "--input-centre", "input"),
        (output_centre, "--output-centre", "output"),
    ):
        centre_hz = carrier_hz(text, option)
        if centre_hz is not None:
            centres_hz[cast("Role", which)] = centre_hz
    if the_unit is None:
        the_bench = the_bench.at_frequencies(
            receive_hz=centres_hz.get("input"), transmit_hz=centres_hz.get("output")
        )
    align_hz = carrier_hz(align, "--align")
    if align_hz is not None and (len(roles) < 2 or the_bench.simulated is not None):
        raise BadInput("is for two dongles", "--align", "Leave it out.")
    paths = take_paths(take, roles)
    channels = channels_of(the_unit)
    with open_source(the_bench, roles, centres_hz) as source:
        for note in getattr(source, "notes", ()):
            say_on_terminal(note)
        if look:
            _look(source, the_bench, channels, roles, look)
        before = None
        if align_hz is not None:
            tunable = cast("TunableSource", source)
            before = find_skew(tunable, the_bench, align_hz)
            align_streams(tunable, "output", before)
            typer.echo(f"Output against input: {skew_in_words(before)}")
        with RecordingWatcher(seconds) as watcher:
            states = record_take(source, the_bench, channels, paths, take, seconds, watcher.watch)
        if before is not None and align_hz is not None:
            after = find_skew(tunable, the_bench, align_hz)
            typer.echo(f"Afterwards: {drift_in_words(drift_between(before, after))}")
    for state in states:
        if state.samples:
            typer.echo(f"{paths[state.role]}: {summary(state)}")
    for caution in dict.fromkeys(caution for state in states for caution in state.cautions):
        typer.echo(f"Caution: {minus(caution)}")


def _look(
    source: SampleSource, bench: Bench, channels: Channels, roles: Sequence[Role], seconds: float
) -> None:
    """Look at the receivers before anything is kept of them, and show their health."""
    from rich.console import Console

    from harness.commands.progress import progress_on_terminal
    from harness.commands.show_health import print_health
    from harness.procedures.looking import look, require_sound

    with progress_on_terminal("looking at the receivers") as progress:
        watches = look(source, bench, channels, seconds, progress, roles)
    healths = [watches[role].health() for role in roles]
    require_sound(healths)
    print_health(Console(stderr=True), healths)


def summary(state: StreamState) -> str:
    """Say what a recording has become."""
    return (
        f"{state.seconds:.6g} s, {state.samples} samples, {state.clipped_samples} clipped,"
        f" {state.lost_samples} lost"
    )


def find_skew(source: TunableSource, bench: Bench, align_hz: float) -> Skew:
    """Find how the output's stream stands to the input's."""
    from harness.commands.progress import say_on_terminal
    from harness.procedures.synchronise import skew_of
    from harness.procedures.wiring import OFF_CHANNEL_HZ

    say_on_terminal("listening to one signal with both receivers")
    return skew_of(source, "output", bench, align_hz, off_channel_hz=OFF_CHANNEL_HZ)
