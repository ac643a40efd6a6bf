"""What a pad before the receiver tells: a signal, the receiver's own, or made in the receiver.

With x dB more loss before the receiver a signal falls by x dB. A product of order n of signals
that meet in something not quite linear, behind the pad, falls by n x: second order by 2 x, third
by 3 x (the theory of the intercept point; common practice, no source. ITU-R SM.1134 reckons with
such products in land mobile receivers; title from memory). What the receiver makes by itself, a
spur, a harmonic of its clock, its DC spike, does not move at all. A product that is made before
the pad, in the unit or in a rusty fence, falls by x like any signal: the pad does not tell it.

Emissions are told from the noise in the look without the pad, and what is left within the same
edges is taken in the look with it. Repeatability comes from the scatter of groups of looks, each
group a spectrum of its own; the pad's own uncertainty counts n times.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from harness.errors import BadInput
from harness.measure.emission import DB_PER_SHARE
from harness.measure.health import GAP_SHARE, HealthWatch
from harness.measure.health_lines import Lines
from harness.uncertainty import Contribution, combine, scaled
from harness.units import FloatArray, db_from_ratio

Origin = Literal[
    "signal",
    "receiver's own",
    "second order",
    "third order",
    "second order or higher",
    "higher order",
    "undecided",
]

ORDERS: tuple[tuple[int, Origin], ...] = (
    (1, "signal"),
    (0, "receiver's own"),
    (2, "second order"),
    (3, "third order"),
)
PAD_UNCERTAINTY_DB = 0.1
"""Standard uncertainty of a fixed pad, where nobody tells it. Common practice, no source."""
REPEAT_DB = 0.1
"""Standard uncertainty of taking a plug off and on, and of a rounding converter. Chosen."""
LEAST_PAD_DB = 2.0
"""Less does not tell the orders apart. Chosen."""
MOST_EMISSIONS = 40
"""The strongest are told of. Chosen."""
SURE_SHARE = 0.3
"""A level that is less sure than so, as a share of its power, is a bound. Chosen: 1.3 dB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """An emission, and how a pad moved it.

    Parameters
    ----------
    frequency_hz : of its middle, radio frequency
    level_dbfs : without the pad
    moved_db : down, positive; where it was lost in the noise, at least so much
    expanded_uncertainty_db : U of ``moved_db``; None of a bound
    coverage_factor : of U
    origin : what that says
    is_centre : at the receiver's own centre
    """

    frequency_hz: float
    level_dbfs: float
    moved_db: float
    is_bound: bool
    expanded_uncertainty_db: float | None
    coverage_factor: float
    origin: Origin
    is_centre: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PadTest:
    """All emissions that stand above the noise without the pad, the strongest first."""

    name: str
    pad_db: float
    moved: tuple[Moved, ...]

    @property
    def cautions(self) -> tuple[str, ...]:
        """Say what the answer rests on where that is shaky."""
        if not self.moved:
            return ("Nothing stands above the noise: the pad has nothing to move.",)
        if not any(each.origin == "signal" for each in self.moved):
            return (
                "Nothing moved by as much as the pad: was it put in, and is it what it says? Or"
                " did the signals change meanwhile?",
            )
        return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Level:
    """Power of an emission above the noise, and its standard uncertainty from the groups."""

    power: float
    uncertainty: float
    freedom: float

    @property
    def share(self) -> float:
        """Uncertainty to power; infinite where there is none."""
        return self.uncertainty / self.power if self.power > 0.0 else math.inf


def require_pad(pad_db: float, uncertainty_db: float) -> None:
    """Refuse a pad that tells nothing.

    Raises
    ------
    BadInput : it is too small, or its uncertainty is none.
    """
    if not LEAST_PAD_DB <= pad_db < math.inf:
        raise BadInput(f"{pad_db:g} dB is no pad for this", "--pad", "Use 3 dB or more.")
    if not 0.0 <= uncertainty_db < math.inf:
        raise BadInput(
            f"{uncertainty_db:g} dB is no uncertainty", "--pad-uncertainty", "Give 0 or more."
        )


def pad_test(
    without: HealthWatch,
    with_pad: HealthWatch,
    pad_db: float,
    pad_uncertainty_db: float = PAD_UNCERTAINTY_DB,
) -> PadTest:
    """Hold two looks against each other, the second with a pad more before the receiver.

    Parameters
    ----------
    without, with_pad : finished, of the same rate and centre
    pad_db : loss of the pad
    pad_uncertainty_db : its standard uncertainty

    Raises
    ------
    BadInput : the pad is too small, or the looks do not go together, or hold too little.
    """
    require_pad(pad_db, pad_uncertainty_db)
    first, second = without.lines, with_pad.lines
    if (
        first.length != second.length
        or without.watched.sample_rate_hz != with_pad.watched.sample_rate_hz
        or without.watched.centre_hz != with_pad.watched.centre_hz
    ):
        raise BadInput(
            "is of another rate or frequency than the look without the pad",
            with_pad.watched.name,
            "Change nothing but the pad between both.",
        )
    for watch in (without, with_pad):
        if len(watch.lines.groups()) < 3:
            raise BadInput(
                "is too short to tell how its levels scatter",
                watch.watched.name,
                "Look for a second or longer.",
            )
    centre_hz = without.watched.centre_hz
    moved = [
        _moved(first, second, edges, centre_hz, pad_db, pad_uncertainty_db)
        for edges in first.emissions(GAP_SHARE * without.watched.spacing_hz, with_centre=True)
    ]
    moved.sort(key=lambda each: -each.level_dbfs)
    return PadTest(name=without.watched.name, pad_db=pad_db, moved=tuple(moved[:MOST_EMISSIONS]))


def _moved(
    first: Lines,
    second: Lines,
    edges: tuple[float, float],
    centre_hz: float,
    pad_db: float,
    pad_uncertainty_db: float,
) -> Moved:
    before, after = _level(first, edges), _level(second, edges)
    is_bound = after.share > SURE_SHARE
    # Two of its own uncertainty above what is left, where noise hides that.
    left = max(after.power, 0.0) + 2.0 * after.uncertainty if is_bound else after.power
    moved_db = float(db_from_ratio(before.power / max(left, 1e-30)))
    parts = [
        Contribution(
            name=f"{which}.repeatability",
            standard_uncertainty=DB_PER_SHARE * min(level.share, 1.0),
            kind="A",
            degrees_of_freedom=level.freedom,
            source="scatter between groups of looks",
        )
        for which, level in (("without", before), ("with", after))
    ]
    parts.append(
        Contribution(name="plug", standard_uncertainty=REPEAT_DB, source="chosen, see pad_test.py")
    )
    pad = Contribution(name="pad", standard_uncertainty=pad_uncertainty_db, source="declared")
    own = combine(parts)
    low_hz, high_hz = edges
    inside = first.between(edges)
    middle_hz = float(np.average(first.frequency_hz[inside], weights=first.power()[inside]))
    return Moved(
        frequency_hz=centre_hz + middle_hz,
        level_dbfs=float(db_from_ratio(before.power)),
        moved_db=moved_db,
        is_bound=is_bound,
        expanded_uncertainty_db=None if is_bound else own.expanded_uncertainty,
        coverage_factor=own.coverage_factor,
        origin=_origin(moved_db, is_bound, parts, pad, pad_db),
        is_centre=low_hz <= 0.0 <= high_hz,
    )


def _origin(
    moved_db: float,
    is_bound: bool,
    parts: Sequence[Contribution],
    pad: Contribution,
    pad_db: float,
) -> Origin:
    """Name the only order that goes with how far something moved.

    Notes
    -----
    With a bound go all orders that would have moved it as far or further: that it moved further
    than a signal is then all that can be said.
    """
    fits: list[Origin] = []
    highest_db = 0.0
    for order, origin in ORDERS:
        allowed_db = combine([*parts, *scaled([pad], float(order))]).expanded_uncertainty
        highest_db = max(highest_db, order * pad_db + allowed_db)
        over_db = moved_db - order * pad_db
        if (over_db if is_bound else abs(over_db)) <= allowed_db:
            fits.append(origin)
    if not fits and moved_db > highest_db:
        return "higher order"
    if is_bound:
        return "undecided" if "signal" in fits else "second order or higher"
    return fits[0] if len(fits) == 1 else "undecided"


def _level(lines: Lines, edges: tuple[float, float]) -> _Level:
    """Power between two edges above the noise, and how sure it is by the groups' scatter."""
    # A line of the window's skirt on each side: a carrier may have moved by that much.
    low_hz, high_hz = edges[0] - 2.0 * lines.line_hz, edges[1] + 2.0 * lines.line_hz
    width = (high_hz - low_hz) / lines.resolution_hz

    def above(mean: FloatArray, count: int) -> float:
        return lines.band(mean, low_hz, high_hz) - lines.noise(mean, count) * width

    powers = np.array([above(mean, count) for count, mean in lines.groups()])
    return _Level(
        power=above(lines.power(), lines.count),
        uncertainty=float(powers.std(ddof=1) / math.sqrt(len(powers))),
        freedom=float(len(powers) - 1),
    )
