"""A unit in service: everything that its results files mean there, put together.

From measured readings only. What no file holds is ``not measured`` and stays without a number, and
so does what hangs on it. What is neither measured nor in the unit file is given by the user or
assumed, and called so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.describe.field import FieldFile
from harness.describe.unit import Unit
from harness.errors import BadInput
from harness.service.capacity import Ageing, Capacity, Ratio, ageing
from harness.service.exposure import REFLECTIONS, Public, exposure_distance_m, exposure_limit
from harness.service.known import (
    Known,
    Named,
    measured,
    missing,
    newest_first,
    number_of,
    settings,
    text_of,
)
from harness.service.link import Balance, Path, Reach, Station, balance, reach
from harness.service.noise import ENVIRONMENTS, raised_by_db
from harness.service.path_loss import LIGHT_M_PER_S
from harness.service.receiver import Needed, needed_by_repeater, newest
from harness.service.run_time import Endurance
from harness.service.supply import SupplyInService
from harness.units import dbm_from_w, ratio_from_db, w_from_dbm

DIPOLE_DBI = 2.15
"""Gain of a half-wave dipole (memory). Less than it is counted as loss, also of noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """Distance at which a limit is met, one for each factor of ``REFLECTIONS``, in m."""

    public: Public
    limit_mw_per_cm2: float
    averaging_min: float
    source: str
    distances_m: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class InService:
    """What the readings of one unit mean in service.

    Parameters
    ----------
    unit : its description, as the newest run or the unit file has it
    inputs : everything that went in
    endurances : run time at each duty
    capacity, rated : of the newest battery run; None without one
    ageing : of all battery runs; None with fewer than two
    talk_out, talk_in, balance : None where frequencies are not known
    governing : what sets the level that the repeater needs
    exposures : empty where the power was not measured
    eirp_w : that they are for
    wavelength_m : of the transmit frequency
    hydrogen_l_per_ah : of overcharge, lead-acid only
    remarks : plain sentences
    """

    unit: Mapping[str, Any]
    inputs: tuple[Known, ...]
    endurances: tuple[Endurance, ...]
    capacity: Capacity | None
    rated: Ratio | None
    ageing: Ageing | None
    talk_out: Reach | None
    talk_in: Reach | None
    balance: Balance | None
    governing: str
    exposures: tuple[Exposure, ...]
    eirp_w: float | None
    wavelength_m: float | None
    hydrogen_l_per_ah: float | None
    remarks: tuple[str, ...]


def in_service(
    runs: Sequence[Named],
    field: FieldFile,
    *,
    unit: Unit | None = None,
    knob: str | None = None,
    where: str = "given",
) -> InService:
    """Say what the readings of a unit mean in service.

    Parameters
    ----------
    runs : of one unit, one or more
    field : what the user knows of the use
    unit : its description, in place of that of the newest run
    knob : position of the squelch knob in use
    where : name of the field file

    Raises
    ------
    BadInput : the runs are not of one unit.
    """
    ordered = newest_first(runs)
    described = _one_unit(ordered, unit)
    known = settings(field, where)
    inputs: list[Known] = []
    remarks: list[str] = []
    battery = SupplyInService(ordered, described, field, where)
    endurances = battery.endurances(inputs, remarks)
    power = _power(ordered, inputs)
    knob = knob or text_of(described, "marked_knob")
    needed = needed_by_repeater(
        ordered,
        knob=knob,
        rated_deviation_hz=number_of(described, "rated_deviation_hz"),
        noise_figure=number_of(described.get("duplex") or {}, "noise_figure_db"),
    )
    inputs += needed.inputs
    remarks += needed.remarks
    transmit_hz, receive_hz = (number_of(described, f"{way}_hz") for way in ("transmit", "receive"))
    talk_out = talk_in = None
    if transmit_hz is not None and receive_hz is not None:
        talk_out, talk_in = _ways(known, power, needed, (transmit_hz, receive_hz), inputs, remarks)
    else:
        remarks.append(
            "Neither results nor unit file tell the frequencies: ranges and exposure are left out."
        )
    exposures, eirp_w = _exposures(known, power, transmit_hz, remarks)
    return InService(
        unit=described,
        inputs=(*inputs, *known.values()),
        endurances=endurances,
        capacity=battery.capacities[0] if battery.capacities else None,
        rated=battery.rated(),
        ageing=ageing(battery.capacities) if len(battery.capacities) > 1 else None,
        talk_out=talk_out,
        talk_in=talk_in,
        balance=balance(talk_out, talk_in) if talk_out and talk_in else None,
        governing=needed.governing,
        exposures=exposures,
        eirp_w=eirp_w,
        wavelength_m=LIGHT_M_PER_S / transmit_hz if transmit_hz else None,
        hydrogen_l_per_ah=battery.hydrogen_l_per_ah(),
        remarks=tuple(remarks),
    )


def _one_unit(runs: Sequence[Named], unit: Unit | None) -> Mapping[str, Any]:
    """Give the description; refuse runs of different units."""
    described: Mapping[str, Any] = unit.plain() if unit is not None else runs[0].run.unit
    for each in runs:
        for key in ("name", "serial"):
            theirs, ours = each.run.unit.get(key), described.get(key)
            if theirs != ours and theirs is not None:
                raise BadInput(
                    f"is of another unit ({key} {theirs} against {ours or 'none'})",
                    each.name,
                    "Give results of one unit at a time.",
                )
    return described


def _power(runs: Sequence[Named], inputs: list[Known]) -> Known:
    held = newest(runs, "carrier_power", role=None)
    if held is None:
        known = missing("power_dbm", "transmitter power", "dBm", "measure carrier, or accept")
    else:
        known = measured("power_dbm", "transmitter power", held[1], held[0])
    inputs.append(known)
    return known


def _ways(
    known: Mapping[str, Known],
    power: Known,
    needed: Needed,
    frequencies_hz: tuple[float, float],
    inputs: list[Known],
    remarks: list[str],
) -> tuple[Reach, Reach]:
    transmit_hz, receive_hz = frequencies_hz
    figure_db = needed.noise_figure_db
    gain_dbi, feeder_db = known["antenna_gain_dbi"].number, known["feeder_loss_db"].number
    raised_db = 0.0
    noise_in_db = _noise_db(known, receive_hz)
    if figure_db is not None and noise_in_db is not None:
        loss_db = feeder_db + max(DIPOLE_DBI - gain_dbi, 0.0)
        raised_db = max(raised_by_db(noise_in_db, loss_db, figure_db), 0.0)
        inputs.append(_raised("noise_raises_db", "repeater", raised_db, known))
    elif figure_db is None and needed.level_dbm is not None:
        remarks.append(
            "The noise figure of the receiver is not known: noise at the antenna is left out of"
            " talk-in, which is shorter than said where there is much."
        )
    if noise_in_db is None:
        remarks.append(
            f"ITU-R P.372 gives no man-made noise for {known['surroundings'].value} surroundings"
            " at this frequency: noise at the antennas is left out."
        )
    repeater = Station(
        power_dbm=power.number if power.value is not None else None,
        power_uncertainty_db=power.expanded_uncertainty or 0.0,
        needed_dbm=needed.level_dbm,
        needed_uncertainty_db=needed.expanded_uncertainty_db,
        noise_raises_db=raised_db,
        gain_dbi=gain_dbi,
        loss_db=feeder_db,
        height_m=known["antenna_height_m"].number,
    )
    handheld_dbi = known["handheld.antenna_gain_dbi"].number
    noise_out_db = _noise_db(known, transmit_hz)
    raised_out_db = 0.0
    if noise_out_db is not None:
        loss_db = max(DIPOLE_DBI - handheld_dbi, 0.0)
        figure_db = known["handheld.noise_figure_db"].number
        raised_out_db = max(raised_by_db(noise_out_db, loss_db, figure_db), 0.0)
        inputs.append(_raised("handheld.noise_raises_db", "handheld", raised_out_db, known))
    handheld = Station(
        power_dbm=dbm_from_w(known["handheld.power_w"].number),
        needed_dbm=known["handheld.sensitivity_dbm"].number,
        noise_raises_db=raised_out_db,
        gain_dbi=handheld_dbi,
        loss_db=0.0,
        height_m=known["handheld.height_m"].number,
    )
    path = Path(margin_db=known["margin_db"].number, spread_db=known["spread_db"].number)
    return (
        reach("talk-out", transmit_hz, repeater, handheld, path),
        reach("talk-in", receive_hz, handheld, repeater, path),
    )


def _raised(name: str, who: str, by_db: float, known: Mapping[str, Known]) -> Known:
    surroundings = ENVIRONMENTS[str(known["surroundings"].value)]
    return Known(
        name=name,
        title=f"level that the {who} needs, raised by noise at its antenna",
        value=by_db,
        unit="dB",
        origin="assumed",
        source=f"{surroundings.name} surroundings, median of ITU-R P.372",
    )


def _noise_db(known: Mapping[str, Known], frequency_hz: float) -> float | None:
    return ENVIRONMENTS[str(known["surroundings"].value)].median_db(frequency_hz)


def _exposures(
    known: Mapping[str, Known], power: Known, transmit_hz: float | None, remarks: list[str]
) -> tuple[tuple[Exposure, ...], float | None]:
    """Give the distances for the power at the upper end of its U, an assumed feeder left out."""
    if power.value is None or transmit_hz is None:
        return (), None
    feeder = known["feeder_loss_db"]
    loss_db = feeder.number if feeder.origin == "given" else 0.0
    upper_w = w_from_dbm(power.number + (power.expanded_uncertainty or 0.0))
    eirp_w = float(upper_w * ratio_from_db(known["antenna_gain_dbi"].number - loss_db))
    share = known["exposure_share"].number
    if feeder.origin != "given":
        remarks.append("For exposure the assumed feeder loss is not counted.")
    rows: list[Exposure] = []
    publics: tuple[Public, ...] = ("general public", "occupational")
    for public in publics:
        limit = exposure_limit(public, transmit_hz)
        if limit is None:
            continue
        at = limit.at(transmit_hz)
        rows.append(
            Exposure(
                public=public,
                limit_mw_per_cm2=at,
                averaging_min=limit.averaging_min,
                source=limit.source,
                distances_m=tuple(
                    exposure_distance_m(eirp_w, at, factor, share) for factor in REFLECTIONS
                ),
            )
        )
    return tuple(rows), eirp_w
