"""A duplexer from Touchstone files, against what the unit's power and its receiver need.

Power goes from the transmitter's port to the antenna's by the transmit branch, from there to the
receiver's port by the receive branch. Two things reach the receiver from its own transmitter:

- **Its carrier**, on the transmit frequency: at the receiver's port it has to stay below the level
  that blocks the receiver.
- **Its noise** on the receive frequency, which no filter of the receiver takes away. It adds to the
  noise that is there, k T0 F; both are independent, so their powers add, and the sensitivity falls
  by 10 lg(1 + N/N0) dB. (That a ratio I/N of -6 dB costs about 1 dB: Rec. ITU-R M.1461, memory.)
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from harness.describe.touchstone import LossCurve
from harness.describe.unit import Unit
from harness.errors import BadInput
from harness.measure.duplexer_loss import (
    ANALYSER_DB,
    ANALYSER_SHARE,
    Branch,
    Duplexer,
    Losses,
    of_analyser,
    reflection,
)
from harness.measure.duplexer_need import Declared, needs_of
from harness.readings import (
    Axis,
    Findings,
    Limit,
    Reading,
    RecordingUsed,
    Series,
    measured,
)
from harness.uncertainty import Contribution, scaled
from harness.units import (
    db_from_ratio,
    dbm_from_w,
    mhz_in_words,
    ratio_from_db,
    thermal_noise_dbm,
    w_from_dbm,
)

KIND = "duplexer"
BRANCHES: tuple[Branch, Branch] = ("transmit", "receive")
LOSS_SERIES: dict[Branch, str] = {
    "transmit": "transmit_branch_loss",
    "receive": "receive_branch_loss",
}


def duplexer_findings(
    duplexer: Duplexer, unit: Unit, uncertainty_db: float | None = None
) -> tuple[Findings, tuple[Limit, ...]]:
    """Check a duplexer against what a unit needs.

    Parameters
    ----------
    duplexer : of ``duplexer_of``
    unit : its frequencies, its rated power at the antenna's port, and ``[duplex]``
    uncertainty_db : standard uncertainty of each loss; None takes 0.1 dB and 2 % of it

    Returns
    -------
    Findings, of kind "duplexer", and the limits that its readings are to be judged by

    Raises
    ------
    BadInput : a file does not reach to a frequency, gains there, or the branches are exchanged.
    """
    check = _Check(duplexer, unit, uncertainty_db)
    check.branches()
    check.reflections()
    check.receiver()
    return (
        Findings(
            kind=KIND,
            readings=tuple(check.readings),
            series=tuple(_series(branch, duplexer.curves[branch]) for branch in BRANCHES),
            cautions=(*check.losses.cautions, *check.told()),
            recordings=tuple(
                RecordingUsed(path=file.path, role=role, sha512=file.sha512)
                for role, file in duplexer.files
            ),
        ),
        _limits(unit),
    )


class _Check:
    """Readings of a duplexer while they are gathered; arguments as of ``duplexer_findings``."""

    def __init__(self, duplexer: Duplexer, unit: Unit, uncertainty_db: float | None) -> None:
        self.readings: list[Reading] = []
        self.losses = Losses(duplexer, unit, uncertainty_db)
        self._duplexer = duplexer
        self._unit = unit
        self._uncertainty_db = uncertainty_db
        self._needs = needs_of(unit)
        self._names = tuple(file.path for _, file in duplexer.files)
        self._passed = {b: self.losses.of_branch(b, self.losses.own_hz(b)) for b in BRANCHES}
        self._rejected = {b: self.losses.of_branch(b, self.losses.other_hz(b)) for b in BRANCHES}
        if all(self._passed[b].loss_db > self._rejected[b].loss_db for b in BRANCHES):
            raise BadInput(
                f"passes {mhz_in_words(unit.receive_hz)} and rejects"
                f" {mhz_in_words(unit.transmit_hz)}: the branches are exchanged, or the unit's"
                " frequencies are",
                duplexer.curves["transmit"].path,
                "Give the transmit branch first, or the right --ports.",
            )
        # What leaves the antenna's port is what the unit is rated for.
        self._sent_dbm = float(dbm_from_w(unit.rated_power_w)) + self._passed["transmit"].loss_db

    def branches(self) -> None:
        """Give each branch's loss at both frequencies, and what that asks of the transmitter."""
        for branch in BRANCHES:
            loss, at_hz = self._passed[branch], self.losses.own_hz(branch)
            self._add(
                "insertion_loss",
                loss.loss_db,
                loss.contributions,
                branch=branch,
                frequency_hz=at_hz,
            )
        sent_w, rated_w = float(w_from_dbm(self._sent_dbm)), self._unit.rated_power_w
        self._add(
            "transmitter_port_power",
            sent_w,
            scaled(self._passed["transmit"].contributions, sent_w * math.log(10.0) / 10.0),
            note=f"{sent_w - rated_w:.2f} W of it become heat in the duplexer, {rated_w:g} W leave",
        )
        for branch in BRANCHES:
            loss, at_hz = self._rejected[branch], self.losses.other_hz(branch)
            self._add(
                "branch_rejection",
                loss.loss_db,
                loss.contributions,
                note=_deepest(self._duplexer.curves[branch], at_hz),
                branch=branch,
                frequency_hz=at_hz,
            )

    def reflections(self) -> None:
        """Give the return loss of each port where the files hold it."""
        for (branch, port), curve in self._duplexer.reflections.items():
            share = reflection(curve, self.losses.own_hz(branch))
            if share is None:
                continue
            self._add(
                "return_loss",
                -20.0 * math.log10(share),
                [of_analyser(f"{branch} {port}", self._uncertainty_db, share)],
                note=f"VSWR {(1.0 + share) / (1.0 - share):.2f}" if share < 1.0 else "",
                branch=branch,
                port=port,
            )

    def receiver(self) -> None:
        """Give what of the transmitter reaches the receiver, and whether it is little enough."""
        unit, needs = self._unit, self._needs
        carrier, noise = (
            self.losses.isolation(at_hz) for at_hz in (unit.transmit_hz, unit.receive_hz)
        )
        direct = self._duplexer.isolation is not None
        for found, at_hz in ((carrier, unit.transmit_hz), (noise, unit.receive_hz)):
            self._add(
                "duplexer_isolation",
                found.loss_db,
                found.contributions,
                method="direct measurement" if direct else "the sum of both branches",
                frequency_hz=at_hz,
            )
        sent_dbm, sent_parts = self._sent_dbm, self._passed["transmit"].contributions
        arriving_dbm = sent_dbm - carrier.loss_db
        self._add(
            "isolation_margin",
            needs.blocking.value - arriving_dbm,
            [
                *scaled(sent_parts, -1.0),
                *carrier.contributions,
                _declared("blocking", needs.blocking, 1.0),
            ],
            note=(
                f"{sent_dbm - needs.blocking.value:.1f} dB are needed: the carrier is"
                f" {sent_dbm:.1f} dBm at the transmitter's port and {arriving_dbm:.1f} dBm at the"
                f" receiver's, which stands {needs.blocking.value:g} dBm"
            ),
            against="the transmitter's carrier",
            frequency_hz=unit.transmit_hz,
        )
        floor_dbm = thermal_noise_dbm(1.0) + needs.figure.value
        noise_dbm = sent_dbm + needs.noise.value - noise.loss_db
        allowed_dbm = floor_dbm + _noise_for_loss_db(needs.tolerated.value)
        parts = [
            *sent_parts,
            *scaled(noise.contributions, -1.0),
            _declared("transmitter noise", needs.noise, 1.0),
            _declared("noise figure", needs.figure, -1.0),
        ]
        margin = self._add(
            "isolation_margin",
            allowed_dbm - noise_dbm,
            scaled(parts, -1.0),
            note=(
                f"{sent_dbm + needs.noise.value - allowed_dbm:.1f} dB are needed, so that the"
                f" transmitter's noise costs {needs.tolerated.value:g} dB at most"
            ),
            against="the transmitter's noise",
            frequency_hz=unit.receive_hz,
        )
        self.readings.append(_expected(noise_dbm - floor_dbm, parts, margin))

    def told(self) -> Iterable[str]:
        """Say what the numbers rest on."""
        usual = [each for each in self._needs.all if each.source != "unit file"]
        if usual:
            numbers = "; ".join(f"{n.words} {n.value:g} {n.unit} ({n.source})" for n in usual)
            yield f"Not in the unit file's [duplex], so taken: {numbers}."
        if self._uncertainty_db is None:
            yield (
                f"Each loss is taken to be known to {ANALYSER_DB:g} dB and"
                f" {100.0 * ANALYSER_SHARE:g} % of it (chosen, one standard deviation);"
                " --uncertainty says otherwise."
            )
        if self._duplexer.isolation is None:
            yield (
                "Each branch has to be measured with a load of 50 ohm on the port of the other; the"
                " sum of both stands for the isolation."
            )
            antenna = [
                c for (_, port), c in self._duplexer.reflections.items() if port == "antenna"
            ]
            if all(reflection(curve, self._unit.transmit_hz) is None for curve in antenna):
                yield "No return loss of the antenna's port is given: it is taken to be matched."
        yield (
            "The receiver's own noise is reckoned at 290 K; on an antenna there is more of it, and"
            " the transmitter's costs less. Cavities drift with temperature: leave a margin."
        )

    def _add(
        self,
        name: str,
        value: float,
        parts: Iterable[Contribution],
        note: str = "",
        **held: str | float,
    ) -> Reading:
        made = measured(
            name, value, parts, count=1, conditions=held, recordings=self._names, note=note
        )
        self.readings.append(made)
        return made


def loss_by_noise_db(noise_to_floor_db: float) -> float:
    """Give the sensitivity that further noise costs: 10 lg(1 + N/N0), N/N0 in dB."""
    return float(db_from_ratio(1.0 + ratio_from_db(noise_to_floor_db)))


def _noise_for_loss_db(loss_db: float) -> float:
    """Give N/N0 in dB that costs so much: the inverse of ``loss_by_noise_db``."""
    return float(db_from_ratio(ratio_from_db(loss_db) - 1.0))


def _expected(ratio_db: float, parts: Sequence[Contribution], margin: Reading) -> Reading:
    """Give the desensitisation by noise; its ends are those of N/N0, since it rises with it."""
    value_db = loss_by_noise_db(ratio_db)
    half_db = margin.expanded_uncertainty or 0.0
    low_db, high_db = loss_by_noise_db(ratio_db - half_db), loss_by_noise_db(ratio_db + half_db)
    # d/dx 10 lg(1 + 10^(x/10)) = r / (1 + r), with r the ratio.
    slope = 1.0 - 1.0 / (1.0 + float(ratio_from_db(ratio_db)))
    made = measured(
        "desensitisation_expected",
        value_db,
        scaled(parts, slope),
        count=1,
        recordings=margin.recordings,
        note=f"the transmitter's noise lies {abs(ratio_db):.1f} dB"
        f" {'above' if ratio_db > 0.0 else 'below'} the receiver's own",
    )
    return replace(
        made,
        interval=(low_db, high_db),
        expanded_uncertainty=max(value_db - low_db, high_db - value_db),
    )


def _limits(unit: Unit) -> tuple[Limit, ...]:
    """Give what the readings are judged by: margins, the duplexer's rating, the unit's limits."""
    limits = [
        Limit(reading="isolation_margin", unit="dB", minimum=0.0, source="what the receiver needs")
    ]
    if unit.duplex is not None and unit.duplex.rating_w is not None:
        limits.append(
            Limit(
                reading="transmitter_port_power",
                unit="W",
                maximum=unit.duplex.rating_w,
                source="rating_w of the unit file's [duplex]",
            )
        )
    return (*limits, *unit.limits)


def _declared(name: str, number: Declared, sensitivity: float) -> Contribution:
    return Contribution(
        name=f"duplex.{name}",
        standard_uncertainty=number.uncertainty_db,
        sensitivity=sensitivity,
        source=number.source,
    )


def _deepest(curve: LossCurve, wanted_hz: float) -> str:
    """Say where a branch rejects most, and how far that is from where it ought to."""
    number = int(np.argmax(curve.loss_db))
    at_hz = curve.frequency_hz[number]
    away_hz = at_hz - wanted_hz
    place = "just there" if away_hz == 0.0 else f"{abs(away_hz) / 1e3:.0f} kHz"
    if away_hz:
        place += " above it" if away_hz > 0.0 else " below it"
    return f"most, {curve.loss_db[number]:.1f} dB, at {mhz_in_words(at_hz)}, {place}"


def _series(branch: Branch, curve: LossCurve) -> Series:
    axis = Axis(name="frequency", unit="Hz", values=np.array(curve.frequency_hz))
    return Series(name=LOSS_SERIES[branch], unit="dB", axes=(axis,), values=np.array(curve.loss_db))
