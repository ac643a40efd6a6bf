"""``harness instruments``: try the generator and the meter that a bench file names."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def instruments(
    bench: Annotated[Path, typer.Argument(metavar="BENCH", help="Bench file.")],
    at: Annotated[
        str | None, typer.Option(metavar="HZ", help="Frequency that the generator is set to.")
    ] = None,
    levels: Annotated[
        str, typer.Option(metavar="FROM:TO:STEP", help="Levels at the unit's port, in dBm.")
    ] = "-120:-80:10",
    deviation: Annotated[
        str, typer.Option(metavar="HZ", help="Deviation of a 1 kHz tone; 0 for none.")
    ] = "1500",
    hold: Annotated[float, typer.Option(metavar="S", help="Seconds at each level.")] = 1.0,
    entries: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.csv", help="Keep what is typed here; goes on where the file ends."
        ),
    ] = None,
) -> None:
    """Try the generator and the meter of a bench.

    By SCPI or by hand: sets the generator to some levels, reads the meter, records nothing. Keep
    a transmitter that could answer switched off, or on a load.
    """
    from rich.console import Console

    from harness.commands.operator import TerminalOperator
    from harness.commands.progress import TerminalWatcher
    from harness.commands.table import Row, print_rows, say
    from harness.commands.words import carrier_hz, levels_dbm, number_hz
    from harness.describe import load_bench
    from harness.errors import BadInput, Stopped
    from harness.procedures.entries import Entries, NoMemory
    from harness.procedures.trying import try_instruments
    from harness.procedures.wiring import Clock, open_instruments, simulated_bench

    frequency_hz = carrier_hz(at, "--at")
    described = load_bench(bench).at_frequencies(receive_hz=frequency_hz)
    deviation_hz = number_hz(deviation, "--deviation") or 0.0
    wanted_dbm = levels_dbm(levels, "--levels")
    if not 0.0 <= hold <= 3600.0:
        raise BadInput(f"{hold:g} s is no time to hold a level", "--hold", "Give 0 to 3600.")
    if entries is not None and not entries.parent.is_dir():
        raise BadInput("there is no such folder", str(entries.parent), "Make it first.")
    memory = NoMemory() if entries is None else Entries(entries, resume=True)
    console = Console()
    with TerminalWatcher(bar=False) as watcher:
        operator = TerminalOperator(watcher)
        behind = None if described.simulated is None else simulated_bench(described)
        try:
            with open_instruments(described, operator, memory, behind) as opened:
                for what, identity in opened.identities.items():
                    watcher.say(f"{what}: {identity}")
                for caution in opened.cautions:
                    watcher.say(caution)
                tried = try_instruments(
                    opened,
                    behind or Clock(),
                    watcher,
                    frequency_hz=frequency_hz,
                    levels_port_dbm=wanted_dbm,
                    deviation_hz=deviation_hz,
                    hold_s=hold,
                )
        except KeyboardInterrupt:
            raise Stopped("stopped by the operator", "", memory.resuming) from None
    print_rows(console, ("tried", ""), [Row(title=t, values=(v,)) for t, v in tried.lines])
    if entries is not None:
        say(console, f"Typed:      {entries.resolve()}", folded=False)
