"""The level plan as chains of boxes: from the unit's port to a receiver or the generator."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from harness.describe.bench import Bench
from harness.describe.level_plan import BACK, UNIT_PORT, LevelLine, LevelPlan, Signal, loss_on_db
from harness.describe.path import PathElement
from harness.describe.unit import Unit
from harness.units import dbm_from_w

TAP = "tap"
SHOWN_APART_FROM_DB = 0.05
"""Half of the last digit that a loss is drawn with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelBox:
    """A place or an element.

    Parameters
    ----------
    name : str
    loss_db : float or None, of an element, at the frequency that its path is for
    transmit_loss_db : float or None, of an element that has another loss to the transmitter
    inside_w : float or None, what stays in an element on transmit
    limits : what it stands, in words; each once
    safe : bool, whatever arrives
    """

    name: str
    loss_db: float | None = None
    transmit_loss_db: float | None = None
    inside_w: float | None = None
    limits: tuple[str, ...] = ()
    safe: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelWire:
    """What runs between two boxes, in dBm: None where nothing is counted on or known.

    On transmit it runs from the port on; on receive towards the port, unless ``receive_onward``.
    """

    transmit_dbm: float | None
    receive_dbm: float | None
    receive_onward: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelChain:
    """Boxes from the unit's side on, and a wire between each two."""

    title: str
    boxes: tuple[LevelBox, ...]
    wires: tuple[LevelWire, ...]


def level_chains(unit: Unit, bench: Bench, plan: LevelPlan) -> tuple[LevelChain, ...]:
    """Give the chains of a bench with the level on each wire.

    Parameters
    ----------
    unit, bench : as described in their files
    plan : of these two

    Returns
    -------
    tuple : to the output receiver, to the generator (to the tap without one), from the tap to the
        input receiver; each where the bench has it
    """
    rated_dbm = dbm_from_w(unit.rated_power_w)
    shared = unit.antenna_port == "shared"
    chains = []
    if bench.output is not None:
        chains.append(
            _chain(
                plan,
                unit,
                "From the unit's port to the output receiver",
                LevelBox(name="unit's port" if shared else "unit's transmitter port"),
                [("output path", bench.output.path)],
                "output receiver",
                outgoing="transmit",
                transmit_dbm=rated_dbm,
                receive_dbm=None,
            )
        )
    generator, receiver = bench.generator, bench.input
    if generator is None and receiver is None:
        return tuple(chains)
    unit_path = receiver.unit_path if receiver is not None else ()
    back_dbm = rated_dbm if shared else None
    highest_dbm = generator.maximum_dbm if generator is not None else None
    generator_path = generator.path if generator is not None else ()
    # From the unit's side on.
    sections: list[tuple[str, Sequence[PathElement]]] = [
        ("input unit_path", tuple(reversed(unit_path)))
    ]
    if generator is not None:
        sections.append(("generator path", tuple(reversed(generator_path))))
    chains.append(
        _chain(
            plan,
            unit,
            f"From the unit's port to the {TAP if generator is None else 'generator'}",
            _box("unit's port" if shared else UNIT_PORT, _named(plan, UNIT_PORT)),
            sections,
            TAP if generator is None else "generator output",
            transmit_dbm=back_dbm,
            receive_dbm=_behind(highest_dbm, (*generator_path, *unit_path), "generator", unit),
            tap_after=receiver is not None and generator is not None,
        )
    )
    if receiver is not None:
        chains.append(
            _chain(
                plan,
                unit,
                f"From the {TAP} to the input receiver",
                LevelBox(name=TAP),
                [("input path", receiver.path)],
                "input receiver",
                transmit_dbm=_behind(back_dbm, unit_path, "back", unit),
                receive_dbm=_behind(highest_dbm, generator_path, "generator", unit),
                receive_onward=True,
            )
        )
    return tuple(chains)


def _behind(
    level_dbm: float | None, path: Iterable[PathElement], signal: Signal, unit: Unit
) -> float | None:
    """Give the level behind a path, or None where none is followed."""
    if level_dbm is None:
        return None
    return level_dbm - sum(loss_on_db(element, signal, unit) for element in path)


def _named(plan: LevelPlan, name: str) -> list[LevelLine]:
    """Give what arrives at a place from either side, and at its full scale."""
    return [
        line for line in plan.lines if line.name.removeprefix(BACK) in (name, f"{name}, full scale")
    ]


def _box(
    name: str,
    lines: Sequence[LevelLine],
    loss_db: float | None = None,
    transmit_loss_db: float | None = None,
) -> LevelBox:
    heat_w = [line.dissipated_w for line in lines if line.signal != "generator"]
    return LevelBox(
        name=name,
        loss_db=loss_db,
        transmit_loss_db=transmit_loss_db,
        inside_w=heat_w[0] if heat_w and loss_db is not None else None,
        limits=tuple(dict.fromkeys(line.limit for line in lines)),
        safe=all(line.safe for line in lines),
    )


def _chain(
    plan: LevelPlan,
    unit: Unit,
    title: str,
    start: LevelBox,
    sections: Sequence[tuple[str, Sequence[PathElement]]],
    end: str,
    *,
    outgoing: Signal = "back",
    transmit_dbm: float | None,
    receive_dbm: float | None,
    receive_onward: bool = False,
    tap_after: bool = False,
) -> LevelChain:
    """Follow both levels from the first box on; ``tap_after`` the first section stands the tap.

    ``outgoing`` is what the transmitter's power is to the chain.
    """
    own: Signal = "transmit" if outgoing == "transmit" else "generator"
    boxes, wires = [start], []

    def wire() -> None:
        wires.append(
            LevelWire(
                transmit_dbm=transmit_dbm, receive_dbm=receive_dbm, receive_onward=receive_onward
            )
        )

    for number, (path, elements) in enumerate(sections):
        for element in elements:
            wire()
            lines = _named(plan, f"{path}: {element.element}")
            loss_db, apart_db = loss_on_db(element, own, unit), None
            if transmit_dbm is not None:
                outgoing_db = loss_on_db(element, outgoing, unit)
                transmit_dbm -= outgoing_db
                if abs(outgoing_db - loss_db) >= SHOWN_APART_FROM_DB:
                    apart_db = outgoing_db
            boxes.append(_box(element.element, lines, loss_db, apart_db))
            if receive_dbm is not None:
                # Towards the port the level is the higher, the further from it.
                receive_dbm += -loss_db if receive_onward else loss_db
        if tap_after and number == 0:
            wire()
            boxes.append(LevelBox(name=TAP))
    wire()
    boxes.append(_box(end, _named(plan, end)))
    return LevelChain(title=title, boxes=tuple(boxes), wires=tuple(wires))
