"""``harness health``: how receivers do, on a live bench or in recordings."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from harness.commands.options import ChannelMiddle, ChannelSpacing, UnitFile, Verify

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.describe import Bench, Unit
    from harness.devices import Role
    from harness.measure.health import HealthWatch
    from harness.measure.select import Wish
    from harness.readings import RecordingUsed
    from harness.recordings import Recording

LONGEST_S = 3600.0


def health(
    recordings: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="RECORDING",
            help="SigMF recordings or takes; without any, a live bench.",
        ),
    ] = None,
    bench: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Bench file: the receivers, their scale.")
    ] = None,
    unit: UnitFile = None,
    seconds: Annotated[float, typer.Option(metavar="S", help="How long to look at a bench.")] = 2.0,
    role: Annotated[
        str | None,
        typer.Option(metavar="ROLE", help="input or output alone; else all that the bench has."),
    ] = None,
    at: ChannelMiddle = None,
    spacing: ChannelSpacing = None,
    pad: Annotated[
        float | None,
        typer.Option(
            metavar="DB",
            help="Look twice, the second time with so much more before the receiver; or two"
            " recordings made so.",
        ),
    ] = None,
    pad_uncertainty: Annotated[
        float, typer.Option(metavar="DB", help="Standard uncertainty of the pad.")
    ] = 0.1,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, no table.")] = False,
    verify: Verify = True,
) -> int:
    """Look at receivers: clipping, DC spike, image, noise, gain.

    With --pad also where emissions are made: what falls by two or three times the pad is
    suspected intermodulation, what does not move is the receiver's own.
    """
    from rich.console import Console

    from harness.commands.one_object import print_object
    from harness.commands.show_health import print_health, print_pad_test
    from harness.commands.words import carrier_hz, number_hz
    from harness.describe import load_bench, load_unit
    from harness.errors import BadInput
    from harness.measure.health_json import health_json
    from harness.measure.pad_test import pad_test, require_pad
    from harness.measure.select import Wish

    if not 0.1 <= seconds <= LONGEST_S:
        raise BadInput(f"{seconds:g} s", "--seconds", f"Give 0.1 to {LONGEST_S:g}.")
    if pad is not None:
        require_pad(pad, pad_uncertainty)
    wish = Wish(at_hz=carrier_hz(at, "--at"), spacing_hz=number_hz(spacing, "--spacing"))
    the_unit = load_unit(unit) if unit else None
    the_bench = load_bench(bench, the_unit) if bench else None
    used: list[RecordingUsed] = []
    if recordings:
        if role is not None:
            raise BadInput("is for a bench", "--role", "A recording says its role itself.")
        opened = _opened(recordings)
        if pad is not None and len(opened) != 2:
            raise BadInput(
                f"{len(opened)} recordings are given",
                "--pad",
                "Give two: without the pad, then with it.",
            )
        watches, used = _recorded(opened, the_unit, the_bench, wish, verify, as_json)
        pairs = [] if pad is None else [(watches[0], watches[1])]
    elif the_bench is None:
        raise BadInput("nothing to look at", "RECORDING", "Give recordings, or --bench.")
    else:
        watches, pairs = _live(the_bench, the_unit, wish, role, seconds, pad, as_json)
    told = [] if pad is None else [pad_test(*pair, pad, pad_uncertainty) for pair in pairs]
    healths = [watch.health() for watch in watches]
    if as_json:
        print_object(health_json(healths, used, told))
        return 0
    console = Console()
    print_health(console, healths)
    for each in told:
        print_pad_test(console, each)
    return 0


def _opened(paths: Sequence[Path]) -> list[Recording]:
    """Open recordings, and those of takes."""
    from harness.recordings import open_recording, open_take

    opened: list[Recording] = []
    for path in paths:
        if path.suffix == ".sigmf-collection":
            opened += open_take(path).recordings.values()
        else:
            opened.append(open_recording(path))
    return opened


def _recorded(
    opened: Sequence[Recording],
    unit: Unit | None,
    bench: Bench | None,
    wish: Wish,
    verify: bool,
    quiet: bool,
) -> tuple[list[HealthWatch], list[RecordingUsed]]:
    """Watch recordings, one after the other."""
    from harness.commands.progress import progress_on_terminal
    from harness.measure.health_run import watch_recording
    from harness.readings import RecordingUsed

    watches = []
    for recording in opened:
        with progress_on_terminal(recording.name, quiet=quiet) as progress:
            watches.append(watch_recording(recording, unit, bench, wish, progress))
        if verify:
            recording.verify()
    used = [
        RecordingUsed(path=one.name, role=one.role or "", sha512=one.sha512 or "") for one in opened
    ]
    return watches, used


def _live(
    bench: Bench,
    unit: Unit | None,
    wish: Wish,
    role: str | None,
    seconds: float,
    pad_db: float | None,
    quiet: bool,
) -> tuple[list[HealthWatch], list[tuple[HealthWatch, HealthWatch]]]:
    """Watch the receivers of a bench, with a pad twice."""
    from harness.commands.operator import TerminalOperator
    from harness.commands.progress import TerminalWatcher, progress_on_terminal
    from harness.errors import BadInput, Stopped
    from harness.procedures.looking import Channels, channels_of, look, require_sound
    from harness.procedures.wiring import OFF_CHANNEL_HZ, open_source, receiver_roles

    if role not in (None, "input", "output"):
        raise BadInput(f"no role {role!r}", "--role", "Give input or output.")
    roles: tuple[Role, ...] = (cast("Role", role),) if role else receiver_roles(bench)
    channels = channels_of(unit)
    if wish.at_hz is not None:
        if len(roles) != 1:
            raise BadInput("is for one receiver", "--at", "Say which, with --role.")
        channels = Channels(middles_hz={roles[0]: wish.at_hz}, spacing_hz=channels.spacing_hz)
    if wish.spacing_hz is not None:
        channels = Channels(middles_hz=channels.middles_hz, spacing_hz=wish.spacing_hz)
    simulated = bench.simulated is not None
    if pad_db is not None and simulated:
        raise BadInput("no pad can be put into a simulated bench", bench.name, "Leave it out.")
    if not channels.middles_hz and not simulated:
        raise BadInput("the frequency is not known", bench.name, "Give --unit, or --role and --at.")
    centres_hz = {each: at_hz - OFF_CHANNEL_HZ for each, at_hz in channels.middles_hz.items()}

    with open_source(bench, roles, centres_hz) as source:

        def looked(title: str) -> dict[Role, HealthWatch]:
            with progress_on_terminal(title, quiet=quiet) as progress:
                watches = look(source, bench, channels, seconds, progress)
            seen = {each: watches[each] for each in roles}
            require_sound([watch.health() for watch in seen.values()])
            return seen

        first = looked("looking")
        if pad_db is None:
            return list(first.values()), []
        operator = TerminalOperator(TerminalWatcher(bar=False))
        try:
            operator.ask(
                f"Put {pad_db:g} dB more before the receiver, change nothing else, press Enter: "
            )
        except EOFError:
            raise Stopped(
                "nobody pressed Enter", "--pad", "Start it where somebody can, or record twice."
            ) from None
        second = looked("looking, with the pad")
    return list(first.values()), [(first[each], second[each]) for each in roles]
