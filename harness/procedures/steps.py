"""Steps of a procedure, as data.

A procedure is a generator that yields these and is sent what each gave; ``runner`` performs
them. Switching RF off is no step: the runner sees to it on every way out.
"""

from __future__ import annotations

from collections.abc import Generator as PythonGenerator
from dataclasses import dataclass, field
from typing import Any, Protocol

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
class Begin:
    """Begin a step of the plan, for the first time or once more. Gives when, in UTC."""

    step: str
    attempt: int = 0


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


AFTER_S = 0.03
"""A move goes on so long after what it waited for. Chosen: more than the squelch's measurement
reads the state before the end of a step by."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A stimulus of a take that is chosen while it runs.

    ``until`` ends it early, ``after_s`` after the output is keyed (True) or not (False); its
    duration is then the longest that is waited, and ``least_s`` the shortest. ``title`` and
    ``share``, 0 to 1, say how far the take is.
    """

    stimulus: Stimulus
    until: bool | None = None
    least_s: float = 0.0
    after_s: float = AFTER_S
    title: str = ""
    share: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """How a move ended: the output keyed or not, how long it took, key-ups meanwhile."""

    keyed: bool
    seconds: float
    key_ups: int = 0


Moves = PythonGenerator[Move, Seen, None]


class Programme(Protocol):
    """Chooses the stimuli of a take by what the output does; a frozen dataclass.

    What it was made with stands in its ``repr``: by that a run knows it again.
    """

    def moves(self) -> Moves:
        """Yield moves and be sent how each ended."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Follow:
    """Record a take whose stimuli are chosen while it runs. Gives the take's name.

    What the output does is only glanced at here, to choose what comes next: the readings come
    from the recordings, as of any take.
    """

    take: str
    title: str
    programme: Programme
    roles: tuple[Role, ...] = ("input", "output")


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """Record the output without a signal, count key-ups, keep the samples only where it keyed.

    Gives a Watched; what was watched under one name before the ``/`` of the take is added up in
    the results. ``share`` is how much of the whole watch is done, 0 to 1.
    """

    take: str
    title: str
    seconds: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """Key-ups in a piece of a watch, the time that counts, and the take that is kept, if any."""

    key_ups: int
    watched_s: float
    keyed_through: bool = False
    kept: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """Record the output for a moment and measure its carrier. Gives a Sampled.

    ``leave_on`` is what the generator is left at; None: RF goes off. The takes ``forget`` are
    removed once this one is measured.
    """

    take: str
    programme: Programme
    leave_on: Stimulus | None
    forget: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampled:
    """What a sample showed; None where it could not tell.

    Power and frequency are those of the keyed time, and None where that is too short to tell.

    Parameters
    ----------
    take : that was recorded. forgot : takes that were removed
    begun_s : the run's own time at its first sample. seconds : its length
    keyed_s : so long the carrier was on in it
    rise_s, fall_s : first edge of the carrier of each kind, from the beginning
    is_on : whether the carrier was on at the end
    power_dbm, frequency_error_hz, deviation_hz : while keyed
    """

    take: str
    forgot: tuple[str, ...] = ()
    begun_s: float
    seconds: float
    keyed_s: float
    rise_s: float | None
    fall_s: float | None
    is_on: bool
    power_dbm: float | None
    frequency_error_hz: float | None
    deviation_hz: float | None


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
    """Read the meter on the unit's supply. Gives a SupplyReading.

    Where its readings come late, one from before ``since_s`` of the run's own time belongs to what
    was before, and tells nothing; None takes what the meter itself still takes for true.
    """

    since_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """Append a row to the battery log; on disk when it returns. Gives nothing.

    ``line`` then tells whoever watches how the run stands, ``share`` how far it is, 0 to 1: what is
    shown is stored. They are no part of what the step is. ``at_s`` is the moment of the row in the
    run's own time; None is that of the last wait.
    """

    row: dict[str, float]
    at_s: float | None = None
    line: str = field(default="", repr=False)
    share: float = field(default=0.0, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureLog:
    """Analyse the battery log. Gives its Findings and keeps them."""

    options: Options = field(default_factory=Options)


Step = (
    Begin
    | Say
    | TurnKnob
    | EnableTransmitter
    | HoldKey
    | Record
    | Follow
    | Watch
    | Sample
    | Measure
    | Keep
    | Wait
    | ReadSupply
    | Log
    | MeasureLog
)
TAKES = (Record.__name__, Follow.__name__)
"""Kinds of steps that leave a take."""
Procedure = PythonGenerator[Step, Any, None]
