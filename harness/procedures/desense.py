"""Desensitisation: the sensitivity with the transmitter disabled, then with it keyed into its load.

Both sweeps are heard at the receiver's own audio, by the sound card: with the transmitter disabled
there is no carrier to hear them through, and through the transmitter its limiter and its own noise
would be in between. The levels are those that the generator was set to: the receiver at the tap
gets the transmitter's carrier beside a signal that is 100 dB weaker, and what it reads would
differ between the two sweeps. So the generator's scale and the path stand in both and drop out.

**What is checked before a sweep.** Under a signal that opens any squelch the output receiver has to
see no carrier, or one far below the rated power, while the transmitter is disabled, and one near
the rated power once it is enabled. It is asked again, and the run ends rather than give a number
for a transmitter that was not as its steps say. During the sweep the output is recorded, and a
step in which the transmitter was not so is left out by the measurement.

**Signals weaker than the squelch's opening.** At the loosest knob most squelches stand open on
noise, and keep the transmitter keyed. Where one does not, the transmitter drops as the level falls,
and with it the noise that is looked for. So it is looked at without a signal; where no carrier is
there, the key is held by hand. Where that keys nothing either, the sweep is made all the same: the
steps in which the transmitter dropped are left out, and where 12 dB lies among them the
sensitivity is a bound, and so is the desensitisation. Where the squelch mutes the receiver's
audio, 12 dB is not reached in either sweep: the same.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from harness.describe import Bench, Unit
from harness.devices import Role, TransmitterState
from harness.errors import BadInput, HardwareFault
from harness.measure.desensitisation import NAME, SENSITIVITY, desensitisation
from harness.procedures.acceptance import STANDARD_SHARE, STRONG_DBM, TEST_TONE_HZ, levels_between
from harness.procedures.steps import (
    EnableTransmitter,
    HoldKey,
    Keep,
    Measure,
    Procedure,
    Record,
    Say,
    Step,
    Stimulus,
    TurnKnob,
    Wait,
)
from harness.readings import Findings, joined, sentence
from harness.units import dbm_from_w

ROLES: tuple[Role, ...] = ("output", "audio")
TRIES = 3
"""How often a transmitter that is not as it was asked for is asked for again. Chosen."""
OFF_BELOW_RATED_DB, ON_BELOW_RATED_DB = 40.0, 10.0
"""Further below its rated power a transmitter counts as disabled, nearer to it as enabled; between
them as neither. Chosen: a leaking exciter is 40 dB down and more, a weak final stage within 10."""
CHECK_S = 1.5
"""Of a signal that keys any unit. Chosen: longer than a squelch and a key-up take."""
OUTLAST_S = 6.0
"""Without a signal before it is looked whether the transmitter stays keyed. Chosen: longer than
most hang timers; a longer one is found by the steps that are left out."""
SEARCH_STEP_DB = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DesenseExtent:
    """How much is done; less of it widens U, and nothing else changes.

    Parameters
    ----------
    search_dbm : lowest and highest level at which 12 dB SINAD is looked for
    search_s, dwell_s : how long each level of the search, and of the fine sweep, lasts
    reach_db, step_db : of the fine sweep on both sides of 12 dB; what lies further than 6 dB of
        SINAD from it counts for nothing (``measure/sensitivity.py``)
    """

    search_dbm: tuple[float, float] = (-128.0, -80.0)
    search_s: float = 0.8
    dwell_s: float = 4.0
    reach_db: float = 2.5
    step_db: float = 0.5


USUAL = DesenseExtent()
"""Chosen: U of the difference within DESIGN's 0.4 dB, in some three minutes."""


def extent_on(bench: Bench, extent: DesenseExtent) -> DesenseExtent:
    """Give the extent as far as a bench's generator reaches, and what the bench has to have.

    Raises
    ------
    BadInput : it has no receiver of the output, or its generator is too weak or too strong.
    """
    if bench.output is None:
        raise BadInput(
            "has no [output], so nobody sees whether the transmitter is on", bench.name, "Add it."
        )
    low_dbm, high_dbm = extent.search_dbm
    generator = bench.generator
    if generator is not None and generator.maximum_dbm is not None:
        high_dbm = min(high_dbm, generator.maximum_dbm - bench.generator_loss_db)
    if generator is not None and generator.minimum_dbm is not None:
        low_dbm = max(low_dbm, generator.minimum_dbm - bench.generator_loss_db)
    if high_dbm - low_dbm < 2.0 * extent.reach_db:
        raise BadInput(
            f"the generator reaches from {low_dbm:.1f} to {high_dbm:.1f} dBm at the unit's port",
            bench.name,
            "Take other pads, or other levels.",
        )
    return replace(extent, search_dbm=(low_dbm, high_dbm))


def desense(unit: Unit, extent: DesenseExtent = USUAL) -> Procedure:
    """Yield the steps.

    Parameters
    ----------
    unit : names its knob's positions from loose to tight; the loosest is used
    extent : of ``extent_on``

    Raises
    ------
    HardwareFault : the transmitter is not as it was asked for.
    """
    loosest = unit.knob_positions[0]
    yield Say(text=f"It takes about {_minutes(extent)} min, and the time to switch by hand.")
    yield TurnKnob(position=loosest)
    yield from _switched(unit, enabled=False)
    off = yield from _sweep(unit, "off", extent)
    yield from _switched(unit, enabled=True)
    is_held = yield from _kept_keyed(unit)
    on = yield from _sweep(unit, "on", extent)
    if is_held:
        yield HoldKey(held=False)
    yield Keep(findings=_together(off, on))
    if unit.marked_knob is not None:
        yield TurnKnob(position=unit.marked_knob)


def _minutes(extent: DesenseExtent) -> int:
    low_dbm, high_dbm = extent.search_dbm
    search = (high_dbm - low_dbm) / SEARCH_STEP_DB + 1.0
    fine = 2.0 * extent.reach_db / extent.step_db + 1.0
    each_s = search * extent.search_s + fine * extent.dwell_s
    return round((2.0 * each_s + 4.0 * CHECK_S + OUTLAST_S) / 60.0 + 0.5)


def _switched(unit: Unit, *, enabled: bool) -> Generator[Step, Any, None]:
    """Have the transmitter enabled or disabled, and see that it is."""
    for attempt in range(TRIES):
        yield EnableTransmitter(enabled=enabled)
        carrier_dbm = yield from _carrier(
            f"check-{'enabled' if enabled else 'disabled'}-{attempt + 1}",
            f"Is the transmitter {'enabled' if enabled else 'disabled'}?",
            STRONG_DBM,
        )
        if _is_as_asked(carrier_dbm, unit, enabled=enabled):
            if not enabled and carrier_dbm is not None:
                yield Say(text=f"A rest of its carrier is left: {carrier_dbm:.0f} dBm.")
            return
        seen = "no carrier" if carrier_dbm is None else f"a carrier of {carrier_dbm:.1f} dBm"
        wanted = "a keyed transmitter" if enabled else "a disabled one"
        yield Say(text=f"The output receiver sees {seen}, which is not {wanted}.")
    raise HardwareFault(
        f"it is not {'enabled' if enabled else 'disabled'} after {TRIES} times",
        f"transmitter of {unit.name}",
        "See to it that the output receiver shows it, then start again.",
    )


def _is_as_asked(carrier_dbm: float | None, unit: Unit, *, enabled: bool) -> bool:
    rated_dbm = float(dbm_from_w(unit.rated_power_w))
    if enabled:
        return carrier_dbm is not None and carrier_dbm > rated_dbm - ON_BELOW_RATED_DB
    return carrier_dbm is None or carrier_dbm < rated_dbm - OFF_BELOW_RATED_DB


def _carrier(
    take: str, title: str, level_port_dbm: float | None
) -> Generator[Step, Any, float | None]:
    """Record the output for a moment; give the carrier's power at the port, None without one."""
    yield Record(
        take=take,
        title=title,
        stimuli=(Stimulus(duration_s=CHECK_S, level_port_dbm=level_port_dbm),),
        roles=("output",),
    )
    found: Findings = yield Measure(kind="carrier", take=take, roles=("output",), keep=False)
    value = found.value("carrier_power")
    return float(value) if isinstance(value, int | float) else None


def _kept_keyed(unit: Unit) -> Generator[Step, Any, bool]:
    """See that the transmitter stays keyed without a signal; give whether its key is held."""
    yield Wait(seconds=OUTLAST_S)
    if _is_as_asked(
        (yield from _carrier("check-open", "Does it stay keyed without a signal?", None)),
        unit,
        enabled=True,
    ):
        yield Say(text="The squelch stands open and keeps the transmitter keyed.")
        return False
    yield HoldKey(held=True)
    carrier_dbm = yield from _carrier("check-held", "Is it keyed by hand?", None)
    if not _is_as_asked(carrier_dbm, unit, enabled=True):
        yield Say(
            text="By hand it is not keyed either: it is keyed by the signal alone. Levels at which"
            " it drops say nothing and are left out; the answer may be a bound."
        )
    return True


def _sweep(
    unit: Unit, state: TransmitterState, extent: DesenseExtent
) -> Generator[Step, Any, Findings]:
    """Look for 12 dB SINAD from strong to weak, then sweep about it; give what was found."""
    word = "disabled" if state == "off" else "keyed"
    low_dbm, high_dbm = extent.search_dbm
    search = f"search-{state}"
    yield Record(
        take=search,
        title=f"Transmitter {word}: looking for 12 dB SINAD",
        stimuli=_stimuli(
            unit, state, levels_between(low_dbm, high_dbm, SEARCH_STEP_DB), extent.search_s
        ),
        roles=ROLES,
    )
    coarse: Findings = yield Measure(kind="audio", take=search, roles=ROLES, keep=False)
    found = coarse.reading(SENSITIVITY)
    if found is None or found.bound is not None or not isinstance(found.value, float):
        yield Say(text=f"Transmitter {word}: the search does not pass 12 dB SINAD.")
        return coarse
    low_dbm = max(low_dbm, found.value - extent.reach_db)
    high_dbm = min(high_dbm, found.value + extent.reach_db)
    take = f"sensitivity-{state}"
    yield Record(
        take=take,
        title=f"Transmitter {word}: SINAD against level",
        stimuli=_stimuli(
            unit, state, levels_between(low_dbm, high_dbm, extent.step_db), extent.dwell_s
        ),
        roles=ROLES,
    )
    fine: Findings = yield Measure(kind="audio", take=take, roles=ROLES, keep=False)
    return fine


def _stimuli(
    unit: Unit, state: TransmitterState, levels_dbm: Sequence[float], dwell_s: float
) -> tuple[Stimulus, ...]:
    """Give the steps of a sweep, the strongest first."""
    return tuple(
        Stimulus(
            duration_s=dwell_s,
            level_port_dbm=level_dbm,
            tone_hz=TEST_TONE_HZ,
            deviation_hz=STANDARD_SHARE * unit.rated_deviation_hz,
            transmitter=state,
        )
        for level_dbm in reversed(levels_dbm)
    )


def _together(off: Findings, on: Findings) -> Findings:
    """Join both sweeps, with their difference first."""
    parts = joined(_of_one_state(off), _of_one_state(on))
    reading = desensitisation(on, off)
    cautions = [
        "The steps of the generator between both levels are taken as true: what its attenuator"
        " misses from one to the other does not drop out."
    ]
    if reading.value is None:
        cautions.append(sentence(reading.note))
    return replace(
        parts,
        readings=(reading, *parts.readings),
        cautions=tuple(dict.fromkeys((*parts.cautions, *cautions))),
    )


def _of_one_state(found: Findings) -> Findings:
    """Leave out what one sweep cannot tell: the difference of two."""
    gone = [r for r in found.readings if r.name == NAME]
    said = {sentence(r.note) for r in gone}
    return replace(
        found,
        readings=tuple(r for r in found.readings if r.name != NAME),
        cautions=tuple(c for c in found.cautions if c not in said),
    )
