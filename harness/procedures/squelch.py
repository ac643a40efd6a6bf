"""The squelch, position by position of its knob: what each does, in the least bench time.

At each position, in this order, so that each take serves the next:

==========  =================================================================================
take        gives
==========  =================================================================================
keyings     ``always keyed`` and ``never keyed``, told at once; attack, hang, tail
search      where about it opens, which the sweeps begin from
sweeps      key-ups without a signal; opening, closing, hysteresis, spread
listening   SINAD at the opening, as measured
==========  =================================================================================

At the unit's loosest position the level for 12 dB SINAD is measured as well, which the openings are
held against: there the squelch gets least in the way.

The hang is known before falling steps have to outlast it. What is done within a take is in
``squelch_programmes.py``.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass
from typing import Any

from harness.describe import Unit
from harness.procedures.acceptance import SHORT, STANDARD_SHARE, sensitivity_sweep
from harness.procedures.squelch_depths import (
    ATTACKS_TO_DWELL,
    FALLING_MORE_S,
    LITTLE_QUIET_S,
    MOST_IN_TAKE_S,
    PIECE_S,
    REST_S,
    RISING_DWELL_S,
    SETTLED_S,
    WITHIN_DB,
    Depth,
)
from harness.procedures.squelch_programmes import (
    LONGEST_HANG_S,
    Keyings,
    Listening,
    Search,
    Staircase,
    in_time,
    on_grid,
    stuck,
)
from harness.procedures.squelch_time import TYPICAL_HANG_S, expected, sensitivity_s
from harness.procedures.steps import (
    Follow,
    Measure,
    Procedure,
    Say,
    Step,
    TurnKnob,
    Wait,
    Watch,
    Watched,
)
from harness.readings import Findings


def squelch(
    unit: Unit, positions: Sequence[str], depth: Depth, setting_s: float = 0.0
) -> Procedure:
    """Yield the steps of the squelch at some positions of the knob.

    Parameters
    ----------
    unit : description
    positions : from loose to tight
    depth : how much is done at each
    setting_s : what a setting of the generator takes, beside what is recorded
    """
    clock = Clock(depth=depth, setting_s=setting_s)
    loosest = unit.knob_positions[0]
    begun_s: float = yield Wait(seconds=0.0)
    has_dropped = False
    for number, position in enumerate(positions):
        clock.positions_left = len(positions) - number
        clock.more_s = sensitivity_s(setting_s) if position == loosest else 0.0
        has_dropped |= yield from at_position(unit, position, depth, has_dropped, clock)
        if position == loosest:
            yield from sensitivity_sweep(STANDARD_SHARE * unit.rated_deviation_hz, SHORT)
    if not has_dropped:
        yield Say(text=f"It never dropped: {positions[-1]} is still too loose, or it is stuck.")
    ended_s: float = yield Wait(seconds=0.0)
    many = f"{len(positions)} position{'s' if len(positions) > 1 else ''}"
    yield Say(text=f"The squelch at {many} took {in_time(ended_s - begun_s)} of bench time.")


@dataclass(slots=True)
class Clock:
    """How much time is left, from what the hang is known to be so far."""

    depth: Depth
    setting_s: float
    hang_s: float = TYPICAL_HANG_S
    positions_left: int = 1
    more_s: float = 0.0

    @property
    def each_s(self) -> float:
        """Time of a position."""
        return expected(self.depth, round(self.hang_s, 1)).with_settings_s(self.setting_s)

    @property
    def left_s(self) -> float:
        """Time from the beginning of a position to the end of all."""
        return self.positions_left * self.each_s + self.more_s

    @property
    def later_s(self) -> float:
        """Time after the sweeps of a position to the end of all."""
        times = expected(self.depth, round(self.hang_s, 1))
        return self.left_s - self.each_s + times.watch_s + times.listening_s

    @property
    def sweep_s(self) -> float:
        """Time of one sweep up and down."""
        depth, times = self.depth, expected(self.depth, round(self.hang_s, 1))
        quiet_s = LITTLE_QUIET_S if times.watch_s else depth.quiet_s
        return (times.sweeps_s - quiet_s + self.setting_s * times.settings) / depth.sweeps


def watch_quiet(position: str, seconds: float) -> Generator[Step, Any, bool]:
    """Watch a position for key-ups without a signal; give whether the unit was ever unkeyed.

    Raises
    ------
    HardwareFault : the transmitter is stuck.
    """
    name = f"quiet-{position.replace(':', '')}"
    many = max(math.ceil(seconds / PIECE_S), 1)
    piece_s = seconds / many
    has_dropped = noise_keys = False
    for number in range(many):
        left = in_time(seconds - number * piece_s)
        watched: Watched = yield Watch(
            take=f"{name}/{number + 1:05d}",
            title=f"Quiet at {position}, {left} left",
            seconds=piece_s,
            share=number / many,
        )
        if watched.keyed_through:
            if has_dropped and not noise_keys:
                raise stuck(piece_s, position)
            if not has_dropped:
                yield Say(text=f"At {position} it is always keyed: there is nothing to watch.")
                return False
        has_dropped = True
        noise_keys |= watched.key_ups > 0
    return has_dropped


def only_watch(positions: Sequence[str], seconds: float) -> Procedure:
    """Yield the steps of a watch of some positions, and of nothing else."""
    for position in positions:
        yield TurnKnob(position=position)
        yield Wait(seconds=REST_S)
        yield from watch_quiet(position, seconds)


def at_position(
    unit: Unit, position: str, depth: Depth, has_dropped: bool, clock: Clock
) -> Generator[Step, Any, bool]:
    """Yield the steps of one position; give whether the unit dropped there.

    Parameters
    ----------
    has_dropped : whether it dropped at a looser position
    clock : tells how much time is left, and is told the hang
    """
    take = f"squelch-{position.replace(':', '')}"
    deviation_hz = STANDARD_SHARE * unit.rated_deviation_hz
    yield TurnKnob(position=position)
    yield Wait(seconds=SETTLED_S)
    yield Follow(
        take=f"{take}-keyings",
        title=f"Squelch at {position}: attack and hang, about {in_time(clock.left_s)} left",
        programme=Keyings(
            knob=position,
            count=depth.keyings,
            deviation_hz=deviation_hz,
            rest_s=REST_S,
            has_dropped=has_dropped,
        ),
    )
    keyed: Findings = yield Measure(kind="squelch", take=f"{take}-keyings", keep=False)
    state = keyed.value("keying_state")
    if state in ("always keyed", "never keyed"):
        yield Measure(kind="squelch", take=f"{take}-keyings")
        yield Say(text=f"At {position} it is {state}: there is nothing to sweep through.")
        return has_dropped or state == "never keyed"
    timing: Findings = yield Measure(kind="timing", take=f"{take}-keyings")
    hang_s, attack_s = timing.value("hang_time"), timing.value("attack_time")
    if not isinstance(hang_s, float):
        yield Measure(kind="squelch", take=f"{take}-keyings")
        yield Say(
            text=f"At {position} it is still keyed {LONGEST_HANG_S:.0f} s after a signal: once"
            " open, noise keeps it open. There is nothing to sweep through."
        )
        return has_dropped
    clock.hang_s = hang_s
    rising_s = RISING_DWELL_S
    if isinstance(attack_s, float):
        rising_s = max(rising_s, round(ATTACKS_TO_DWELL * attack_s + 0.05, 2))
    opening_dbm = yield from _search(position, take, depth, rising_s)
    if opening_dbm is None:
        return True
    yield Follow(
        take=take,
        title=f"Squelch at {position}: up and down",
        programme=Staircase(
            knob=position,
            opening_dbm=opening_dbm,
            quiet_s=depth.quiet_s if depth.quiet_s <= MOST_IN_TAKE_S else LITTLE_QUIET_S,
            sweeps=depth.sweeps,
            least=depth.least,
            goal=depth.goal,
            rising_dwell_s=rising_s,
            falling_dwell_s=round(hang_s + FALLING_MORE_S, 3),
            sweep_s=round(clock.sweep_s, 1),
            later_s=round(clock.later_s, 1),
        ),
    )
    swept: Findings = yield Measure(kind="squelch", take=take)
    if depth.quiet_s > MOST_IN_TAKE_S:
        yield from watch_quiet(position, depth.quiet_s)
    opening = swept.reading("squelch_opening")
    if opening is None or not isinstance(opening.value, float) or opening.bound is not None:
        yield Say(text=f"At {position} the opening is not known; SINAD there is left out.")
        return True
    yield from _listen(position, take, opening.value, deviation_hz, depth.listening_s)
    return True


def _search(
    position: str, take: str, depth: Depth, dwell_s: float
) -> Generator[Step, Any, float | None]:
    """Find about where the unit opens; None where it does not within the levels."""
    low, high = depth.search_dbm
    yield Follow(
        take=f"{take}-search",
        title=f"Squelch at {position}: looking for the region",
        programme=Search(
            knob=position, low_dbm=low, high_dbm=high, within_db=WITHIN_DB, dwell_s=dwell_s
        ),
    )
    found: Findings = yield Measure(kind="squelch", take=f"{take}-search", keep=False)
    opening = found.reading("squelch_opening")
    if opening is None or not isinstance(opening.value, float) or opening.bound is not None:
        yield Measure(kind="squelch", take=f"{take}-search")
        yield Say(
            text=f"At {position} it does not open between {low:g} and {high:g} dBm, or opens at"
            " both; give other levels to search."
        )
        return None
    return on_grid(opening.value)


def _listen(
    position: str, take: str, opening_dbm: float, deviation_hz: float, seconds: float
) -> Procedure:
    """Take standard test modulation at the opening."""
    yield Follow(
        take=f"{take}-listening",
        title=f"Squelch at {position}: SINAD at the opening",
        programme=Listening(
            knob=position,
            level_dbm=on_grid(opening_dbm),
            deviation_hz=deviation_hz,
            seconds=seconds,
        ),
    )
    yield Measure(kind="audio", take=f"{take}-listening")
