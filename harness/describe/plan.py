"""A test plan: what is done with a unit, in which order, and what its readings are judged by.

A plan is for a kind of unit, a unit file for one of them. So a plan's limit may be written in parts
of what the unit file says (parts in a million of its frequency, dB to its rated power), and may
hold in a band only. What the unit file asks for itself counts beside it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from harness.describe.document import Description, checked, nearest, read_toml, shown
from harness.describe.quantities import (
    LONGEST_SOURCE,
    DeviceName,
    Name,
    RadioHz,
    SpacingHz,
    TransmitterW,
    refuse,
    within,
)
from harness.describe.unit import LimitRow, Unit
from harness.errors import BadInput
from harness.readings import ConditionValue, Limit
from harness.units import dbm_from_w
from harness.vocabulary import TERMS

PLANS = ("short", "12.5-khz", "25-khz")
"""The plans that come with the program, by name."""
MARKED, LOOSEST, EACH = "marked", "loosest", "each"
"""Words for positions of the knob that the unit file names."""

ProcedureName = Literal["carrier", "keying", "spectrum", "squelch", "sensitivity", "battery"]
Reference = Literal["transmit_hz", "rated_power_w", "rated_deviation_hz", "channel_spacing_hz"]
UNITS_OF: Mapping[str, str] = MappingProxyType(
    {
        "transmit_hz": "ppm",
        "rated_power_w": "dB",
        "rated_deviation_hz": "%",
        "channel_spacing_hz": "%",
    }
)
"""What a limit is written in that is a part of something in the unit file."""
READING_UNITS = MappingProxyType(
    {
        "transmit_hz": "Hz",
        "rated_power_w": "dBm",
        "rated_deviation_hz": "Hz",
        "channel_spacing_hz": "Hz",
    }
)

Seconds = Annotated[float, AfterValidator(within(0.1, 86400.0, "s"))]
CarrierS = Annotated[float, AfterValidator(within(1.0, 600.0, "s"))]
Count = Annotated[int, AfterValidator(within(1, 1000, ""))]
PortDbm = Annotated[float, AfterValidator(within(-140.0, -20.0, "dBm"))]
"""Chosen: from below any receiver's noise to what no front end minds."""


def _step_name(value: str) -> str:
    # It stands in names of files.
    if not re.fullmatch(r"[A-Za-z0-9]+(-[A-Za-z0-9]+)*", value) or len(value) > LONGEST_STEP_NAME:
        refuse(
            f"name = {shown(value)} is no name of a step: letters and digits, hyphens between,"
            f" at most {LONGEST_STEP_NAME}"
        )
    return value


LONGEST_STEP_NAME = 40
StepName = Annotated[str, AfterValidator(_step_name)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What a procedure is called for people, and what may be set of it."""

    title: str
    knob: str | None
    settings: tuple[str, ...]


KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        "carrier": Kind(title="Carrier and audio", knob=MARKED, settings=("seconds",)),
        "keying": Kind(title="Keying times", knob=MARKED, settings=("keyings",)),
        "spectrum": Kind(title="Spectrum", knob=MARKED, settings=("seconds", "mask")),
        "squelch": Kind(title="Squelch", knob=EACH, settings=("search_dbm", "quiet_s", "sweeps")),
        "sensitivity": Kind(title="Sensitivity", knob=LOOSEST, settings=("levels_dbm",)),
        "battery": Kind(title="Battery run", knob=MARKED, settings=("interval_s",)),
    }
)
SETTINGS = tuple(dict.fromkeys(name for kind in KINDS.values() for name in kind.settings))


class PlanStep(Description):
    """A row of ``[[steps]]``: a procedure, where the knob stands, and how much is done.

    What is not said is as usual (``docs/plan.md`` has the table). ``optional`` is done only when it
    is asked for. ``name`` is what the step is known by where one procedure is done twice.
    """

    procedure: ProcedureName
    name: StepName | None = None
    knob: Name | None = None
    optional: bool = False
    seconds: CarrierS | None = None
    keyings: Count | None = None
    search_dbm: tuple[PortDbm, PortDbm] | None = None
    quiet_s: Seconds | None = None
    sweeps: Count | None = None
    levels_dbm: tuple[PortDbm, PortDbm] | None = None
    interval_s: Seconds | None = None
    mask: DeviceName | None = None

    @model_validator(mode="after")
    def _meaningful(self) -> Self:
        allowed = KINDS[self.procedure].settings
        for key in SETTINGS:
            if getattr(self, key) is not None and key not in allowed:
                refuse(f"{key} is nothing of {self.procedure}; it has {', '.join(allowed)}")
        for key in ("search_dbm", "levels_dbm"):
            ends = getattr(self, key)
            if ends is not None and ends[0] >= ends[1]:
                refuse(f"{key} runs from {ends[0]:g} down to {ends[1]:g}")
        if self.knob == EACH and self.procedure != "squelch":
            refuse(f'knob = "{EACH}" is for squelch alone')
        return self

    @property
    def known_as(self) -> str:
        """Name of the step in its plan."""
        return self.name or self.procedure

    @property
    def title(self) -> str:
        """Name for people."""
        own = self.name is not None and self.name != self.procedure
        return f"{KINDS[self.procedure].title}: {self.name}" if own else KINDS[self.procedure].title

    def positions(self, unit: Unit) -> tuple[str, ...]:
        """Positions of the unit's knob at which it is done, from loose to tight.

        Raises
        ------
        BadInput : the unit has no such position, or none at all.
        """
        wanted = self.knob or KINDS[self.procedure].knob
        if not unit.knob_positions:
            raise BadInput(
                "knob_positions is missing",
                unit.name,
                "Name the knob's positions from loose to tight, as marked on the unit.",
            )
        if wanted == EACH:
            return unit.knob_positions
        if wanted == LOOSEST:
            return unit.knob_positions[:1]
        if wanted in (MARKED, None):
            return (unit.used_knob,) if unit.used_knob is not None else ()
        if wanted not in unit.knob_positions:
            raise BadInput(
                f"{unit.name} has no position {shown(wanted)} of its knob",
                f"step {self.known_as} of the plan",
                f"Write one of {', '.join(unit.knob_positions)}, or {MARKED}, {LOOSEST}, {EACH}.",
            )
        return (str(wanted),)


class PlanLimit(LimitRow):
    """A row of ``[[limits]]``: as in a unit file, or in parts of what the unit file says.

    ``of`` names what it is a part of, and minimum and maximum are then in ppm, dB or %.
    ``transmit_hz`` and ``rated_power_w`` are ranges in which it holds. A knob in ``where`` may be
    "marked" or "loosest".
    """

    of: Reference | None = None
    transmit_hz: tuple[RadioHz, RadioHz] | None = None
    rated_power_w: tuple[TransmitterW, TransmitterW] | None = None

    @model_validator(mode="after")
    def _of_its_unit(self) -> Self:
        term = TERMS[self.reading]
        if self.of is not None and term.unit != READING_UNITS[self.of]:
            refuse(f"{self.reading} is in {shown(term.unit)}, no part of {self.of}")
        for key in ("transmit_hz", "rated_power_w"):
            ends = getattr(self, key)
            if ends is not None and ends[0] > ends[1]:
                refuse(f"{key} runs from {ends[0]:g} down to {ends[1]:g}")
        return self

    def _unit(self, reading_unit: str) -> str:
        return reading_unit if self.of is None else UNITS_OF[self.of]

    def holds_for(self, unit: Unit) -> bool:
        """Whether it is for a unit of this frequency and power."""
        return all(
            ends is None or ends[0] <= value <= ends[1]
            for ends, value in (
                (self.transmit_hz, unit.transmit_hz),
                (self.rated_power_w, unit.rated_power_w),
            )
        )

    def limit_for(self, unit: Unit) -> Limit:
        """Give the limit as this unit's readings are judged by it."""
        where: dict[str, ConditionValue | tuple[float, float]] = dict(self.where)
        if where.get("knob") in (MARKED, LOOSEST) and unit.knob_positions:
            loosest = unit.knob_positions[0]
            where["knob"] = loosest if where["knob"] == LOOSEST else unit.used_knob or loosest
        return replace(
            self.limit(),
            unit=TERMS[self.reading].unit,
            minimum=self._scaled(self.minimum, unit),
            maximum=self._scaled(self.maximum, unit),
            where=MappingProxyType(where),
        )

    def _scaled(self, value: float | None, unit: Unit) -> float | None:
        if value is None or self.of is None:
            return value
        if self.of == "rated_power_w":
            return round(float(dbm_from_w(unit.rated_power_w)) + value, 2)
        part = 1e-6 if self.of == "transmit_hz" else 0.01
        # To 0.01 dB and 0.01 Hz, far within any U: as people write limits, so that the same limit
        # in a unit file is known for the same.
        return round(value * part * float(getattr(unit, self.of)), 2)


class Plan(Description):
    """A test plan.

    ``channel_spacing_hz`` is the channel that it is for, where it is for one. ``unit`` and
    ``bench`` may name the files that it is run with, seen from the plan's own folder.
    ``unit_limits`` says whether what the unit file asks for counts as well.
    """

    name: Name
    note: Annotated[str, AfterValidator(lambda text: _note(text))] | None = None
    unit: DeviceName | None = None
    bench: DeviceName | None = None
    channel_spacing_hz: SpacingHz | None = None
    unit_limits: bool = True
    steps: tuple[PlanStep, ...]
    limit_rows: tuple[PlanLimit, ...] = Field(default=(), alias="limits")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if not self.steps:
            refuse("has no [[steps]]: it would do nothing")
        names = [step.known_as for step in self.steps]
        other = next(
            (n for s, n in zip(self.steps, names, strict=True) if n in KINDS and n != s.procedure),
            None,
        )
        if other is not None:
            refuse(f"a step is called {shown(other)}, which is another procedure")
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            refuse(f"two steps are called {shown(twice)}; give each its own name")
        if [step.procedure for step in self.steps].count("battery") > 1:
            refuse("battery is done twice; a run has one battery log")
        return self

    def step(self, name: str) -> PlanStep:
        """Give a step by its name.

        Raises
        ------
        BadInput : there is none.
        """
        names = [step.known_as for step in self.steps]
        if name not in names:
            guess = nearest(name, names)
            hint = f"Did you mean {guess}?" if guess else f"It has {', '.join(names)}."
            raise BadInput(f"there is no step {shown(name)}", f"plan {self.name}", hint)
        return self.steps[names.index(name)]

    def doing(self, optional: Iterable[str] = ()) -> Plan:
        """Give the plan as it is run: without its optional steps, but for those asked for.

        Raises
        ------
        BadInput : there is no such step, or nothing is left to do.
        """
        wanted = {self.step(name).known_as for name in optional}
        steps = tuple(
            step.model_copy(update={"optional": False})
            for step in self.steps
            if not step.optional or step.known_as in wanted
        )
        if not steps:
            raise BadInput(
                "all its steps are optional", f"plan {self.name}", "Ask for one of them."
            )
        return self.model_copy(update={"steps": steps})

    def altered(self, **settings: Any) -> Plan:
        """Give the plan with other settings, in each step that has them; its name says so.

        Raises
        ------
        ValueError : a setting of no step.
        """
        taken = {key for step in self.steps for key in KINDS[step.procedure].settings}
        if unknown := set(settings) - taken:
            raise ValueError(f"{sorted(unknown)} are settings of none of its steps")
        steps = tuple(
            step.model_copy(
                update={
                    key: value
                    for key, value in settings.items()
                    if key in KINDS[step.procedure].settings
                }
            )
            for step in self.steps
        )
        return self.model_copy(update={"steps": steps, "name": f"{self.name}, altered"})

    def require_fit(self, unit: Unit) -> None:
        """Refuse a unit that the plan is not for.

        Raises
        ------
        BadInput : of another channel, or without what a step needs.
        """
        spacing_hz = self.channel_spacing_hz
        if spacing_hz is not None and spacing_hz != unit.channel_spacing_hz:
            raise BadInput(
                f"is for channels of {spacing_hz / 1e3:g} kHz, and {unit.name} has"
                f" {unit.channel_spacing_hz / 1e3:g} kHz",
                f"plan {self.name}",
                "Take a plan for that channel.",
            )
        for step in self.steps:
            step.positions(unit)

    def limits_for(self, unit: Unit) -> tuple[Limit, ...]:
        """Give what the unit's readings are judged by: the plan's limits, then the unit file's.

        Of two that ask the same the sources are put together.
        """
        given = [row.limit_for(unit) for row in self.limit_rows if row.holds_for(unit)]
        for own in unit.limits if self.unit_limits else ():
            same = next((at for at, one in enumerate(given) if _same(one, own)), None)
            if same is None:
                given.append(own)
            elif own.source not in given[same].source:
                both = f"{given[same].source}; unit file: {own.source}"
                given[same] = replace(given[same], source=both)
        return tuple(given)

    def silent_for(self, unit: Unit) -> tuple[str, ...]:
        """Name the readings that the plan has limits for, but none at this frequency and power."""
        held = {row.reading for row in self.limit_rows if row.holds_for(unit)}
        return tuple(
            dict.fromkeys(row.reading for row in self.limit_rows if row.reading not in held)
        )

    def done(self) -> dict[str, Any]:
        """Give what is done, by step: all that must not change while a run goes on."""
        plain = self.plain()
        return {
            "steps": {
                step.known_as: row for step, row in zip(self.steps, plain["steps"], strict=True)
            },
            "order": [step.known_as for step in self.steps],
        }


def _note(text: str) -> str:
    if not text.strip() or len(text) > 4 * LONGEST_SOURCE:
        refuse(f"note is empty or longer than {4 * LONGEST_SOURCE} characters")
    return text


def _same(one: Limit, other: Limit) -> bool:
    """Whether two limits ask the same, but for their sources."""
    return replace(one, source="", where={}) == replace(other, source="", where={}) and dict(
        one.where
    ) == dict(other.where)


def plan_path(name: str) -> Path:
    """Path of a plan that comes with the program.

    Raises
    ------
    ValueError : another name.
    """
    if name not in PLANS:
        raise ValueError(f"{name=} is not one of {PLANS}")
    return Path(str(files("harness") / "data" / "plans" / f"{name}.toml"))


def plan_from(table: Mapping[str, Any], where: str = "plan") -> Plan:
    """Make a plan from tables as TOML gives them.

    Raises
    ------
    BadInput : what is wrong with them, with ``where`` before it.
    """
    return checked(Plan, table, where)


def load_plan(name: Path | str) -> Plan:
    """Read a plan: one that comes with the program, by name, or a file.

    Raises
    ------
    BadInput : there is neither, the file is no TOML, or a key is unknown, missing or wrong.
    """
    text = str(name)
    if text in PLANS:
        return checked(Plan, read_toml(plan_path(text)), text)
    if not Path(text).suffix and not Path(text).exists():
        guess = nearest(text, PLANS)
        hint = f"Did you mean {guess}?" if guess else f"Known: {', '.join(PLANS)}."
        raise BadInput(
            "there is no such plan",
            text,
            f"{hint} A plan of your own is a file, such as plan.toml.",
        )
    return checked(Plan, read_toml(text), text)
