"""What a run holds of each position of the squelch knob, from loose to tight.

The order is that of the unit file (``knob_positions``), which the results file holds; the text on
the knob tells nothing of it ("12:00" sorts before "9:00"). A position that the unit file does not
name, and a run that names none, have no place in it and come last.

Which reading counts where a run holds several of one name at one position:

==================  ============================================================================
case                what counts
==================  ============================================================================
other conditions    a reading of the squelch that holds under more than the knob's position (a
                    fading or off-frequency input, say) does not enter
several states      the worst of them
several times of    added up, key-ups and time, as far as they come from different recordings;
watching            of the same recordings the longest
anything else       the one with the fewest conditions, of these that with the most sweeps or
                    keyings, of these the last
==================  ============================================================================
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from harness.advice.quiet import HOUR_S, Quiet
from harness.readings import Reading
from harness.results import Run
from harness.uncertainty import garwood_interval

STATES = ("normal", "never keyed", "chatters", "always keyed")
"""From best to worst."""
OF_THE_SQUELCH = (
    "keying_state",
    "squelch_opening",
    "squelch_closing",
    "squelch_hysteresis",
    "squelch_spread",
    "false_keying_rate",
)
BESIDE_IT = ("sinad_at_opening", "attack_time", "hang_time", "squelch_tail")
_PLAIN = frozenset(("knob", "watched_s"))
_SAME = 1e-6
"""By how much a rate and its interval may differ in the time that they stand for. Chosen: far
above rounding, far below a second in a night."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """One position of the knob: its readings by name, and the quiet time that was watched.

    ``knob`` is None where the recordings name no position. ``is_placed`` tells whether the unit
    file says where it stands between loose and tight. ``elsewhere`` are the conditions of
    readings that do not enter.
    """

    knob: str | None
    is_placed: bool
    readings: Mapping[str, Reading]
    quiet: Quiet | None
    elsewhere: tuple[str, ...] = ()

    @property
    def state(self) -> str | None:
        """The keying state, where it was measured."""
        held = self.readings.get("keying_state")
        return held.value if held is not None and isinstance(held.value, str) else None

    def reading(self, name: str) -> Reading | None:
        """Give a reading that is a number, or None."""
        held = self.readings.get(name)
        return held if held is not None and isinstance(held.value, int | float) else None

    @property
    def is_measured(self) -> bool:
        """Whether anything at all was measured here."""
        return any(reading.value is not None for reading in self.readings.values())


def positions_of(run: Run) -> tuple[Position, ...]:
    """Give the positions that the unit file or a reading of the squelch names, loose to tight."""
    named = run.unit.get("knob_positions")
    placed = [str(knob) for knob in named] if isinstance(named, list | tuple) else []
    of_knob: dict[str | None, list[Reading]] = {knob: [] for knob in placed}
    for findings in run.findings:
        for reading in findings.readings:
            knob = reading.conditions.get("knob")
            if reading.name in OF_THE_SQUELCH:
                of_knob.setdefault(None if knob is None else str(knob), []).append(reading)
            elif reading.name in BESIDE_IT and knob is not None:
                of_knob.setdefault(str(knob), []).append(reading)
    return tuple(_position(knob, knob in placed, held) for knob, held in of_knob.items())


def sensitivity_of(run: Run) -> Reading | None:
    """Give the 12 dB SINAD sensitivity: flat and with the transmitter off if there is a choice."""
    held = [
        reading
        for findings in run.findings
        for reading in findings.readings
        if reading.name == "sensitivity_12db_sinad" and isinstance(reading.value, int | float)
    ]

    def rank(reading: Reading) -> tuple[bool, bool, bool]:
        conditions = reading.conditions
        return (
            reading.bound is not None,
            conditions.get("transmitter", "off") != "off",
            conditions.get("weighting", "flat") != "flat",
        )

    return min(held, key=rank, default=None)


def _position(knob: str | None, is_placed: bool, held: Sequence[Reading]) -> Position:
    plain = [r for r in held if r.name not in OF_THE_SQUELCH or not _others(r)]
    named: dict[str, list[Reading]] = {}
    for reading in plain:
        named.setdefault(reading.name, []).append(reading)
    readings = {name: _one_of(name, several) for name, several in named.items()}
    elsewhere = dict.fromkeys(key for r in held if r.name in OF_THE_SQUELCH for key in _others(r))
    return Position(
        knob=knob,
        is_placed=is_placed,
        readings=readings,
        quiet=_together(named.get("false_keying_rate", ())),
        elsewhere=tuple(elsewhere),
    )


def _others(reading: Reading) -> list[str]:
    return [key for key in reading.conditions if key not in _PLAIN]


def _one_of(name: str, several: Sequence[Reading]) -> Reading:
    told = [reading for reading in several if reading.value is not None] or several
    if name == "keying_state":
        return max(told, key=lambda r: STATES.index(r.value) if r.value in STATES else -1)
    fewest = min(len(reading.conditions) for reading in told)
    kept = [reading for reading in told if len(reading.conditions) == fewest]
    most = max(reading.count for reading in kept)
    return next(reading for reading in reversed(kept) if reading.count == most)


def _together(rates: Iterable[Reading]) -> Quiet | None:
    """Add up what was watched in different recordings."""
    watched = [(quiet, rate) for rate in rates if (quiet := quiet_of(rate)) is not None]
    watched.sort(key=lambda pair: -pair[0].watched_s)
    seen: set[str] = set()
    key_ups, watched_s = 0, 0.0
    for quiet, rate in watched:
        names = set(rate.recordings)
        if watched_s and (not names or names & seen):
            continue
        seen |= names
        key_ups += quiet.key_ups
        watched_s += quiet.watched_s
    return Quiet(key_ups=key_ups, watched_s=watched_s) if watched_s else None


def quiet_of(rate: Reading) -> Quiet | None:
    """Give key-ups and time behind a false keying rate; None where it does not tell them.

    Notes
    -----
    The count and the upper end of its 95 % interval (Garwood, as ``false_keying_rate`` is
    measured) give the time exactly; what the reading says besides has to agree with it.
    """
    value, interval = rate.value, rate.interval
    if not isinstance(value, int | float) or interval is None or rate.bound is not None:
        return None
    if rate.count < 0 or not 0.0 < interval[1] < math.inf:
        return None
    lower, upper = garwood_interval(rate.count)
    hours = upper / interval[1]
    agree = (
        math.isclose(told * hours, counted, rel_tol=_SAME, abs_tol=_SAME)
        for told, counted in ((value, rate.count), (interval[0], lower))
    )
    return Quiet(key_ups=rate.count, watched_s=hours * HOUR_S) if all(agree) else None
