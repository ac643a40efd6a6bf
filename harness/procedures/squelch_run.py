"""A whole run of the squelch on a bench: what is said beforehand, the journal, the results file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from harness.advice.quiet import Quiet
from harness.describe import Bench, Unit
from harness.devices import Operator
from harness.errors import BadInput
from harness.procedures.accept import Performed, journal_for, perform
from harness.procedures.runner import Watcher
from harness.procedures.squelch import only_watch, squelch
from harness.procedures.squelch_depths import MOST_IN_TAKE_S, PIECE_S, Depth
from harness.procedures.squelch_programmes import in_time
from harness.procedures.squelch_time import (
    BY_HAND_S,
    TYPICAL_HANG_S,
    expected,
    is_by_hand,
    position_s,
    sensitivity_s,
    setting_s,
)


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
    only_quiet: bool = False,
    resume: bool = False,
    go_on_with: str = "",
) -> Performed:
    """Characterise the squelch at some positions, and write the results file.

    Parameters
    ----------
    unit, bench, folder, watcher, operator, resume, go_on_with : as for ``accept``
    depth : how much is done at each position
    positions : from loose to tight
    only_quiet : watch for key-ups without a signal, and do nothing else

    Raises
    ------
    Unsafe, BadInput, HardwareFault : as ``accept``; a stuck transmitter is the last of these.
    """
    settings = {
        "unit": unit.plain(),
        "bench": bench.plain(),
        "squelch": asdict(depth),
        "positions": list(positions),
        "only_quiet": only_quiet,
    }
    journal = journal_for(folder, settings, resume=resume)
    loosest = unit.knob_positions[0]
    for line in beforehand(bench, depth, positions, loosest, only_quiet=only_quiet):
        watcher.say(line)
    return perform(
        unit,
        bench,
        folder,
        watcher,
        only_watch(positions, depth.quiet_s)
        if only_quiet
        else squelch(unit, positions, depth, setting_s(bench)),
        title=f"Squelch of {unit.name}",
        name="squelch, quiet watch" if only_quiet else f"squelch, {depth.name}",
        operator=operator,
        is_whole=False,
        journal=journal,
        go_on_with=go_on_with,
    )


def beforehand(
    bench: Bench,
    depth: Depth,
    positions: Sequence[str],
    loosest: str,
    *,
    only_quiet: bool = False,
) -> list[str]:
    """Say what is going to be done, how long it takes, and what it can show.

    ``loosest`` is the unit's loosest position, where its sensitivity is measured as well.
    """
    limit = Quiet(key_ups=0, watched_s=depth.quiet_s).upper_per_h
    shown = (
        f"{in_time(depth.quiet_s)} without a signal at each can show at best that there are"
        f" fewer than {limit:.3g} false key-ups per hour (95 %), if none comes. A lower limit"
        " takes longer."
    )
    pieces = (
        f"It is watched in pieces of {PIECE_S:.0f} s; samples are kept of those in which it keyed."
    )
    many = len(positions)
    where = f"at {', '.join(positions)}"
    if only_quiet:
        total = f"{in_time(many * depth.quiet_s)} in all" if many > 1 else in_time(depth.quiet_s)
        return [f"Squelch {where}: watched without a signal, {total}.", shown, pieces]
    each_s = position_s(bench, depth)
    more = ""
    if is_by_hand(bench):
        settings = expected(depth).settings
        more = f", {settings:.0f} settings by hand at each counted at {BY_HAND_S:.0f} s"
    more_s = sensitivity_s(setting_s(bench)) if loosest in positions else 0.0
    total = f" each, {in_time(many * each_s + more_s)} in all" if many > 1 else ""
    lines = [
        f"Squelch, {depth.name}, {where}: about {in_time(each_s)}{total} of bench time for a hang"
        f" of {TYPICAL_HANG_S:g} s{more}. A position that is always keyed takes some seconds.",
        shown,
    ]
    if more_s:
        lines.append(
            f"At {loosest} the level for 12 dB SINAD is measured as well, {in_time(more_s)}."
        )
    return [*lines, pieces] if depth.quiet_s > MOST_IN_TAKE_S else lines
