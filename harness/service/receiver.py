"""What the receivers need in service: which reading counts, and what noise adds to it.

The repeater is heard only if the signal opens its squelch, and goes on being heard only if it can
be followed while the transmitter is keyed. So the level that it needs is the higher of its opening
(at the knob's position in use) and its sensitivity for 12 dB SINAD with the transmitter keyed;
where that was not measured, the one with the transmitter off and the desensitisation on top, and
where that was not measured either, it is left out and said.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from harness.readings import Bound, Reading
from harness.service.known import Known, Named, Origin, measured, missing, newest_first
from harness.service.noise import noise_figure_db

SENSITIVITY = "sensitivity, 12 dB SINAD"
OPENING = "squelch opening"
DISTURBED = frozenset(("input_fade_db", "input_impulses_per_s", "input_offset_hz", "stimulus"))
"""A reading under one of these conditions tells of that disturbance, not of the unit as it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Needed:
    """The level that the repeater needs on a generator.

    ``governing`` is the title of what sets it; ``inputs`` all that went in; ``noise_figure_db``
    None where the sensitivity does not tell it.
    """

    level_dbm: float | None
    expanded_uncertainty_db: float
    governing: str
    inputs: tuple[Known, ...]
    noise_figure_db: float | None
    remarks: tuple[str, ...] = ()


def readings_of(run: Named, name: str, bound: Bound | None = None) -> Iterable[Reading]:
    """Give the readings of a name that are numbers, with that bound or none, and undisturbed."""
    for findings in run.run.findings:
        for reading in findings.readings:
            is_number = isinstance(reading.value, int | float) and reading.bound == bound
            if reading.name == name and is_number and not DISTURBED & set(reading.conditions):
                yield reading


def newest(
    runs: Sequence[Named], name: str, bound: Bound | None = None, **conditions: object
) -> tuple[Named, Reading] | None:
    """Give the reading of the newest run that holds one under these conditions, and that run.

    A condition that is None must not be there. Of several readings those with the fewest
    conditions, of these the largest count, of these the last.
    """
    for run in newest_first(runs):
        held = [
            reading
            for reading in readings_of(run, name, bound)
            if all(reading.conditions.get(key) == value for key, value in conditions.items())
        ]
        if held:
            plainest = min((len(r.conditions), -r.count) for r in held)
            last = next(r for r in reversed(held) if (len(r.conditions), -r.count) == plainest)
            return run, last
    return None


def needed_by_repeater(
    runs: Sequence[Named],
    *,
    knob: str | None,
    rated_deviation_hz: float | None,
    noise_figure: float | None,
) -> Needed:
    """Give the level that the repeater needs, and its noise figure.

    Parameters
    ----------
    runs : of the unit
    knob : position of the squelch knob in use; None where that is not known
    rated_deviation_hz : of the unit; None where not known
    noise_figure : in dB as the unit file gives it; None where it does not
    """
    inputs: list[Known] = []
    remarks: list[str] = []
    levels: list[tuple[float, float, str]] = []
    figure_db = noise_figure
    held = _sensitivity(runs)
    if held is None:
        inputs.append(missing("sensitivity_dbm", SENSITIVITY, "dBm", "measure audio, or accept"))
    else:
        run, reading, is_keyed = held
        known = measured("sensitivity_dbm", SENSITIVITY, reading, run)
        if reading.bound is not None:
            known = replace(known, title=f"{SENSITIVITY}, at most")
            remarks.append(
                "The sensitivity is only known to be that level or better: talk-in may reach"
                " further than said."
            )
        inputs.append(known)
        level_dbm, spread_db = known.number, known.expanded_uncertainty or 0.0
        if not is_keyed:
            level_dbm, spread_db = _desensitised(runs, level_dbm, spread_db, inputs, remarks)
        levels.append((level_dbm, spread_db, SENSITIVITY))
        if figure_db is None:
            figure_db = _figure(reading, rated_deviation_hz)
            if figure_db is not None:
                inputs.append(_noise_figure(figure_db, "measured", f"from the {SENSITIVITY}"))
    if noise_figure is not None:
        inputs.append(_noise_figure(noise_figure, "unit file", "duplex.noise_figure_db"))
    opening = _opening(runs, knob)
    if opening is None:
        where = f" at {knob}" if knob else ""
        inputs.append(missing("opening_dbm", OPENING, "dBm", f"measure squelch{where}"))
        if levels:
            remarks.append(
                "The squelch's opening at the position in use was not measured: if it opens above"
                " the sensitivity, talk-in is shorter than said."
            )
    else:
        run, reading = opening
        known = measured("opening_dbm", OPENING, reading, run)
        at = reading.conditions.get("knob")
        if isinstance(at, str):
            known = replace(known, title=f"{OPENING} at {at}")
        inputs.append(known)
        if levels:
            levels.append((known.number, known.expanded_uncertainty or 0.0, OPENING))
    if not levels:
        return Needed(
            level_dbm=None,
            expanded_uncertainty_db=0.0,
            governing="",
            inputs=tuple(inputs),
            noise_figure_db=figure_db,
        )
    level_dbm, spread_db, governing = max(levels)
    return Needed(
        level_dbm=level_dbm,
        expanded_uncertainty_db=spread_db,
        governing=governing,
        inputs=tuple(inputs),
        noise_figure_db=figure_db,
        remarks=tuple(remarks),
    )


def _sensitivity(runs: Sequence[Named]) -> tuple[Named, Reading, bool] | None:
    """Give the flat sensitivity: keyed where any run holds that, as a bound if nothing better.

    An upper bound is a level at which it is known to hear, so that it claims too little.
    """
    bounds: tuple[Bound | None, ...] = (None, "upper")
    for bound in bounds:
        for state in ("on", "off", None):
            held = newest(
                runs, "sensitivity_12db_sinad", bound, transmitter=state, weighting="flat"
            )
            if held is not None:
                return *held, state == "on"
    return None


def _desensitised(
    runs: Sequence[Named],
    level_dbm: float,
    spread_db: float,
    inputs: list[Known],
    remarks: list[str],
) -> tuple[float, float]:
    held = newest(runs, "desensitisation")
    title = "desensitisation"
    if held is None:
        inputs.append(missing("desensitisation_db", title, "dB", "measure audio, both states"))
        remarks.append(
            "Desensitisation was not measured and is left out: if the transmitter deafens the"
            " receiver, talk-in is shorter than said."
        )
        return level_dbm, spread_db
    run, reading = held
    known = measured("desensitisation_db", title, reading, run)
    inputs.append(known)
    # Below 0 is noise of the two fits: a transmitter sharpens no receiver.
    loss_db = max(known.number, 0.0)
    return level_dbm + loss_db, math.hypot(spread_db, known.expanded_uncertainty or 0.0)


def _figure(reading: Reading, rated_deviation_hz: float | None) -> float | None:
    if rated_deviation_hz is None or not isinstance(reading.value, int | float):
        return None
    emphasis = bool(reading.conditions.get("de_emphasis", False))
    figure_db = noise_figure_db(reading.value, rated_deviation_hz, de_emphasis=emphasis)
    # A sensitivity keyed holds the transmitter's noise too, which counts like the receiver's.
    return figure_db if figure_db >= 0.0 else None


def _noise_figure(figure_db: float, origin: Origin, source: str) -> Known:
    return Known(
        name="noise_figure_db",
        title="noise figure of the repeater",
        value=figure_db,
        unit="dB",
        origin=origin,
        source=source,
    )


def _opening(runs: Sequence[Named], knob: str | None) -> tuple[Named, Reading] | None:
    if knob is not None:
        held = newest(runs, "squelch_opening", knob=knob)
        if held is not None:
            return held
        return newest(runs, "squelch_opening", knob=None)
    positions = {
        reading.conditions.get("knob")
        for run in runs
        for reading in readings_of(run, "squelch_opening")
    }
    if len(positions) != 1:
        return None
    return newest(runs, "squelch_opening", knob=positions.pop())
