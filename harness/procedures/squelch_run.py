"""A whole run of the squelch on a bench: what is said beforehand, the journal, the results file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from harness.advice.quiet import Quiet
from harness.describe import Bench, Unit
from harness.devices import Operator
from harness.errors import BadInput
from harness.procedures.accept import Performed, perform, require_empty
from harness.procedures.journal import Journal
from harness.procedures.runner import Watcher
from harness.procedures.squelch import in_minutes, squelch
from harness.procedures.squelch_depths import Depth
from harness.procedures.squelch_time import BY_HAND_S, TYPICAL_HANG_S, expected


def knob_positions(unit: Unit, only: Sequence[str] = ()) -> tuple[str, ...]:
    """Give the knob positions from loose to tight, or those of them that were asked for.

    Raises
    ------
    BadInput : the unit file names none, or not one that was asked for.
    """
    if not unit.knob_positions:
        raise BadInput(
            "knob_positions is missing",
            unit.name,
            "Name the knob's positions from loose to tight, as marked on the unit.",
        )
    for position in only:
        if position not in unit.knob_positions:
            raise BadInput(
                f"{unit.name} has no position {position!r}",
                "--knob",
                f"Choose from {', '.join(unit.knob_positions)}.",
            )
    return tuple(p for p in unit.knob_positions if not only or p in only)


def characterise_squelch(
    unit: Unit,
    bench: Bench,
    folder: Path,
    watcher: Watcher,
    depth: Depth,
    positions: Sequence[str],
    operator: Operator | None = None,
    *,
    resume: bool = False,
    go_on_with: str = "",
) -> Performed:
    """Characterise the squelch at some positions, and write the results file.

    Parameters
    ----------
    unit, bench, folder, watcher, operator, resume, go_on_with : as for ``accept``
    depth : how much is done at each position
    positions : from loose to tight

    Raises
    ------
    Unsafe, BadInput, HardwareFault : as ``accept``; a stuck transmitter is the last of these.
    """
    settings = {
        "unit": unit.plain(),
        "bench": bench.plain(),
        "squelch": asdict(depth),
        "positions": list(positions),
    }
    if resume:
        journal = Journal.of(folder, settings)
    else:
        require_empty(folder)
        journal = Journal.new(folder, settings)
    for line in beforehand(bench, depth, positions):
        watcher.say(line)
    return perform(
        unit,
        bench,
        folder,
        watcher,
        squelch(unit, positions, depth),
        title=f"Squelch of {unit.name}",
        name=f"squelch, {depth.name}",
        operator=operator,
        is_whole=False,
        journal=journal,
        go_on_with=go_on_with,
    )


def beforehand(bench: Bench, depth: Depth, positions: Sequence[str]) -> list[str]:
    """Say what is going to be done, how long it takes, and what it can show."""
    times = expected(depth)
    each_s = times.position_s
    by_hand = bench.generator is not None and bench.generator.source == "by hand"
    more = ""
    if by_hand:
        each_s += BY_HAND_S * times.settings
        more = f", {times.settings:.0f} settings by hand at each counted at {BY_HAND_S:.0f} s"
    many = len(positions)
    total = f" each, {in_minutes(many * each_s)} in all" if many > 1 else ""
    limit = Quiet(key_ups=0, watched_s=depth.quiet_s).upper_per_h
    return [
        f"Squelch, {depth.name}, at {', '.join(positions)}: about {in_minutes(each_s)}{total}"
        f" of bench time for a hang of {TYPICAL_HANG_S:g} s{more}. A position that is always"
        " keyed takes some seconds.",
        f"{depth.quiet_s:g} s without a signal at each can show that there are fewer than"
        f" {limit:.3g} false key-ups per hour (95 %), if none comes; a lower limit takes longer.",
    ]
