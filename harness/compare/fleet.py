"""A fleet: where each unit stands among the others, and which stands out.

The middle is the median, the scale the median of the distances from it (MAD), as a standard
deviation: 1.4826 MAD times a factor that takes away what a small number makes it too small
(Croux and Rousseeuw 1992; from memory, and held to a simulation in the tests). The distance in
that scale is the modified z-score 0.6745 (x - median) / MAD of Iglewicz and Hoaglin 1993 (from
memory), who take what lies beyond 3.5 for an outlier. Neither is moved by a few units that are
far off.

Two things keep what is only measured badly from standing out; both chosen. The scale is never
less than the median of the units' own standard uncertainties: where they are closer together than
can be measured, their differences are noise. And a unit stands out only if it lies further from
the median than its own U. A calibration that all share drops out: it moves the whole fleet alike.

Of healthy units, normally distributed, about one quantity in ten shows one that stands out in a
fleet of six to thirty; with five it is one in seven, with three one in five (simulated, see the
tests). Fewer than six are therefore ranked, and none is said to stand out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from harness.compare.direction import badness
from harness.compare.gather import (
    LeftOut,
    Named,
    Quantity,
    Value,
    gather,
    remarks_on,
    require_comparable,
    unit_of,
    values_of,
)
from harness.compare.runs import uncertainty_of_difference
from harness.errors import BadInput

LEAST_FLEET = 6
"""Units below which none is said to stand out; chosen, see above."""
OUTLIER_SCORE = 3.5
MAD_TO_STANDARD = 1.4826
"""1 / 0.6745, the upper quartile of a standard normal."""
_SMALL = {2: 1.196, 3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}

HANGS_ON: dict[str, tuple[str, ...]] = {
    # What units must be alike in for a reading to be set against another unit's. Chosen.
    "carrier_power": ("rated_power_w",),
    **dict.fromkeys(
        (
            "deviation_peak_positive",
            "deviation_peak_negative",
            "deviation_peak",
            "deviation_limiting",
            "deviation_tone",
            "hum_and_noise",
        ),
        ("rated_deviation_hz",),
    ),
    **dict.fromkeys(
        ("occupied_bandwidth", "adjacent_channel_power", "acceptance_bandwidth"),
        ("channel_spacing_hz",),
    ),
    **dict.fromkeys(
        ("run_time", "energy_delivered", "charge_delivered", "time_to_minus_1db"), ("battery",)
    ),
    "time_to_minus_3db": ("battery",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """One unit's place in one quantity.

    Parameters
    ----------
    place : of its run among the runs
    value, expanded_uncertainty : its own, without what all share
    distance : from the median, in the quantity's unit
    score : distance in robust standard deviations; None where there is no scale
    rank : from 1, the best; where neither way is better, the highest
    ranks : the least and the greatest rank that the uncertainties allow
    stands_out : None where the fleet is too small to tell
    """

    place: int
    value: float
    expanded_uncertainty: float
    distance: float
    score: float | None
    rank: int
    ranks: tuple[int, int]
    stands_out: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetLine:
    """One quantity of the fleet.

    Parameters
    ----------
    units : best first
    middle, scale : median and robust standard deviation, in the quantity's unit
    has_direction : whether the first rank is the best, or only the highest
    states : word and places of the runs, where it is a state
    without : place and why, of units that have no number
    note : a plain sentence, or nothing
    """

    quantity: Quantity
    units: tuple[Placed, ...] = ()
    middle: float | None = None
    scale: float | None = None
    has_direction: bool = False
    states: tuple[tuple[str, tuple[int, ...]], ...] = ()
    without: tuple[tuple[int, str], ...] = ()
    shared: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """Several units, one run of each."""

    names: tuple[str, ...]
    lines: tuple[FleetLine, ...]
    left_out: tuple[LeftOut, ...]
    remarks: tuple[str, ...]


def compare_fleet(runs: Sequence[Named]) -> Fleet:
    """Place the units of a fleet, one run of each.

    Raises
    ------
    BadInput : two runs are of one unit, or some are simulated and some are not.
    """
    require_comparable(runs)
    units = [unit_of(named.run) for named in runs]
    for number, unit in enumerate(units):
        if unit in units[:number]:
            raise BadInput(
                f"two runs are of {unit[0] or 'a unit without a name'}",
                runs[number].name,
                "Give one run of each unit.",
            )
    gathered = gather(runs)
    lines = []
    left_out = list(gathered.left_out)
    for quantity in gathered.quantities:
        apart = _unlike(quantity, runs)
        if apart:
            names = tuple(runs[place].name for place in sorted(quantity.readings))
            left_out.append(
                LeftOut(
                    kind=quantity.kind,
                    name=quantity.name,
                    count=len(names),
                    runs=names,
                    reason=f"the units are not rated alike ({apart})",
                )
            )
        elif any(reading.value is not None for reading in quantity.readings.values()):
            lines.append(_line(quantity, runs))
    return Fleet(
        names=tuple(named.name for named in runs),
        lines=tuple(lines),
        left_out=tuple(left_out),
        remarks=remarks_on(runs),
    )


def _unlike(quantity: Quantity, runs: Sequence[Named]) -> str:
    """Give the key of the unit files in which the units of a quantity are not alike, or nothing."""
    for key in HANGS_ON.get(quantity.name, ()):
        first, *others = [runs[place].run.unit.get(key) for place in quantity.readings]
        if any(other != first for other in others):
            return key
    return ""


def _line(quantity: Quantity, runs: Sequence[Named]) -> FleetLine:
    if any(isinstance(reading.value, str) for reading in quantity.readings.values()):
        return _of_states(quantity)
    values = values_of(quantity, runs)
    held = values.held
    if len(held) < 2:
        note = "Fewer than two units have a number."
        return FleetLine(quantity=quantity, without=values.without, note=note)
    middle, scale = median(one.value for one in held), scale_of(held)
    note = f"Of {len(held)} units it cannot be told whether one stands out; it takes {LEAST_FLEET}."
    return FleetLine(
        quantity=quantity,
        units=_placed(held, middle, scale, quantity, runs),
        middle=middle,
        scale=scale,
        has_direction=badness(quantity.name, middle) is not None,
        without=values.without,
        shared=values.shared,
        note=note if len(held) < LEAST_FLEET else "",
    )


def _of_states(quantity: Quantity) -> FleetLine:
    by_word: dict[str, list[int]] = {}
    for place, reading in sorted(quantity.readings.items()):
        by_word.setdefault(str(reading.value or "not measured"), []).append(place)
    common = sorted(by_word.items(), key=lambda held: (-len(held[1]), held[0]))
    return FleetLine(
        quantity=quantity, states=tuple((word, tuple(places)) for word, places in common)
    )


def scale_of(values: Sequence[Value]) -> float:
    """Give the robust standard deviation, at least what the measuring itself scatters.

    Parameters
    ----------
    values : two or more
    """
    n = len(values)
    middle = median(one.value for one in values)
    mad = median(abs(one.value - middle) for one in values)
    factor = _SMALL.get(n, n / (n - 0.8))
    return max(factor * MAD_TO_STANDARD * mad, median(one.standard_uncertainty for one in values))


def _placed(
    values: Sequence[Value],
    middle: float,
    scale: float,
    quantity: Quantity,
    runs: Sequence[Named],
) -> tuple[Placed, ...]:
    def order(one: Value) -> float:
        bad = badness(quantity.name, one.value)
        return -one.value if bad is None else bad

    ranked = sorted(values, key=lambda one: (order(one), one.place))
    ahead, behind = _surely(ranked, quantity, runs)
    placed = []
    for number, one in enumerate(ranked):
        distance = one.value - middle
        score = distance / scale if scale > 0.0 else None
        placed.append(
            Placed(
                place=one.place,
                value=one.value,
                expanded_uncertainty=one.expanded_uncertainty,
                distance=distance,
                score=score,
                rank=1 + sum(order(other) < order(one) for other in ranked),
                ranks=(1 + ahead[number], len(ranked) - behind[number]),
                stands_out=(
                    None
                    if len(ranked) < LEAST_FLEET
                    else score is not None
                    and abs(score) > OUTLIER_SCORE
                    and abs(distance) > one.expanded_uncertainty
                ),
            )
        )
    return tuple(placed)


def _surely(
    ranked: Sequence[Value], quantity: Quantity, runs: Sequence[Named]
) -> tuple[list[int], list[int]]:
    """Count for each how many stand before and behind it by more than the uncertainties explain."""
    ahead, behind = [0] * len(ranked), [0] * len(ranked)
    for second in range(len(ranked)):
        for first in range(second):
            a, b = ranked[first], ranked[second]
            benches = {runs[one.place].run.bench.get("name") for one in (a, b)}
            total, _ = uncertainty_of_difference(
                quantity.readings[a.place],
                quantity.readings[b.place],
                runs[a.place].name,
                runs[b.place].name,
                str(benches.pop() or "") if len(benches) == 1 else "",
            )
            if abs(a.value - b.value) > total.expanded_uncertainty:
                ahead[second] += 1
                behind[first] += 1
    return ahead, behind
