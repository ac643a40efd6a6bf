"""The level plan: where the power goes, and whether everything in its way can stand it.

The transmitter's rated power is followed from the unit's port through each declared element to
the output receiver. With one shared antenna port it also runs backwards along the path of the
generator: through ``[[input.unit_path]]`` to the tap, and from there in full to the generator and
in full to the input receiver (no split and no directivity of the tap is counted on). The
generator's highest level is followed forwards to the input receiver and to the unit's port.

An element is judged by the power that arrives at it, which is what makers rate; its dissipation
is shown beside. No derating for heat: the ratings are taken as continuous. On a live bench an
unknown rating is unsafe; on a simulated one it is only said. A loss out of a Touchstone file is
that at the frequency of the signal followed: an element of the generator's path has two.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from harness.describe.bench import Bench
from harness.describe.path import PathElement
from harness.describe.receiver import SAFE_INPUT_DBM, Receiver
from harness.describe.unit import Unit
from harness.errors import Unsafe
from harness.units import dbm_from_w, w_from_dbm

RATING_NEEDED_FROM_W = 0.05
"""Chosen: below the smallest rating that connectors, cables and chip resistors are sold with."""
HARMLESS_REVERSE_DBM = 0.0
"""Chosen: 1 mW, less than signal generators give out themselves; more asks for a rating."""
TOLERANCE_DB = 1e-9
"""A level equal to its limit is allowed, whatever the rounding of its sum."""
UNIT_PORT = "unit's receiver port"
BACK = "back through "
"""Begins the name of an element that the transmitter's power meets from the unit's side."""

REMEDY = "Change the bench and its file before anything is keyed."

Signal = Literal["transmit", "back", "generator"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelLine:
    """One place that power arrives at.

    Parameters
    ----------
    name : str, the path and the element: ``output path: 30 dB pad``
    signal : "transmit", "back" (the transmitter's power towards the generator) or "generator"
    level_dbm, power_w : float, arriving
    out_dbm : float or None, leaving; None where the path ends
    dissipated_w : float, what stays inside
    limit_dbm : float or None, what it stands; None when nobody declared it
    limit : str, the limit in words
    safe : bool
    """

    name: str
    signal: Signal
    level_dbm: float
    power_w: float
    out_dbm: float | None
    dissipated_w: float
    limit_dbm: float | None
    limit: str
    safe: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelPlan:
    """Every place that power arrives at, and in plain sentences what cannot stand it."""

    unit: str
    bench: str
    live: bool
    lines: tuple[LevelLine, ...]
    unsafe: list[str]
    notes: tuple[str, ...] = ()

    def require_safe(self) -> None:
        """Do nothing when all is safe.

        Raises
        ------
        Unsafe : with the first of ``unsafe``.
        """
        if self.unsafe:
            raise Unsafe(self.unsafe[0], f"level plan of {self.bench}", REMEDY)


def loss_on_db(element: PathElement, signal: Signal, unit: Unit) -> float:
    """Give the loss of an element to a signal, at the frequency of that signal.

    Raises
    ------
    BadInput : its Touchstone file does not reach there.

    Notes
    -----
    On the way back to the generator no directivity is counted on: it is the smaller loss of both
    ways through.
    """
    if signal == "generator":
        return element.loss_at_db(unit.receive_hz)
    return element.loss_at_db(unit.transmit_hz, either_way=signal == "back")


class _Plan:
    """Lines, refusals and notes while they are gathered."""

    def __init__(self, unit: Unit, live: bool) -> None:
        self.unit = unit
        self.live = live
        self.lines: list[LevelLine] = []
        self.unsafe: list[str] = []
        self.notes: list[str] = []

    def unknown(self, sentence: str) -> bool:
        """Take down something that cannot be told; give whether that is safe here."""
        (self.unsafe if self.live else self.notes).append(sentence)
        return not self.live

    def through(
        self,
        path: Iterable[PathElement],
        level_dbm: float,
        name: str,
        signal: Signal,
    ) -> float:
        """Follow a level through a path; give the level behind it in dBm."""
        for element in path:
            place = f"{name}: {element.element}"
            power_w = w_from_dbm(level_dbm)
            out_dbm = level_dbm - loss_on_db(element, signal, self.unit)
            limit_dbm = None
            safe = True
            if element.rating_w is not None:
                limit = f"{element.rating_w:g} W continuous"
                limit_dbm = dbm_from_w(element.rating_w)
                safe = level_dbm <= limit_dbm + TOLERANCE_DB
                if not safe:
                    self.unsafe.append(
                        f"{place} gets {power_w:.3g} W and is rated {element.rating_w:g} W"
                    )
            elif power_w < RATING_NEEDED_FROM_W:
                limit = f"no rating asked below {RATING_NEEDED_FROM_W:g} W"
            else:
                limit = "rating unknown"
                safe = self.unknown(f"{place} gets {power_w:.3g} W and has no rating_w")
            self.lines.append(
                LevelLine(
                    name=place,
                    signal=signal,
                    level_dbm=level_dbm,
                    power_w=power_w,
                    out_dbm=out_dbm,
                    dissipated_w=power_w - w_from_dbm(out_dbm),
                    limit_dbm=limit_dbm,
                    limit=limit,
                    safe=safe,
                )
            )
            level_dbm = out_dbm
        return level_dbm

    def at(
        self,
        level_dbm: float,
        name: str,
        signal: Signal,
        limit_dbm: float | None,
        limit: str,
        refusal: str,
    ) -> None:
        """Judge a level where its path ends; ``refusal`` says what the limit is to it."""
        if limit_dbm is None:
            safe = self.unknown(f"{name} gets {level_dbm:.1f} dBm and {refusal}")
        else:
            safe = level_dbm <= limit_dbm + TOLERANCE_DB
            if not safe:
                self.unsafe.append(f"{name} gets {level_dbm:.1f} dBm and {refusal}")
        self._arrives(level_dbm, name, signal, limit_dbm, limit, safe=safe)

    def shown(
        self,
        level_dbm: float,
        name: str,
        signal: Signal,
        limit: str,
    ) -> None:
        """Take down a level that nothing limits."""
        self._arrives(level_dbm, name, signal, None, limit, safe=True)

    def _arrives(
        self,
        level_dbm: float,
        name: str,
        signal: Signal,
        limit_dbm: float | None,
        limit: str,
        *,
        safe: bool,
    ) -> None:
        """Take down a level where its path ends: all of its power stays there."""
        power_w = w_from_dbm(level_dbm)
        self.lines.append(
            LevelLine(
                name=name,
                signal=signal,
                level_dbm=level_dbm,
                power_w=power_w,
                out_dbm=None,
                dissipated_w=power_w,
                limit_dbm=limit_dbm,
                limit=limit,
                safe=safe,
            )
        )

    def at_receiver(
        self,
        receiver: Receiver,
        level_dbm: float,
        signal: Signal,
        overload: bool,
    ) -> None:
        """Judge a level at a receiver's connector: damage, and overload where it matters."""
        name = f"{receiver.role} receiver"
        self.at(
            level_dbm,
            name,
            signal,
            receiver.safe_input_dbm,
            f"safe input {receiver.safe_input_dbm:g} dBm",
            f"stands {receiver.safe_input_dbm:g} dBm without damage",
        )
        if not overload:
            return
        if receiver.full_scale_dbm is None:
            self.notes.append(
                f"{name} gets {level_dbm:.1f} dBm; it has no full_scale_dbm, so whether that"
                " overloads it shows only as clipped samples."
            )
            return
        self.at(
            level_dbm,
            f"{name}, full scale",
            signal,
            receiver.full_scale_dbm,
            f"full scale {receiver.full_scale_dbm:g} dBm".replace("-", "\N{MINUS SIGN}"),
            f"is overloaded above {receiver.full_scale_dbm:g} dBm",
        )


def level_plan(unit: Unit, bench: Bench) -> LevelPlan:
    """Follow the power of a unit's transmitter, and of the generator, over a bench.

    Parameters
    ----------
    unit, bench : as described in their files

    Returns
    -------
    LevelPlan : lines in the order in which power meets the elements

    Raises
    ------
    BadInput : a Touchstone file of the bench does not reach to a frequency of the unit.

    Notes
    -----
    Levels add in dB: out = in - loss. Dissipation is power in minus power out. Reflection at
    the elements is not counted.
    """
    plan = _Plan(unit, bench.live)
    rated_dbm = dbm_from_w(unit.rated_power_w)
    if bench.output is not None:
        arriving = plan.through(bench.output.path, rated_dbm, "output path", "transmit")
        plan.at_receiver(bench.output, arriving, "transmit", overload=True)
    else:
        plan.unknown(
            f"no [output] is declared, so what takes the {unit.rated_power_w:g} W of the"
            " transmitter is unknown"
        )
    if unit.antenna_port == "shared":
        _back(plan, bench, rated_dbm)
    elif bench.generator is not None:
        plan.notes.append(
            "The generator belongs on the receiver's port; on the transmitter's it would take"
            f" {unit.rated_power_w:g} W."
        )
    _forward(plan, bench)
    plan.notes += bench.path_cautions
    receivers = [receiver for receiver in (bench.input, bench.output) if receiver is not None]
    if any("safe_input_dbm" not in receiver.model_fields_set for receiver in receivers):
        plan.notes.append(
            f"A safe input of {SAFE_INPUT_DBM:g} dBm is common practice, no source; give"
            " safe_input_dbm when the receiver's sheet says it."
        )
    return LevelPlan(
        unit=unit.name,
        bench=bench.name,
        live=bench.live,
        lines=tuple(plan.lines),
        unsafe=plan.unsafe,
        notes=tuple(plan.notes),
    )


def _reversed(path: Sequence[PathElement]) -> Sequence[PathElement]:
    return tuple(reversed(path))


def _back(plan: _Plan, bench: Bench, rated_dbm: float) -> None:
    """Follow the transmitter's power out of a shared port towards generator and input receiver."""
    tap_dbm = rated_dbm
    if bench.input is not None:
        tap_dbm = plan.through(
            _reversed(bench.input.unit_path), rated_dbm, BACK + "input unit_path", "back"
        )
        arriving = plan.through(bench.input.path, tap_dbm, BACK + "input path", "back")
        plan.at_receiver(bench.input, arriving, "back", overload=True)
    if bench.generator is not None:
        generator = bench.generator
        arriving = plan.through(_reversed(generator.path), tap_dbm, BACK + "generator path", "back")
        rating_w = generator.reverse_power_w
        if rating_w is None and arriving <= HARMLESS_REVERSE_DBM:
            limit_dbm, refusal = HARMLESS_REVERSE_DBM, ""
            limit = f"no rating asked below {HARMLESS_REVERSE_DBM:g} dBm"
        elif rating_w is None:
            limit_dbm, limit, refusal = None, "reverse power unknown", "has no reverse_power_w"
        else:
            limit_dbm, limit = dbm_from_w(rating_w), f"reverse power {rating_w:g} W"
            refusal = f"stands {rating_w:g} W"
        plan.at(arriving, "generator output", "back", limit_dbm, limit, refusal)


def _forward(plan: _Plan, bench: Bench) -> None:
    """Follow the generator's highest level to the input receiver and to the unit's port."""
    generator, receiver = bench.generator, bench.input
    if generator is None:
        return
    if generator.maximum_dbm is None:
        plan.notes.append("The generator has no maximum_dbm, so no level on receive can be given.")
        return
    tap_dbm = plan.through(generator.path, generator.maximum_dbm, "generator path", "generator")
    if receiver is not None:
        arriving = plan.through(receiver.path, tap_dbm, "input path", "generator")
        plan.at_receiver(receiver, arriving, "generator", overload=False)
        tap_dbm = plan.through(receiver.unit_path, tap_dbm, "input unit_path", "generator")
    plan.shown(tap_dbm, UNIT_PORT, "generator", "the highest level that the unit is sent")
