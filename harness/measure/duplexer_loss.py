"""A duplexer out of Touchstone files: its losses at a frequency, and how well they are known.

**Isolation from two branches.** A file of three ports holds it. From two files of two ports: with
both branches joined at the antenna's port, whose reflection is S_aa with the other ports on loads,
a wave a from the antenna makes the voltage (1 + S_aa) a there and the receiver's wave
S_ra a; a wave b from the transmitter makes the voltage S_at b. The receive branch is driven by
the voltage, so S_rt = S_ra S_at / (1 + S_aa): the losses add, within the mismatch of
that port. Its phase is not known behind a length of line, which makes 20 lg|1 + S_aa|
U-shaped, with a standard deviation of 8.69 |S_aa| / sqrt(2) dB (ETSI TR 100 028-1, the
form of its mismatch uncertainty, memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from harness.describe.touchstone import GAIN_ALLOWED_DB, LossCurve, SParameters
from harness.describe.unit import Unit
from harness.errors import BadInput
from harness.uncertainty import Contribution, rectangular
from harness.units import mhz_in_words

Branch = Literal["transmit", "receive"]
ANALYSER_DB, ANALYSER_SHARE = 0.1, 0.02
"""Standard uncertainty of a loss where none is given: 0.1 dB and 2 % of it. Chosen: a low-cost
analyser, calibrated, sees a notch of 80 dB to some 2 dB."""
COARSE_DB = 1.0
"""Loss between two neighbouring points from which their distance is a caution. Chosen."""
DEEPEST_DB = 100.0
"""Losses beyond this may be the analyser's own floor. Chosen."""
ALIKE_DB = 1.0
"""How far both ways through a branch may differ: a duplexer is reciprocal. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Duplexer:
    """A duplexer as its files give it.

    Parameters
    ----------
    curves : loss of each branch
    isolation : loss from the transmitter's port to the receiver's; None where two files of two
        ports do not hold it
    reflections : return loss by branch and name of the port
    files : what was read
    """

    curves: Mapping[Branch, LossCurve]
    isolation: LossCurve | None
    reflections: Mapping[tuple[Branch, str], LossCurve]
    files: tuple[tuple[str, SParameters], ...]


def duplexer_of(
    files: Sequence[SParameters], ports: tuple[int, int, int] | None = None
) -> Duplexer:
    """Put a duplexer together of its files.

    Parameters
    ----------
    files : one of three ports; or the transmit branch (in by port 1, out to the antenna by 2) and
        the receive branch (in from the antenna by port 1, out by 2)
    ports : of three ports the transmitter's, the antenna's and the receiver's; None is (1, 2, 3)

    Raises
    ------
    BadInput : another number of files or ports.
    """
    if len(files) == 1 and files[0].ports == 3:
        tx, antenna, rx = ports or (1, 2, 3)
        if sorted((tx, antenna, rx)) != [1, 2, 3]:
            raise BadInput(
                f"{tx},{antenna},{rx} are not the three ports",
                "--ports",
                "Give the transmitter's, the antenna's and the receiver's, such as 1,2,3.",
            )
        one = files[0]
        return Duplexer(
            curves={"transmit": one.loss(tx, antenna), "receive": one.loss(antenna, rx)},
            isolation=one.loss(tx, rx),
            reflections={
                ("transmit", "transmitter"): one.loss(tx, tx),
                ("transmit", "antenna"): one.loss(antenna, antenna),
                ("receive", "antenna"): one.loss(antenna, antenna),
                ("receive", "receiver"): one.loss(rx, rx),
            },
            files=(("duplexer", one),),
        )
    if ports is not None:
        raise BadInput("is for one file of three ports", "--ports", "Leave it out.")
    for file in files:
        if file.ports != 2:
            raise BadInput(
                f"has {file.ports} ports",
                file.path,
                "Give one file of three ports, or two of two: transmit branch, then receive.",
            )
    if len(files) != 2:
        raise BadInput(
            f"{len(files)} file{'s' if len(files) != 1 else ''} of two ports given",
            "FILE",
            "Give both branches, transmit first; or one file of three ports.",
        )
    there, back = files
    return Duplexer(
        curves={"transmit": there.loss(1, 2), "receive": back.loss(1, 2)},
        isolation=None,
        reflections={
            ("transmit", "transmitter"): there.loss(1, 1),
            ("transmit", "antenna"): there.loss(2, 2),
            ("receive", "antenna"): back.loss(1, 1),
            ("receive", "receiver"): back.loss(2, 2),
        },
        files=(("transmit branch", there), ("receive branch", back)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """A loss at a frequency: its value in dB and what its uncertainty is made of."""

    loss_db: float
    contributions: tuple[Contribution, ...]


class Losses:
    """Losses at both frequencies, and the cautions on the way to them."""

    def __init__(self, duplexer: Duplexer, unit: Unit, uncertainty_db: float | None) -> None:
        self._duplexer = duplexer
        self._uncertainty_db = uncertainty_db
        self._own_hz: dict[Branch, float] = {
            "transmit": unit.transmit_hz,
            "receive": unit.receive_hz,
        }
        self.cautions: list[str] = []
        for word, frequency_hz in (("sends", unit.transmit_hz), ("receives", unit.receive_hz)):
            for _, file in duplexer.files:
                _require_reach(file, word, frequency_hz)

    def own_hz(self, branch: Branch) -> float:
        """Give the frequency that a branch is to pass."""
        return self._own_hz[branch]

    def other_hz(self, branch: Branch) -> float:
        """Give the frequency that a branch is to reject."""
        return self._own_hz["receive" if branch == "transmit" else "transmit"]

    def of_branch(self, branch: Branch, frequency_hz: float) -> Loss:
        """Give the loss of a branch at a frequency."""
        return self._loss(self._duplexer.curves[branch], f"{branch} branch", frequency_hz)

    def isolation(self, frequency_hz: float) -> Loss:
        """Give the loss from transmitter to receiver: as measured, or the sum of both branches."""
        direct = self._duplexer.isolation
        if direct is not None:
            return self._loss(direct, "isolation", frequency_hz)
        parts = [self.of_branch(branch, frequency_hz) for branch in self._own_hz]
        reflected = [
            reflection(curve, frequency_hz)
            for (_, port), curve in self._duplexer.reflections.items()
            if port == "antenna"
        ]
        known = [share for share in reflected if share is not None]
        mismatch = Contribution(
            name=f"duplexer.antenna mismatch at {mhz_in_words(frequency_hz)}",
            standard_uncertainty=20.0 / math.log(10.0) * max(known, default=0.0) / math.sqrt(2.0),
            source="return loss of the antenna's port",
        )
        return Loss(
            loss_db=sum(part.loss_db for part in parts),
            contributions=(*(c for part in parts for c in part.contributions), mismatch),
        )

    def _loss(self, curve: LossCurve, name: str, frequency_hz: float) -> Loss:
        """Give the smaller loss of both ways, and how well it is known."""
        there_db, back_db = curve.ways_db(frequency_hz)
        loss_db = min(there_db, back_db)
        at = mhz_in_words(frequency_hz)
        if not math.isfinite(loss_db):
            raise curve.nothing_passes(frequency_hz)
        if loss_db < -GAIN_ALLOWED_DB:
            raise BadInput(
                f"has a gain of {-loss_db:.2f} dB at {at}; a duplexer has none",
                curve.path,
                "Check the file and its ports.",
            )
        # A way that is nought throughout was not measured.
        apart_db = abs(there_db - back_db)
        if ALIKE_DB < apart_db < math.inf and loss_db < DEEPEST_DB:
            self._say(
                f"{curve.path}: both ways through it differ by {apart_db:.1f} dB at {at}; a"
                " duplexer is the same both ways. The smaller loss is taken. Check the calibration."
            )
        if loss_db > DEEPEST_DB:
            self._say(
                f"{curve.path}: {loss_db:.0f} dB at {at} may be the floor of the analyser: the loss"
                " is that or more, or less where it leaks past its cables."
            )
        own_db = self._uncertainty_db
        source = "--uncertainty"
        if own_db is None:
            own_db = ANALYSER_DB + ANALYSER_SHARE * max(loss_db, 0.0)
            source = "chosen: a low-cost analyser"
        parts = [
            Contribution(
                name=f"duplexer.{name} at {at}", standard_uncertainty=own_db, source=source
            )
        ]
        points_db = curve.loss_db if there_db <= back_db else curve.back_db
        step_db, bend_db = _between_points(curve.frequency_hz, points_db, frequency_hz)
        if step_db > COARSE_DB:
            self._say(
                f"{curve.path}: its points are far apart at {at}: the loss changes by"
                f" {step_db:.1f} dB from one to the next. Measure it with more points there."
            )
        if bend_db > 0.0:
            parts.append(
                Contribution(
                    name=f"duplexer.{name} between points at {at}",
                    standard_uncertainty=rectangular(bend_db),
                    source="bend of the loss at the neighbouring points",
                    distribution="rectangular",
                )
            )
        return Loss(loss_db=max(loss_db, 0.0), contributions=tuple(parts))

    def _say(self, caution: str) -> None:
        if caution not in self.cautions:
            self.cautions.append(caution)


def of_analyser(name: str, uncertainty_db: float | None, share: float) -> Contribution:
    """Give what the uncertainty of a return loss is made of; ``share`` is |S|."""
    if uncertainty_db is None:
        uncertainty_db = ANALYSER_DB - 20.0 * ANALYSER_SHARE * math.log10(min(share, 1.0))
    return Contribution(
        name=f"duplexer.return loss {name}", standard_uncertainty=uncertainty_db, source="analyser"
    )


def reflection(curve: LossCurve, frequency_hz: float) -> float | None:
    """Give |S| of a port; None where the file has nothing there but a nought.

    A nought in a file is a column that nobody measured.
    """
    losses_db = np.array(curve.loss_db)
    if not np.isfinite(losses_db).any():
        return None
    share = float(np.interp(frequency_hz, curve.frequency_hz, 10.0 ** (-losses_db / 20.0)))
    return share if share > 0.0 else None


def _require_reach(file: SParameters, word: str, frequency_hz: float) -> None:
    first_hz, last_hz = float(file.frequency_hz[0]), float(file.frequency_hz[-1])
    if not first_hz <= frequency_hz <= last_hz:
        raise BadInput(
            f"runs from {mhz_in_words(first_hz)} to {mhz_in_words(last_hz)}, and the unit {word}"
            f" on {mhz_in_words(frequency_hz)}",
            file.path,
            "Measure it over both frequencies.",
        )


def _between_points(
    points_hz: Sequence[float], points_db: Sequence[float], frequency_hz: float
) -> tuple[float, float]:
    """Give the change of loss between the points about a frequency, and what a bend may hide.

    A straight line between two points h apart misses a bent curve by h^2 |f''| / 8 at most
    (the remainder of linear interpolation); h^2 f'' is the second difference at a point. Beside a
    notch the bend itself grows, so twice as much is allowed (chosen: it covers what the line gives
    too much on the flanks of a resonance; that between two points it may be deeper is not
    counted on). Both are 0 where a point stands on the frequency.
    """
    at_hz, loss_db = np.array(points_hz), np.array(points_db)
    right = int(np.searchsorted(at_hz, frequency_hz))
    if right < len(at_hz) and at_hz[right] == frequency_hz:
        return 0.0, 0.0
    left = right - 1
    span_hz = at_hz[right] - at_hz[left]
    bends_db = [0.0]
    for middle in (left, right):
        if 0 < middle < len(at_hz) - 1:
            three = slice(middle - 1, middle + 2)
            with np.errstate(invalid="ignore"):
                slopes = np.diff(loss_db[three]) / np.diff(at_hz[three])
            curvature = 2.0 * (slopes[1] - slopes[0]) / (at_hz[middle + 1] - at_hz[middle - 1])
            bends_db.append(abs(float(curvature)) * span_hz**2 / 4.0)
    bends_db = [bend_db for bend_db in bends_db if math.isfinite(bend_db)]
    return abs(float(loss_db[right] - loss_db[left])), max(bends_db)
