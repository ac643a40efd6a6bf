"""Steps of a procedure, as data.

A procedure is a generator that yields these and is sent what each gave; ``runner`` performs
them. Switching RF off is no step: the runner sees to it on every way out.
"""

from __future__ import annotations

from collections.abc import Generator as PythonGenerator
from dataclasses import dataclass, field
from typing import Any

from harness.devices import Role, TransmitterState
from harness.measure.setup import NO_SIGNAL, Options
from harness.readings import Findings


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """What the generator does for a while; a level of None is RF off.

    ``transmitter`` is how the unit's transmitter was made to be, where that is told.
    """

    duration_s: float
    level_port_dbm: float | None
    tone_hz: float = 1000.0
    deviation_hz: float = 0.0
    label: str = ""
    transmitter: TransmitterState | None = None

    @property
    def annotation(self) -> str:
        """Label that the recording carries for it."""
        return self.label or (NO_SIGNAL if self.level_port_dbm is None else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Say:
    """Tell the operator something. Gives nothing."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnKnob:
    """Turn the squelch knob. Gives nothing."""

    position: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EnableTransmitter:
    """Let the unit transmit, or keep it from it. Gives nothing."""

    enabled: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldKey:
    """Hold the transmitter's key by hand, or let it go. Gives nothing."""

    held: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """Record a take while the stimuli follow one another. Gives the take's name.

    ``roles`` are the streams kept; ``leave_on`` keeps the last stimulus on afterwards.
    ``share`` is how much of a longer run is done, 0 to 1, where the take is a sample of one.
    """

    take: str
    title: str
    stimuli: tuple[Stimulus, ...]
    roles: tuple[Role, ...] = ("input", "output")
    leave_on: bool = False
    share: float | None = None

    @property
    def duration_s(self) -> float:
        """Length of the take."""
        return sum(stimulus.duration_s for stimulus in self.stimuli)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """Measure a take. Gives its Findings; ``keep`` puts them into the results."""

    kind: str
    take: str
    roles: tuple[Role, ...] = ("input", "output")
    options: Options = field(default_factory=Options)
    keep: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """Put findings that were worked out of others into the results. Gives nothing."""

    findings: Findings


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """Let time pass. Gives the seconds since the bench was opened."""

    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadSupply:
    """Read the meter on the unit's supply. Gives a SupplyReading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """Append a row to the battery log; on disk when it returns. Gives nothing."""

    row: dict[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureLog:
    """Analyse the battery log. Gives its Findings and keeps them."""

    options: Options = field(default_factory=Options)


Step = (
    Say
    | TurnKnob
    | EnableTransmitter
    | HoldKey
    | Record
    | Measure
    | Keep
    | Wait
    | ReadSupply
    | Log
    | MeasureLog
)
Procedure = PythonGenerator[Step, Any, None]
