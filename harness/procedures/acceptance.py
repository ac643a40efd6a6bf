"""What a plan's steps are made of: carrier, keyings, spectrum, squelch, sensitivity, battery.

``planned.py`` puts them one behind the other as a plan says.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import Any

from harness.describe import Unit
from harness.measure.setup import NO_SIGNAL, Options
from harness.procedures.battery_ends import Ends
from harness.procedures.battery_run import INTERVAL_S, RunPlan, battery_run
from harness.procedures.steps import (
    Measure,
    Procedure,
    Record,
    Say,
    Step,
    Stimulus,
    TurnKnob,
    Wait,
)
from harness.readings import Findings

TEST_TONE_HZ = 1000.0
STANDARD_SHARE = 0.6
"""Standard test modulation: 1 kHz at 60 % of rated deviation (DESIGN section 3; common
practice)."""
BANDWIDTH_TONE_HZ = 2500.0
"""47 CFR 2.1049(c)(1), 2020 edition, read."""
SETTLES_S = 0.5
"""Without a signal about a key-up and a drop. Chosen."""
STRONG_DBM = -80.0
"""Full quieting for any unit that works. Chosen."""
COARSE_STEP_DB = 2.0
BELOW_OPENING_DB, ABOVE_OPENING_DB = 3.5, 1.75
"""Reach of the fine sweeps about the coarse opening: hysteresis and spread of a usual squelch lie
within. Chosen."""
FINE_STEP_DB = 0.75
RISING_DWELL_S = 0.25
"""Longer than the squelch and the key-up take. Chosen; a unit slower than this shows in attack
time first."""
DEFAULT_HANG_S = 1.0
RETURN_S = 0.25
"""From the input's end to its return within the hang, which shows the squelch's attack alone.
Chosen: a squelch has closed by then, and few hangs are over; where one is, it is a keying more."""
RETURNS = 2
"""So many of the keyings are followed by one. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """How much of each thing a step does; less of it widens U, and nothing else changes.

    Parameters
    ----------
    carrier_s : of a strong signal, for carrier and audio
    spectrum_s : of a strong signal, for the spectrum
    keyings : for attack and hang time
    search_dbm : lowest and highest level at which the squelch's region is looked for
    quiet_s : without a signal at each knob position, for false keying
    sweeps : up and down at each knob position
    sensitivity_dbm : lowest and highest level of the sweep of SINAD
    battery_interval_s : between two samples of the battery run
    """

    carrier_s: float = 3.5
    spectrum_s: float = 4.0
    keyings: int = 6
    search_dbm: tuple[float, float] = (-128.0, -98.0)
    quiet_s: float = 4.0
    sweeps: int = 5
    sensitivity_dbm: tuple[float, float] = (-124.0, -110.0)
    battery_interval_s: float = INTERVAL_S


SHORT = Extent()
"""What is done where a plan says nothing else. Chosen."""


def battery_down(unit: Unit, extent: Extent) -> Procedure:
    """Yield the steps of running the unit's battery down; nothing where it names none."""
    if unit.battery is None:
        yield Say(text=f"{unit.name} names no battery: no battery run.")
        return
    yield from battery_run(
        unit.battery,
        RunPlan(
            level_port_dbm=STRONG_DBM,
            deviation_hz=STANDARD_SHARE * unit.rated_deviation_hz,
            ends=Ends(end_v=unit.battery.end_v),
            every_s=extent.battery_interval_s,
        ),
    )


def carrier_take(deviation_hz: float, extent: Extent = SHORT) -> Procedure:
    """Yield the steps of carrier and audio, with standard test modulation at a strong signal."""
    yield Record(
        take="carrier",
        title="Carrier, deviation and SINAD at a strong signal",
        stimuli=(
            Stimulus(duration_s=0.5, level_port_dbm=None),
            Stimulus(
                duration_s=extent.carrier_s,
                level_port_dbm=STRONG_DBM,
                tone_hz=TEST_TONE_HZ,
                deviation_hz=deviation_hz,
                label="standard test modulation",
            ),
        ),
    )
    yield Measure(kind="carrier", take="carrier", roles=("output",))
    yield Measure(kind="audio", take="carrier")


def spectrum_take(unit: Unit, extent: Extent, mask: str | None) -> Procedure:
    """Yield the steps of the spectrum, a key-up and a drop in it, at the rated deviation.

    Notes
    -----
    The tone is that of 47 CFR 2.1049(c)(1), 2.5 kHz; its level, 16 dB above half of the modulation,
    no receiver lets through: the rated deviation is what a repeater is sent at most.
    """
    off = Stimulus(duration_s=SETTLES_S, level_port_dbm=None)
    yield Record(
        take="spectrum",
        title="Spectrum at the rated deviation, a key-up and a drop",
        stimuli=(
            off,
            Stimulus(
                duration_s=extent.spectrum_s,
                level_port_dbm=STRONG_DBM,
                tone_hz=BANDWIDTH_TONE_HZ,
                deviation_hz=unit.rated_deviation_hz,
                label="rated deviation",
            ),
            replace(off, duration_s=DEFAULT_HANG_S + SETTLES_S),
        ),
        roles=("output",),
    )
    yield Measure(kind="spectrum", take="spectrum", roles=("output",), options=Options(mask=mask))


def keyings(deviation_hz: float, extent: Extent) -> Generator[Step, Any, float]:
    """Key the unit several times; give the hang time, or a default that outlasts most.

    Some keyings are followed by one within the hang.
    """
    on = Stimulus(
        duration_s=0.9, level_port_dbm=STRONG_DBM, tone_hz=TEST_TONE_HZ, deviation_hz=deviation_hz
    )
    off = Stimulus(duration_s=1.7, level_port_dbm=None)
    returning = (on, replace(off, duration_s=RETURN_S), on, off)
    returns = min(RETURNS, extent.keyings)
    yield Record(
        take="timing",
        title=f"Attack and hang, {extent.keyings} keyings",
        stimuli=(
            off,
            *(returning * returns),
            *((on, off) * (extent.keyings - returns)),
        ),
    )
    both: Findings = yield Measure(kind="timing", take="timing")
    yield Measure(kind="timing", take="timing", roles=("output",))
    hang = [r.value for r in both.readings if r.name == "hang_time" and r.value is not None]
    return float(hang[0]) if hang else DEFAULT_HANG_S


def squelch_sweeps(position: str, hang_s: float, extent: Extent) -> Procedure:
    """Yield the steps of the squelch at one knob position; falling steps outlast the hang time."""
    yield TurnKnob(position=position)
    # What the knob's turning itself keyed has to drop first.
    yield Wait(seconds=2.0 * hang_s)
    take = f"squelch-{position.replace(':', '')}"
    falling_dwell_s = hang_s + 0.25
    coarse = levels_between(*extent.search_dbm, COARSE_STEP_DB)
    yield Record(
        take=f"{take}-search",
        title=f"Squelch at {position}: looking for the region",
        stimuli=(
            Stimulus(duration_s=extent.quiet_s, level_port_dbm=None, label=NO_SIGNAL),
            *(Stimulus(duration_s=RISING_DWELL_S, level_port_dbm=level) for level in coarse),
        ),
    )
    found: Findings = yield Measure(kind="squelch", take=f"{take}-search", keep=False)
    opening = found.value("squelch_opening")
    if found.value("keying_state") == "always keyed" or not isinstance(opening, float):
        yield Measure(kind="squelch", take=f"{take}-search")
        yield Say(text=f"At {position} there is no region to sweep through.")
        return
    levels = levels_between(opening - BELOW_OPENING_DB, opening + ABOVE_OPENING_DB, FINE_STEP_DB)
    quiet = Stimulus(duration_s=max(falling_dwell_s, 0.6), level_port_dbm=None, label=NO_SIGNAL)
    rising = tuple(Stimulus(duration_s=RISING_DWELL_S, level_port_dbm=level) for level in levels)
    sweep = (
        quiet,
        *rising,
        *(Stimulus(duration_s=falling_dwell_s, level_port_dbm=level) for level in reversed(levels)),
    )
    yield Record(
        take=take,
        title=f"Squelch at {position}: {extent.sweeps} sweeps up and down",
        # Up and off first: the take then holds the hang, which says at which level it closed.
        stimuli=(quiet, *rising, *sweep * extent.sweeps, quiet),
    )
    yield Measure(kind="squelch", take=take)


def sensitivity_stimuli(deviation_hz: float, extent: Extent) -> tuple[Stimulus, ...]:
    """Give the levels of the sweep of SINAD, from strong to weak."""
    return tuple(
        Stimulus(
            duration_s=1.3,
            level_port_dbm=level,
            tone_hz=TEST_TONE_HZ,
            deviation_hz=deviation_hz,
        )
        for level in reversed(levels_between(*extent.sensitivity_dbm, 1.0))
    )


def sensitivity_sweep(deviation_hz: float, extent: Extent) -> Procedure:
    """Yield the steps of the sweep of SINAD; the squelch has to be open over its levels."""
    yield Record(
        take="sensitivity",
        title="Sensitivity: SINAD against level",
        stimuli=sensitivity_stimuli(deviation_hz, extent),
    )
    yield Measure(kind="audio", take="sensitivity")


def levels_between(low_dbm: float, high_dbm: float, step_db: float) -> list[float]:
    """Levels from low to high, both included, on multiples of the step."""
    first, last = round(low_dbm / step_db), round(high_dbm / step_db)
    return [round(number * step_db, 3) for number in range(first, last + 1)]
