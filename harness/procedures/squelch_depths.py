"""How much is done at a position of the squelch knob, quick or full, and its times."""

from __future__ import annotations

from dataclasses import dataclass

from harness.procedures.squelch_programmes import Goal

RISING_DWELL_S = 0.25
"""Longer than a squelch and a key-up usually take. Chosen; a slower unit is given its own time."""
FALLING_MORE_S = 0.25
"""What a squelch is given to close, beside the hang. Chosen."""
ATTACKS_TO_DWELL = 2.0
"""A rising step lasts so many attack times. Chosen: near its opening a squelch is slower."""
SETTLED_S = 1.0
"""After the knob was turned, so that what its turning keys is not seen to begin. Chosen."""
REST_S = 6.0
"""So long the first drop at a position is waited for. Chosen: twice as long as what tells a hang
from an open squelch in the measurement (``OUTLASTS_HANG_S``)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Depth:
    """How much is done at each position.

    Parameters
    ----------
    name : "quick" or "full"
    keyings : for attack, hang and tail
    search_dbm : levels between which the opening is looked for
    quiet_s : without a signal
    sweeps : most of each kind. least : fewest, whatever is seen
    goal : ends the sweeps earlier; None: all are made
    listening_s : at the opening, for SINAD
    """

    name: str
    keyings: int = 4
    search_dbm: tuple[float, float] = (-128.0, -98.0)
    quiet_s: float = 60.0
    sweeps: int = 8
    least: int = 8
    goal: Goal | None = None
    listening_s: float = 4.0


QUICK = Depth(name="quick")
"""Chosen: under three minutes a position for a unit with a hang of one second."""
FULL = Depth(name="full", keyings=10, quiet_s=180.0, sweeps=28, goal=Goal(), listening_s=6.0)
"""Chosen: reaches the goals of DESIGN section 3, and shows a limit of 60 key-ups per hour. The
goals are for 25 sweeps; three more make up for the steps, and for a spread that is not known."""
DEPTHS = {depth.name: depth for depth in (QUICK, FULL)}
WITHIN_DB = 2.0
"""The search ends at two levels so near. Chosen: the sweeps reach further than that."""
MOST_IN_TAKE_S = 300.0
"""More time without a signal is watched in pieces, of which the samples are not kept. Chosen."""
LITTLE_QUIET_S = 1.0
"""Without a signal in the sweeps' take where the watch comes by itself. Chosen."""
PIECE_S = 60.0
"""Length of a piece of a watch. Chosen: 290 MB of a dongle at 2.4 MS/s, and little is lost where
a watch is interrupted."""
