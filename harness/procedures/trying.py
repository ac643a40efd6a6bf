"""Tries the generator and the meter of a bench: what is set is set, what is read is shown.

Nothing is recorded. RF is on only between the first level and the end, and at the levels asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from harness.devices import GoBack, Waiter
from harness.errors import BadInput
from harness.procedures.runner import NOTHING_BEFORE, Watcher
from harness.procedures.wiring import Instruments

TONE_HZ = 1000.0
READINGS = 3
"""Of the meter. Chosen: enough to see whether it stands still."""


@dataclass(slots=True)
class Tried:
    """What was tried, in order: a title and what came of it."""

    lines: list[tuple[str, str]] = field(default_factory=list)


def try_instruments(
    instruments: Instruments,
    waiter: Waiter,
    watcher: Watcher,
    *,
    frequency_hz: float | None,
    levels_port_dbm: Sequence[float],
    deviation_hz: float,
    hold_s: float,
) -> Tried:
    """Set the generator to each level for a while, modulated, then read the meter.

    Parameters
    ----------
    instruments : open; RF is off afterwards
    waiter : lets time pass
    watcher : is told how it goes
    frequency_hz : of the carrier; needed where there is a generator
    levels_port_dbm : levels at the unit's port, in order
    deviation_hz : of a tone of 1 kHz; 0 is an unmodulated carrier
    hold_s : how long each level stays

    Raises
    ------
    BadInput : there is nothing to try, or the frequency is missing; a level out of range
    HardwareFault : an instrument does not follow
    """
    tried = Tried()
    actions: list[tuple[str, Callable[[], str]]] = []
    generator, meter = instruments.generator, instruments.meter
    if generator is None and meter is None:
        raise BadInput("has neither [generator] nor [meter]", "BENCH", "Add one to the file.")
    if generator is not None:
        if frequency_hz is None:
            raise BadInput("is needed for the generator", "--at", "Write it like 158.425e6.")
        given = generator
        hertz = frequency_hz

        def at_level(level_port_dbm: float) -> str:
            given.set_frequency(hertz)
            given.set_modulation(TONE_HZ, deviation_hz)
            given.set_level(level_port_dbm)
            waiter.wait(hold_s)
            return "set"

        def off() -> str:
            given.rf_off()
            return "off"

        actions += [
            (f"level at the unit {level:.2f} dBm", lambda level=level: at_level(level))  # type: ignore[misc]
            for level in levels_port_dbm
        ]
        actions.append(("RF", off))
    if meter is not None:
        shown = meter

        def read() -> str:
            supply = shown.read_supply()
            current = "" if math.isnan(supply.current_a) else f", {supply.current_a:.4g} A"
            return f"{supply.voltage_v:.5g} V{current}"

        actions += [(f"supply, reading {number + 1}", read) for number in range(READINGS)]
    try:
        _go_through(actions, tried, watcher)
    finally:
        if generator is not None:
            generator.rf_off()
    return tried


def _go_through(
    actions: Sequence[tuple[str, Callable[[], str]]], tried: Tried, watcher: Watcher
) -> None:
    while len(tried.lines) < len(actions):
        title, action = actions[len(tried.lines)]
        watcher.step(title)
        try:
            answer = action()
        except GoBack:
            if tried.lines:
                tried.lines.pop()
            else:
                watcher.say(NOTHING_BEFORE)
            continue
        tried.lines.append((title, answer))
