"""When a battery run has its unit transmit, receive and stand by: phases that are repeated.

A schedule file:

    name = "frost night"
    note = "a call every two minutes"     # may be left out
    [[phase]]
    do = "transmit"                       # or "receive", "standby"
    seconds = 6
    [[phase]]
    do = "standby"
    seconds = 114
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from harness.describe.document import Description, checked, nearest, read_toml, shown
from harness.describe.quantities import Name, refuse, within
from harness.errors import BadInput

SHORTEST_S, LONGEST_S = 2.0, 24 * 3600.0
"""Of a phase. Chosen: a sample and a drop fit into the one; a day is as good as continuous."""
PhaseS = Annotated[float, AfterValidator(within(SHORTEST_S, LONGEST_S, "s"))]
State = Literal["transmit", "receive", "standby"]


class Phase(Description):
    """What the unit does for a while.

    Transmitting, a repeater receives as well. Receiving is with its transmitter disabled.
    """

    do: State
    seconds: PhaseS


class Schedule(Description):
    """Phases that follow one another, over and over; one of them transmits."""

    name: Name
    note: Name | None = None
    phases: tuple[Phase, ...] = Field(alias="phase")

    @model_validator(mode="after")
    def _transmits(self) -> Self:
        if all(phase.do != "transmit" for phase in self.phases):
            refuse('no [[phase]] has do = "transmit"; nothing would be measured')
        for number, (one, other) in enumerate(pairwise(self.phases), 1):
            if one.do == other.do:
                refuse(f"[[phase]] numbers {number} and {number + 1} both {one.do}; make them one")
        return self

    @property
    def is_continuous(self) -> bool:
        """Whether the unit transmits all the time."""
        return all(phase.do == "transmit" for phase in self.phases)

    @property
    def cycle_s(self) -> float:
        """Length of all phases together."""
        return sum(phase.seconds for phase in self.phases)

    def share(self, state: State) -> float:
        """Give the share of the time that the unit does something, 0 to 1."""
        return sum(phase.seconds for phase in self.phases if phase.do == state) / self.cycle_s

    @property
    def has_receiving(self) -> bool:
        """Whether there is a phase that receives."""
        return any(phase.do == "receive" for phase in self.phases)


def _in_a_minute(name: str, transmit: float, receive: float, note: str | None = None) -> Schedule:
    """Make a schedule of a minute by its shares; a minute is chosen, as is that it begins keyed."""
    return Schedule(
        name=name,
        note=note,
        phases=(
            Phase(do="transmit", seconds=60.0 * transmit),
            Phase(do="receive", seconds=60.0 * receive),
            Phase(do="standby", seconds=60.0 * (1.0 - transmit - receive)),
        ),
    )


CONTINUOUS = Schedule(name="continuous", phases=(Phase(do="transmit", seconds=LONGEST_S),))
SCHEDULES: Mapping[str, Schedule] = {
    each.name: each
    for each in (
        CONTINUOUS,
        # A makers' convention, found in no standard (common practice, memory).
        _in_a_minute("5-5-90", 0.05, 0.05, "a makers' convention, in no standard"),
        # NIJ transceiver-battery standard, abstract "Transceiver Battery Testing" (nij.ojp.gov).
        _in_a_minute("10-10-80", 0.10, 0.10, "NIJ, Transceiver Battery Testing, for portables"),
    )
}
"""Schedules by name: shares of transmitting, receiving and standby in percent."""


def schedule_from(table: Mapping[str, Any], where: str = "schedule") -> Schedule:
    """Make a schedule from tables as TOML gives them.

    Raises
    ------
    BadInput : what is wrong with them, with ``where`` before it.
    """
    return checked(Schedule, table, where)


def load_schedule(named: str | Path, option: str = "--schedule") -> Schedule:
    """Give a schedule by its name, or read it from a file.

    Parameters
    ----------
    named : one of ``SCHEDULES``, or a TOML file
    option : that it was given with, for the error

    Raises
    ------
    BadInput : there is no such schedule and no such file, or something in it is wrong.
    """
    text = str(named)
    if text in SCHEDULES:
        return SCHEDULES[text]
    path = Path(named)
    if not path.exists() and path.suffix != ".toml":
        guess = nearest(text, SCHEDULES)
        hint = f"Did you mean {guess}?" if guess else f"Use {', '.join(SCHEDULES)}, or a TOML file."
        raise BadInput(f"there is no schedule {shown(text)}", option, hint)
    return checked(Schedule, read_toml(path), text)
