"""What is likely wrong with a unit, or with the bench, from the readings of one results file.

Readings point to causes the way they do at a bench: not one by one, but by what goes with what. A
hint is no verdict. It is given only where the whole of U lies beyond the threshold, names the
readings that it rests on, and says what to look at next; the words are in ``report/hints.py``.

==========================  ======================================================================
pattern                     cause
==========================  ======================================================================
deaf, and worse keyed       ``desensitised``: the transmitter's noise or carrier reaches the
                            receiver; the duplexer, or what lies between both
worse keyed, not deaf       ``isolation low``: the same, within what the limit allows
deaf, not worse keyed       ``deaf``: the receive path or the receiver's front end
deaf and low in power       ``common path``: what both ways share; not where it is worse keyed
low in power, current       ``loss after the amplifier``: the current is drawn, and the power does
usual                       not arrive
low in power and current    ``amplifier weak``: drive, supply of the final stage, or its device
low in power                ``power low``: the current was not read, and would tell which
frequency off               ``transmit crystal``; ``both crystals`` where the receiver is off by
                            as much the same way: one reference, or the bench's own clock
receiver's centre off       ``receive crystal``
opens far below 12 dB       ``squelch loose``: so does one that is always keyed or falses at the
                            position that it is used at
opens far above 12 dB       ``squelch tight``
hang timer not steady       ``hang timer``
input still keyed, dropped  ``time-out timer``, from two cuts on: is it meant to be there?
deviation too high          ``deviation high``; ``deviation low`` with a repeat gain far below 0 dB
hum                         ``hum``, where hum and noise are high and the receiver is not deaf
distortion                  ``distortion``
charge far below capacity   ``battery weak``
bench: clipped, samples     ``overload``, ``samples lost``, ``receiver silent``: of these first,
lost, a receiver silent     since nothing else counts before they are mended
==========================  ======================================================================

"Worse keyed" is one of: a desensitisation that was measured; a squelch that chatters (it opens, the
transmitter comes on, and it closes); a sensitivity, measured keyed, far above the opening, measured
before the transmitter comes on. All thresholds are chosen; what they do on units that are sound and
on such with a known fault is measured by ``benchmarks/diagnosis.py`` (``docs/diagnosis.md``).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from harness.advice.gap import Gap, gap
from harness.advice.positions import Position, positions_of, sensitivity_of
from harness.readings import UNCALIBRATED, Limit, Reading, Series, ends
from harness.results import Run
from harness.units import dbm_from_w, w_from_dbm

Cause = Literal[
    "receiver silent",
    "overload",
    "samples lost",
    "desensitised",
    "isolation low",
    "deaf",
    "common path",
    "loss after the amplifier",
    "amplifier weak",
    "power low",
    "both crystals",
    "transmit crystal",
    "receive crystal",
    "squelch loose",
    "squelch tight",
    "hang timer",
    "time-out timer",
    "deviation high",
    "deviation low",
    "hum",
    "distortion",
    "battery weak",
]
BENCH_CAUSES: tuple[Cause, ...] = ("receiver silent", "overload", "samples lost")
"""Of the bench and not of the unit."""

DEAF_DBM = -113.0
"""Half a microvolt: common practice, no source. Where the run has a limit, that counts."""
WORSE_KEYED_DB = 1.5
"""Desensitisation that a listener would notice. Chosen."""
KEYED_GAP_DB = 4.0
"""The sensitivity lies so far above the opening of a deaf receiver. Chosen: a squelch of a usual
setting opens within three of it."""
LOOSE_DB = 3.0
"""A squelch that opens so far below 12 dB SINAD lets through what nobody can follow. Chosen."""
TIGHT_DB = 6.0
"""One that opens so far above it keeps out what everybody could. Chosen."""
FALSE_KEYING_PER_H = 1.0
LOW_POWER_DB = 1.0
"""Below the rated power. Chosen; a limit of the run counts instead."""
IN_VAIN, IN_ACCORD = 0.15, 0.20
"""Power at the port to power drawn from the supply, keyed. Chosen: a small FM transmitter behind a
duplexer gives a fifth to a third. Below the first the current is drawn in vain; above the second a
low power goes with a low current; between them nobody can tell which."""
OFF_FREQUENCY_PPM = 5.0
"""Where the run has no limit of it. 47 CFR 90.213, 25 kHz channels at 150-174 MHz (read)."""
RECEIVE_OFF_PPM = 5.0
SAME_PPM = 1.5
"""So near two crystals' errors are one. Chosen: two crystals of one make are rarely off alike."""
LOW_GAIN_DB = -2.0
HUM_DB = -26.0
"""Hum and noise at a strong signal; above it hum is plainly heard. Chosen."""
DISTORTION_PERCENT = 5.0
"""Chosen; ETSI and TIA ask for 5 to 10 % (from memory, not read)."""
CHARGE_SHARE = 0.65
"""Of the marked capacity. Chosen: at a drain of some hours a sound lead-acid battery gives 80 % of
its 20 h capacity; below two thirds it is worn, or was not full."""
SLOW_TIMERS = ("varies", "two times", "drifts", "follows keying")


@dataclass(frozen=True, slots=True, kw_only=True)
class Hint:
    """A likely cause, and what it rests on.

    Parameters
    ----------
    cause : one of the table on top of this file
    evidence : readings, the weightiest first; may be empty where a caution or a note tells it
    gap : of sensitivity and opening, where it is part of the evidence
    told : sentences of the run that are part of it
    """

    cause: Cause
    evidence: tuple[Reading, ...] = ()
    gap: Gap | None = None
    told: tuple[str, ...] = ()

    @property
    def is_of_the_bench(self) -> bool:
        """Whether it is about the bench and not about the unit."""
        return self.cause in BENCH_CAUSES


def diagnose(run: Run) -> tuple[Hint, ...]:
    """Give hints on what is likely wrong, those on the bench first.

    Parameters
    ----------
    run : of one unit; what it does not hold gives no hint
    """
    seen = _Seen(run)
    bench = tuple(_bench(seen))
    if any(hint.cause == "overload" for hint in bench):
        # What a receiver that clips shows of a unit is not the unit's.
        return bench
    return (*bench, *(hint for rule in _RULES for hint in rule(seen)))


class _Seen:
    """What a run holds, by name; a number counts only where its whole interval does."""

    def __init__(self, run: Run) -> None:
        self.run = run
        self.readings = [reading for part in run.findings for reading in part.readings]
        self.series = [series for part in run.findings for series in part.series]
        marked = run.unit.get("marked_knob")
        positions = positions_of(run)
        used = [one for one in positions if marked is None or one.knob == marked]
        self.position: Position | None = next((one for one in used if one.is_measured), None)
        self.sensitivity = sensitivity_of(run)

    def number(self, name: str, **conditions: str) -> Reading | None:
        """Give the first reading of a name that is a number, of the output unless said."""
        return next(
            (
                reading
                for reading in self.readings
                if reading.name == name
                and isinstance(reading.value, int | float)
                and reading.conditions.get("role", "output") == "output"
                and all(reading.conditions.get(key) == held for key, held in conditions.items())
            ),
            None,
        )

    def limits(self, name: str, reading: Reading) -> list[Limit]:
        return [
            limit
            for limit in self.run.limits
            if limit.reading == name and limit.applies_to(reading)
        ]

    def most(self, reading: Reading, usual: float) -> float:
        """Give the highest value that the run's limits allow, else the usual one."""
        held = [
            one.maximum for one in self.limits(reading.name, reading) if one.maximum is not None
        ]
        return min(held, default=usual)

    def least(self, reading: Reading, usual: float) -> float:
        """Give the lowest value that the run's limits allow, else the usual one."""
        held = [
            one.minimum for one in self.limits(reading.name, reading) if one.minimum is not None
        ]
        return max(held, default=usual)

    def stated(self, key: str) -> float | None:
        value = self.run.unit.get(key)
        return float(value) if isinstance(value, int | float) else None

    def at_opening(self, name: str) -> Reading | None:
        return None if self.position is None else self.position.reading(name)

    @property
    def deaf(self) -> Reading | None:
        """The sensitivity, where it is clearly worse than allowed."""
        one = self.sensitivity
        return one if one is not None and is_above(one, self.most(one, DEAF_DBM)) else None

    @property
    def gap(self) -> Gap | None:
        """Sensitivity minus opening at the position that the unit is used at."""
        return gap(self.sensitivity, self.at_opening("squelch_opening"))

    @property
    def worse_keyed(self) -> tuple[Reading, ...]:
        """What tells that the transmitter deafens the receiver, but for the gap."""
        found = []
        loss = self.number("desensitisation")
        if loss is not None and is_above(loss, WORSE_KEYED_DB):
            found.append(loss)
        if self.position is not None and self.position.state == "chatters":
            found.append(self.position.readings["keying_state"])
        return tuple(found)


def is_above(reading: Reading, value: float) -> bool:
    """Whether all that a reading allows lies above a value; nothing does without a calibration."""
    return UNCALIBRATED not in reading.flags and ends(reading)[0] > value


def is_below(reading: Reading, value: float) -> bool:
    """Whether all that a reading allows lies below a value; nothing does without a calibration."""
    return UNCALIBRATED not in reading.flags and ends(reading)[1] < value


def gap_lies_above(distance: Gap | None, value_db: float) -> bool:
    """Whether a difference of levels is more than a value, the whole of U counted."""
    if distance is None or distance.bound == "upper":
        return False
    return distance.value_db - (distance.expanded_uncertainty_db or 0.0) > value_db


def gap_lies_below(distance: Gap | None, value_db: float) -> bool:
    """Whether a difference of levels is less than a value, the whole of U counted."""
    if distance is None or distance.bound == "lower":
        return False
    return distance.value_db + (distance.expanded_uncertainty_db or 0.0) < value_db


def _bench(seen: _Seen) -> Iterable[Hint]:
    """Tell of a receiver that fell silent, clipped, or lost samples."""
    notes = seen.run.notes
    if any(words in notes for words in SILENT_WORDS):
        yield Hint(cause="receiver silent", told=(notes,))
    words: Mapping[Cause, tuple[str, str]] = {
        "overload": ("clipped", "clipped"),
        "samples lost": ("lost samples", "missing"),
    }
    cautions = [*seen.run.cautions, *(one for part in seen.run.findings for one in part.cautions)]
    for cause, (flag, word) in words.items():
        flagged = tuple(reading for reading in seen.readings if flag in reading.flags)
        told = tuple(
            dict.fromkeys(one for one in cautions if word in one and "receiver" in one.lower())
        )
        if flagged or told:
            yield Hint(cause=cause, evidence=flagged[:1], told=told[:1])


SILENT_WORDS = ("unplugged?", "no samples for")
"""What the driver of a receiver says when nothing comes any more."""


def _receiver(seen: _Seen) -> Iterable[Hint]:
    """Tell of a receiver that is deaf, deafened, or both."""
    deaf, worse, distance = seen.deaf, seen.worse_keyed, seen.gap
    opening = seen.at_opening("squelch_opening")
    is_far = deaf is not None and gap_lies_above(distance, KEYED_GAP_DB)
    if deaf is None:
        if worse:
            yield Hint(cause="isolation low", evidence=worse)
        return
    low = _low_power(seen)
    if worse or is_far:
        more = (opening,) if is_far and opening is not None else ()
        yield Hint(
            cause="desensitised",
            evidence=(deaf, *worse, *more, *((low,) if low is not None else ())),
            gap=distance if is_far else None,
        )
    elif low is not None:
        yield Hint(cause="common path", evidence=(deaf, low))
    else:
        yield Hint(cause="deaf", evidence=(deaf, *((opening,) if opening is not None else ())))


def _low_power(seen: _Seen) -> Reading | None:
    rated_w, power = seen.stated("rated_power_w"), seen.number("carrier_power")
    if power is None or rated_w is None or rated_w <= 0.0:
        return None
    least_dbm = seen.least(power, float(dbm_from_w(rated_w)) - LOW_POWER_DB)
    return power if is_below(power, least_dbm) else None


def _power(seen: _Seen) -> Iterable[Hint]:
    """Tell of a transmitter that is low in power, by what it draws."""
    power = _low_power(seen)
    if power is None or not isinstance(power.value, int | float):
        return
    if seen.deaf is not None and not seen.worse_keyed:
        # Told as what both ways share.
        return
    drawn_w = _drawn_w(seen)
    if drawn_w is None:
        yield Hint(cause="power low", evidence=(power,))
        return
    given_w = float(w_from_dbm(power.value))
    told = (
        f"It gives {given_w:.2g} W at the port and draws {drawn_w:.3g} W from its supply, keyed.",
    )
    cause: Cause = "power low"
    if given_w < IN_VAIN * drawn_w:
        cause = "loss after the amplifier"
    elif given_w > IN_ACCORD * drawn_w:
        cause = "amplifier weak"
    yield Hint(cause=cause, evidence=(power,), told=told)


def _drawn_w(seen: _Seen) -> float | None:
    """Give what the unit drew from its supply at the beginning of a battery run, keyed."""
    held = {series.name: series for series in seen.series}
    voltage, current = held.get("voltage"), held.get("current")
    if voltage is None or current is None:
        return None
    volts, amperes = _first(voltage), _first(current)
    if volts is None or amperes is None or volts * amperes <= 0.0:
        return None
    return volts * amperes


def _first(series: Series) -> float | None:
    values = np.ravel(series.values)
    finite = values[np.isfinite(values)]
    return float(finite[0]) if len(finite) else None


def _frequency(seen: _Seen) -> Iterable[Hint]:
    """Tell of crystals that are off, each by itself or both alike."""
    error, centre = seen.number("frequency_error"), seen.number("receiver_centre")
    transmit_hz, receive_hz = seen.stated("transmit_hz"), seen.stated("receive_hz")
    transmit_ppm = _off_ppm(seen, error, transmit_hz, OFF_FREQUENCY_PPM)
    receive_ppm = _off_ppm(seen, centre, receive_hz, RECEIVE_OFF_PPM)
    off = [one for one in (error, centre) if one is not None]
    if transmit_ppm and receive_ppm and abs(transmit_ppm - receive_ppm) <= SAME_PPM:
        yield Hint(cause="both crystals", evidence=tuple(off))
        return
    if transmit_ppm and error is not None:
        yield Hint(cause="transmit crystal", evidence=tuple(off))
    if receive_ppm and centre is not None:
        yield Hint(cause="receive crystal", evidence=(centre,))


def _off_ppm(
    seen: _Seen, reading: Reading | None, nominal_hz: float | None, usual_ppm: float
) -> float:
    """Give by how much a frequency is off, 0 where it is not clearly."""
    if reading is None or nominal_hz is None or not isinstance(reading.value, int | float):
        return 0.0
    usual_hz = usual_ppm * 1e-6 * nominal_hz
    high, low = seen.most(reading, usual_hz), seen.least(reading, -usual_hz)
    if is_above(reading, high) or is_below(reading, low):
        return reading.value / nominal_hz * 1e6
    return 0.0


def _squelch(seen: _Seen) -> Iterable[Hint]:
    """Tell of a squelch that is too loose or too tight where the unit is used."""
    position = seen.position
    if position is None:
        return
    rate = position.reading("false_keying_rate")
    opening = position.reading("squelch_opening")
    state = position.readings.get("keying_state")
    if position.state == "always keyed" and state is not None:
        yield Hint(cause="squelch loose", evidence=(state,))
        return
    if rate is not None and is_above(rate, seen.most(rate, FALSE_KEYING_PER_H)):
        yield Hint(cause="squelch loose", evidence=(rate,))
        return
    distance = seen.gap
    both = tuple(one for one in (opening, seen.sensitivity) if one is not None)
    # Of a deaf receiver the gap tells of its transmitter.
    if seen.deaf is None and not seen.worse_keyed and gap_lies_above(distance, LOOSE_DB):
        yield Hint(cause="squelch loose", evidence=both, gap=distance)
    elif gap_lies_below(distance, -TIGHT_DB):
        yield Hint(cause="squelch tight", evidence=both, gap=distance)


def _timers(seen: _Seen) -> Iterable[Hint]:
    for reading in seen.readings:
        if reading.name == "hang_timer" and reading.value in SLOW_TIMERS:
            hang = seen.number("hang_time")
            spread = seen.number("hang_spread")
            more = tuple(one for one in (hang, spread) if one is not None)
            yield Hint(cause="hang timer", evidence=(reading, *more))
            break
    time_out = seen.number("time_out")
    # One cut may be a squelch that closed by itself.
    if time_out is not None and time_out.count > 1:
        yield Hint(cause="time-out timer", evidence=(time_out,))


def _modulation(seen: _Seen) -> Iterable[Hint]:
    """Tell of deviation, hum and distortion, at a strong signal."""
    rated_hz = seen.stated("rated_deviation_hz")
    peak = seen.number("deviation_peak")
    if peak is not None and rated_hz is not None and is_above(peak, seen.most(peak, rated_hz)):
        yield Hint(cause="deviation high", evidence=(peak,))
    strong = _strongest(seen, "repeat_gain")
    if strong is not None and is_below(strong, seen.least(strong, LOW_GAIN_DB)):
        yield Hint(cause="deviation low", evidence=(strong,))
    if seen.deaf is None and not seen.worse_keyed:
        hum = seen.number("hum_and_noise")
        if hum is not None and is_above(hum, seen.most(hum, HUM_DB)):
            yield Hint(cause="hum", evidence=(hum,))
    distortion = _strongest(seen, "audio_distortion")
    if distortion is not None and is_above(distortion, seen.most(distortion, DISTORTION_PERCENT)):
        yield Hint(cause="distortion", evidence=(distortion,))


def _strongest(seen: _Seen, name: str) -> Reading | None:
    """Give the reading of a name at the strongest signal."""

    def level(reading: Reading) -> float:
        held = reading.conditions.get("input_level_port_dbm")
        return float(held) if isinstance(held, int | float) else -math.inf

    of_name = [
        reading
        for reading in seen.readings
        if reading.name == name and isinstance(reading.value, int | float)
    ]
    return max(of_name, key=level, default=None)


def _battery(seen: _Seen) -> Iterable[Hint]:
    """Tell of a battery that gives far less than is marked on it."""
    battery = seen.run.unit.get("battery")
    charge = seen.number("charge_delivered")
    if not isinstance(battery, Mapping) or charge is None:
        return
    marked_ah = battery.get("capacity_ah")
    if isinstance(marked_ah, int | float) and is_below(charge, CHARGE_SHARE * float(marked_ah)):
        run_time = seen.number("run_time")
        yield Hint(
            cause="battery weak",
            evidence=(charge, *((run_time,) if run_time is not None else ())),
        )


_RULES: tuple[Callable[[_Seen], Iterable[Hint]], ...] = (
    _receiver,
    _power,
    _frequency,
    _squelch,
    _timers,
    _modulation,
    _battery,
)
