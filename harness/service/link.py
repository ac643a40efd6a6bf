"""How far the repeater is heard and how far it hears, and which of both reaches further.

Budget of a way: power + antenna gains - feeder loss - level that the receiver needs, in dB; the
path may lose so much. The level that a receiver needs in service is the one of the bench raised by
the noise that its antenna picks up (``noise``). The repeater needs the level for 12 dB SINAD or the
one that opens its squelch, whichever is higher, and its own transmitter may have cost it some.

The path is the same both ways, so what both budgets have in common (gains, feeder) drops out of the
balance: power of the repeater less that of the handheld, plus the level that the repeater needs
less the level that the handheld needs. Positive: it is heard further than it hears.

A range is a range, never a number: the usual one lies between plane earth with the margin and more,
and plane earth with the margin less the spread; the most is free space without any margin, up to
the radio horizon. Terrain, woods, houses and bodies are only in margin and spread, which are
chosen.

References
----------
``path_loss`` and ``noise``; a budget is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from harness.service.path_loss import common_horizon_m, free_space_range_m, usual_range_m

Way = Literal["talk-out", "talk-in"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """One end of the path.

    Parameters
    ----------
    power_dbm : at the antenna port; None where not known
    needed_dbm : level that its receiver needs at the port, on a generator; None where not known
    noise_raises_db : by how much external noise raises it; 0 where that is not known
    gain_dbi : of the antenna
    loss_db : between port and antenna
    height_m : of the antenna above the ground
    power_uncertainty_db, needed_uncertainty_db : expanded, k = 2
    """

    power_dbm: float | None
    needed_dbm: float | None
    noise_raises_db: float
    gain_dbi: float
    loss_db: float
    height_m: float
    power_uncertainty_db: float = 0.0
    needed_uncertainty_db: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """What lies between; ``margin_db`` and ``spread_db`` are 0 or more."""

    margin_db: float
    spread_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """One way of the path.

    Parameters
    ----------
    way : "talk-out" from repeater to handheld, "talk-in" the other way
    frequency_hz : of that way
    budget_db : what the path may lose, with U (k = 2)
    usual_m : shortest, middle, longest of the usual range
    most_m : free space, at most to the horizon
    horizon_m : of both antennas together
    missing : what is not known; nothing else is given then
    """

    way: Way
    frequency_hz: float
    budget_db: float | None = None
    expanded_uncertainty_db: float | None = None
    usual_m: tuple[float, float, float] | None = None
    most_m: float | None = None
    horizon_m: float | None = None
    missing: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Talk-out less talk-in in dB; positive: heard further than it hears."""

    value_db: float
    expanded_uncertainty_db: float

    @property
    def longer(self) -> Way | None:
        """Which way reaches further; None where U explains the difference."""
        if abs(self.value_db) <= self.expanded_uncertainty_db:
            return None
        return "talk-out" if self.value_db > 0.0 else "talk-in"


def reach(way: Way, frequency_hz: float, sender: Station, hearer: Station, path: Path) -> Reach:
    """Give how far one way reaches.

    Parameters
    ----------
    way, frequency_hz : which
    sender, hearer : its power and the level that it needs count
    path : margin and spread
    """
    if sender.power_dbm is None or hearer.needed_dbm is None:
        missing = "transmitter power" if sender.power_dbm is None else "sensitivity"
        return Reach(way=way, frequency_hz=frequency_hz, missing=missing)
    budget_db = (
        sender.power_dbm
        + sender.gain_dbi
        + hearer.gain_dbi
        - sender.loss_db
        - hearer.loss_db
        - hearer.needed_dbm
        - hearer.noise_raises_db
    )
    spread_db = math.hypot(
        path.spread_db, sender.power_uncertainty_db, hearer.needed_uncertainty_db
    )
    heights_m = (sender.height_m, hearer.height_m)
    horizon_m = common_horizon_m(*heights_m)
    usual_m = [
        min(usual_range_m(budget_db - path.margin_db + by_db, frequency_hz, *heights_m), horizon_m)
        for by_db in (-spread_db, 0.0, spread_db)
    ]
    return Reach(
        way=way,
        frequency_hz=frequency_hz,
        budget_db=budget_db,
        expanded_uncertainty_db=math.hypot(
            sender.power_uncertainty_db, hearer.needed_uncertainty_db
        ),
        usual_m=(usual_m[0], usual_m[1], usual_m[2]),
        most_m=min(free_space_range_m(budget_db, frequency_hz), horizon_m),
        horizon_m=horizon_m,
    )


def balance(talk_out: Reach, talk_in: Reach) -> Balance | None:
    """Give talk-out less talk-in; None where one of them is missing.

    The two budgets rest on different readings (power, sensitivity), so that U is that of both.
    """
    out_db, in_db = talk_out.budget_db, talk_in.budget_db
    out_u, in_u = talk_out.expanded_uncertainty_db, talk_in.expanded_uncertainty_db
    if out_db is None or in_db is None or out_u is None or in_u is None:
        return None
    return Balance(value_db=out_db - in_db, expanded_uncertainty_db=math.hypot(out_u, in_u))
