"""A path of a bench file: its elements, their losses and what those add to an uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Self

from pydantic import PrivateAttr, model_validator

from harness.describe.document import Description, shown
from harness.describe.quantities import (
    DeviceName,
    LossDb,
    Name,
    RatingW,
    UncertaintyDb,
    Whole,
    refuse,
)
from harness.describe.touchstone import GAIN_ALLOWED_DB, LossCurve, load_loss
from harness.errors import BadInput
from harness.uncertainty import Contribution

SOURCE = "bench file"
MARK_WITHIN_DB = 1.0
"""How far a Touchstone file may be from the loss that the part is marked with. Chosen: more than
pads miss their mark by, less than the step from one pad to the next."""


class PathElement(Description):
    """A pad, cable, coupler or filter: loss in dB, and the power it stands continuously.

    ``touchstone`` names a file that its loss is read from, beside the bench file; ``ports`` are
    the two that power goes in and out by, [1, 2] unless said. ``loss_db`` beside it is what the
    part is marked with, and the file has to agree.
    """

    element: Name
    loss_db: LossDb | None = None
    touchstone: DeviceName | None = None
    ports: tuple[Whole, ...] | None = None
    uncertainty_db: UncertaintyDb
    rating_w: RatingW | None = None
    _curve: LossCurve | None = PrivateAttr(default=None)
    _marked_db: float | None = PrivateAttr(default=None)
    _caution: str | None = PrivateAttr(default=None)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.loss_db is None and self.touchstone is None:
            refuse("has neither loss_db nor touchstone; write the loss in dB, or the file it is in")
        if self.ports is not None and self.touchstone is None:
            refuse("has ports, which only an element with touchstone takes")
        if self.ports is not None and not (len(self.ports) == 2 == len(set(self.ports))):
            refuse(f"ports = {list(self.ports)} are not two ports; write [1, 2] for |S21|")
        return self

    def with_curve(self, bench_path: Path) -> PathElement:
        """Give the same element with its Touchstone file read.

        Raises
        ------
        BadInput : what is wrong with the file.
        """
        if self.touchstone is None:
            return self
        made = self.model_copy(update={"loss_db": None})
        into, out = self.ports or (1, 2)
        made._curve = load_loss(bench_path.parent / self.touchstone, (into, out))
        made._marked_db = self.loss_db
        return made

    def at_frequency(self, frequency_hz: float) -> PathElement:
        """Give the same element with ``loss_db`` as it is at a frequency.

        Raises
        ------
        BadInput : its file does not reach there, or says something else than its mark.
        """
        if self._curve is None:
            return self
        loss_db = self.loss_at_db(frequency_hz)
        if self._marked_db is not None and abs(self._marked_db - loss_db) > MARK_WITHIN_DB:
            raise BadInput(
                f"has a loss of {loss_db:.2f} dB at {frequency_hz / 1e6:.6g} MHz, and"
                f" {shown(self.element)} is said to have loss_db = {self._marked_db:g}",
                self._curve.path,
                "Name the right file and ports, or correct loss_db.",
            )
        made = self.model_copy(update={"loss_db": loss_db})
        gain_db = -self._curve.at_db(frequency_hz)
        made._caution = None
        if gain_db > 0.0:
            made._caution = (
                f"{self.element}: {self._curve.path} gives it a gain of {gain_db:.2f} dB at"
                f" {frequency_hz / 1e6:.6g} MHz; a passive part has none, so no loss is counted."
                " Check how the analyser was calibrated."
            )
        return made

    @property
    def caution(self) -> str | None:
        """What is odd about its Touchstone file at the frequency that was filled in."""
        return self._caution

    def loss_at_db(self, frequency_hz: float, *, either_way: bool = False) -> float:
        """Give its loss at a frequency; ``either_way`` the smaller one of both directions.

        Raises
        ------
        BadInput : as ``at_frequency``.
        """
        if self._curve is None:
            return self.known_loss_db
        at_db = self._curve.least_db if either_way else self._curve.at_db
        loss_db = at_db(frequency_hz)
        if loss_db < -GAIN_ALLOWED_DB:
            raise BadInput(
                f"has a gain of {-loss_db:.2f} dB at {frequency_hz / 1e6:.6g} MHz; an amplifier"
                " has no place in a path that power is planned through",
                self._curve.path,
                "Check the file and its ports.",
            )
        return max(0.0, loss_db)

    @property
    def known_loss_db(self) -> float:
        """Its loss in dB, as declared or as filled in.

        Raises
        ------
        BadInput : it stands in a file, and no frequency has been given.
        """
        if self.loss_db is None:
            raise BadInput(
                f"the loss of {shown(self.element)} hangs on the frequency, which is not known",
                str(self.touchstone),
                "Give the unit file (--unit), or the frequency.",
            )
        return self.loss_db


CONNECTION = ".connection"
"""Ending of the name of what is made anew each time that a unit is connected."""


def path_loss_db(path: Sequence[PathElement]) -> float:
    """Loss of a path in dB: the sum over its elements.

    Raises
    ------
    BadInput : one hangs on the frequency, and none has been given.
    """
    return sum(element.known_loss_db for element in path)


def each_once(key: str, path: Sequence[PathElement]) -> None:
    """Refuse a path in which two elements have one name."""
    names = [element.element for element in path]
    for name in names:
        if names.count(name) > 1:
            refuse(f"{key} has two elements named {shown(name)}; give each its own name")


def declared(prefix: str, sign: float, path: Sequence[PathElement]) -> list[Contribution]:
    """Give what the losses of a path add to an uncertainty, in dB; ``sign`` is how they enter."""
    return [
        Contribution(
            name=f"{prefix}.{element.element}",
            standard_uncertainty=element.uncertainty_db,
            sensitivity=sign,
            kind="B",
            source=SOURCE,
        )
        for element in path
    ]
