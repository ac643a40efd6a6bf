"""What a run has done so far, a line a step, so that it goes on after whatever ended it.

The first line holds the settings of the run, each further one a step that is done: which, what it
gave, and when. A procedure that is begun again yields the same steps as long as it is given the
same; so those that are done are given what they gave, and it goes on at the first that is not.
Takes are on the disk; they are measured again, which gives the same bits.

==========  =====================================================================================
line        holds
==========  =====================================================================================
settings    unit, bench, plan, devices; a run with others is another run; and the limits, which
            may change: nothing is measured otherwise for them
step        a digest of the step, ``gave``, ``at_s`` (the run's own time), and when that was by
            both clocks: ``utc``; ``counted_s`` since the start of the computer named by ``boot``
pause       how long nothing was done, and at which time of the run
remark      something else that is to be known of the whole
ended       the whole is done
repeat      name of a step of the plan that was asked for once more
said        what somebody said of the run: who, how warm, a note, a photo; with its time
limits      the limits that hold since a resume
==========  =====================================================================================
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from harness.devices import SupplyReading
from harness.errors import BadInput, Damaged
from harness.procedures.appended import AppendedLines
from harness.procedures.clock import Moment, Passed, moment_now
from harness.procedures.steps import (
    TAKES,
    Log,
    ReadSupply,
    Sample,
    Sampled,
    Step,
    Watch,
    Watched,
)
from harness.recordings.utc import utc_from_text, utc_text

JOURNAL_NAME = "journal.jsonl"
FORM = 2
READ_FORMS = (1, 2)
"""The first had no ``counted_s`` and ``boot``."""
LIMITS = "limits"


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """A step that is done: its kind, its digest, what it gave, and the run's time after it."""

    kind: str
    digest: str
    gave: Any
    at_s: float
    utc: str
    counted_s: float = 0.0
    boot: str = ""

    @property
    def moment(self) -> Moment:
        """When it was done."""
        return Moment(counted_s=self.counted_s, utc=utc_from_text(self.utc), boot=self.boot)


class Journal:
    """The journal of one run; ``Journal.new`` and ``Journal.of`` make one.

    Parameters
    ----------
    lines : of its file
    settings : of the run, as plain JSON
    """

    def __init__(self, lines: AppendedLines, settings: Mapping[str, Any]) -> None:
        self._lines = lines
        self._settings = settings
        self._done: list[Done] = []
        self._next = 0
        self.pauses: list[str] = []
        self.remarks: list[str] = []
        self.has_ended = False
        self.repeats: list[str] = []
        self.said: list[dict[str, Any]] = []
        self.started = datetime.now(UTC)
        self._resumed = False
        self._newer_limits: Any = None

    @classmethod
    def new(cls, folder: Path, settings: Mapping[str, Any]) -> Journal:
        """Begin the journal of a run; nothing is written before ``begin``."""
        return cls(AppendedLines(folder / JOURNAL_NAME), _plain(settings))

    @classmethod
    def of(cls, folder: Path, settings: Mapping[str, Any], *, opens_again: bool = False) -> Journal:
        """Read the journal of a run that ended early, to go on.

        Parameters
        ----------
        folder : of the run
        settings : of now; they have to be those of then, but for ``limits``
        opens_again : also where the whole is done, since there is more to be done or said

        Raises
        ------
        BadInput : there is no such run, it has ended, or something was set otherwise then.
        Damaged : it is no journal.
        """
        path = folder / JOURNAL_NAME
        if not path.exists():
            raise BadInput("holds no run to go on with", str(folder), "Check the name.")
        journal = cls(AppendedLines(path), _plain(settings))
        then = journal._read()
        limits, now = then.pop(LIMITS, None), settings.get(LIMITS)
        journal._settings = {k: v for k, v in journal._settings.items() if k != LIMITS}
        changed = next(differences(then, journal._settings), None)
        if changed is not None:
            raise BadInput(
                f"the run was begun with {changed}",
                str(folder),
                "Put it back as it was, or start anew in another folder.",
            )
        if limits != _plain({LIMITS: now})[LIMITS]:
            journal._newer_limits = now
        journal._settings = then
        if journal.has_ended and not opens_again:
            raise BadInput("the run is done", str(folder), "There is nothing left to go on with.")
        return journal

    @classmethod
    def seen(cls, folder: Path) -> Journal:
        """Read the journal of a run to look at, whatever it was begun with; nothing is written.

        Raises
        ------
        BadInput : there is no such run. Damaged : it is no journal.
        """
        path = folder / JOURNAL_NAME
        if not path.exists():
            raise BadInput("holds no run", str(folder), "Check the name.")
        journal = cls(AppendedLines(path), {})
        journal._settings = journal._read()
        return journal

    @property
    def settings(self) -> Mapping[str, Any]:
        """What the run was begun with."""
        return self._settings

    @property
    def resumes(self) -> bool:
        """Whether the run was begun before."""
        return not self._lines.is_empty

    @property
    def is_replaying(self) -> bool:
        """Whether what comes next is done already."""
        return self._next < len(self._done)

    @property
    def resumes_now(self) -> bool:
        """Whether the run has just come to the end of what is done; true once."""
        now = self._resumed and not self.is_replaying
        self._resumed = self._resumed and not now
        return now

    @property
    def last(self) -> Done | None:
        """The last step that is done."""
        return self._done[-1] if self._done else None

    @property
    def takes(self) -> list[str]:
        """Names of the takes that are whole."""
        whole = [done.gave for done in self._done if done.kind in TAKES]
        pieces = [done.gave["kept"] for done in self._done if done.kind == Watch.__name__]
        samples = [done.gave for done in self._done if done.kind == Sample.__name__]
        forgot = {take for sampled in samples for take in sampled["forgot"]}
        kept = [sampled["take"] for sampled in samples if sampled["take"] not in forgot]
        return [*whole, *(take for take in pieces if take), *kept]

    @property
    def has_log(self) -> bool:
        """Whether a battery run has been logged."""
        return any(done.kind == Log.__name__ for done in self._done)

    @property
    def supply_readings(self) -> int:
        """How often the supply was read."""
        return sum(done.kind == ReadSupply.__name__ for done in self._done)

    def begin(self, devices: Mapping[str, str]) -> None:
        """Begin to write, on devices that say who they are; they have to be those of then.

        Raises
        ------
        BadInput : other devices. HardwareFault : it cannot be written.
        """
        if not self.resumes:
            self._settings = {**self._settings, "devices": dict(devices)}
            begun = {"journal": FORM, "started_utc": utc_text(self.started)}
            self._put({**begun, "settings": self._settings})
            return
        self._resumed = True
        self.has_ended = False
        changed = next(differences(self._settings["devices"], dict(devices)), None)
        if changed is not None:
            raise BadInput(
                f"the run was begun with {changed}",
                str(self._lines.path.parent),
                "Connect what was there, or start anew in another folder.",
            )
        if self._newer_limits is not None:
            self._put({LIMITS: self._newer_limits})
            self.remark("The limits were changed before the run went on.")

    def recall(self, step: Step) -> Done | None:
        """Give what the next step gave, or None where it is still to be done.

        Raises
        ------
        BadInput : another step was done in its place.
        """
        if not self.is_replaying:
            return None
        done = self._done[self._next]
        if done.digest != _digest(step):
            raise BadInput(
                f"step {self._next + 1} of the run is not the one that was done",
                str(self._lines.path),
                "Go on with the version of this program that began it, or start anew.",
            )
        self._next += 1
        return done

    def keep(self, step: Step, gave: Any, at_s: float, moment: Moment | None = None) -> None:
        """Write down that a step is done, now or at a moment; on the disk when this returns."""
        moment = moment or moment_now()
        done = Done(
            kind=type(step).__name__,
            digest=_digest(step),
            gave=_kept(gave),
            at_s=at_s,
            utc=utc_text(moment.utc),
            counted_s=moment.counted_s,
            boot=moment.boot,
        )
        self._put({"step": asdict(done)})
        self._done.append(done)
        self._next = len(self._done)

    def repeat(self, step: str) -> None:
        """Write down that a step of the plan is to be done once more."""
        self._put({"repeat": step})
        self.repeats.append(step)

    def say(self, entry: Mapping[str, Any]) -> None:
        """Write down what somebody said of the run, with its time."""
        timed = {"utc": utc_text(datetime.now(UTC)), **entry}
        self._put({"said": timed})
        self.said.append(timed)

    def paused(self, passed: Passed, at_s: float, *, is_counted: bool) -> None:
        """Write down that nothing was done for a while, and whether that counts as run time."""
        counted = ", which counts in its time" if is_counted else ""
        doubt = f" ({passed.doubt})" if passed.doubt else ""
        text = (
            f"The run stood still for {passed.seconds / 60:.1f} min at {at_s / 60:.1f} min"
            f"{counted}{doubt}."
        )
        self._put({"pause": text})
        self.pauses.append(text)
        self.remarks.append(text)

    def remark(self, text: str) -> None:
        """Write down something that whoever reads the results has to know."""
        self._put({"remark": text})
        self.remarks.append(text)

    def end(self) -> None:
        """Write down that all is done."""
        self._put({"ended": True})

    def _put(self, entry: Mapping[str, Any]) -> None:
        self._lines.append((json.dumps(entry, allow_nan=False) + "\n").encode())

    def _read(self) -> dict[str, Any]:
        """Read the lines; give the settings."""
        path = self._lines.path
        settings: dict[str, Any] | None = None
        try:
            for line in self._lines.read().decode().splitlines():
                entry = json.loads(line)
                if settings is None:
                    if entry["journal"] not in READ_FORMS:
                        raise BadInput(
                            "is of another version of this program", str(path), "Use that one."
                        )
                    settings = dict(entry["settings"])
                    self.started = utc_from_text(entry["started_utc"])
                elif "step" in entry:
                    self._done.append(Done(**entry["step"]))
                elif "forget_from" in entry:
                    del self._done[entry["forget_from"] :]
                elif "pause" in entry:
                    self.pauses.append(entry["pause"])
                    self.remarks.append(entry["pause"])
                elif "remark" in entry:
                    self.remarks.append(entry["remark"])
                elif "repeat" in entry:
                    self.repeats.append(str(entry["repeat"]))
                    self.has_ended = False
                elif "said" in entry:
                    self.said.append(dict(entry["said"]))
                    self.has_ended = False
                elif LIMITS in entry:
                    settings[LIMITS] = entry[LIMITS]
                    self.has_ended = False
                else:
                    self.has_ended = bool(entry["ended"])
        except (ValueError, TypeError, KeyError, AttributeError):
            raise Damaged(
                "is not the journal of a run", str(path), "Start anew in another folder."
            ) from None
        if settings is None:
            raise Damaged("nothing was begun", str(path), "Start anew in another folder.")
        return settings


def supply_of(gave: Mapping[str, float | None]) -> SupplyReading:
    """Give a reading of the supply as it was before it was written down."""
    return SupplyReading(**{k: math.nan if v is None else v for k, v in gave.items()})


def differences(then: Any, now: Any, where: str = "") -> Iterator[str]:
    """Tell in words where two trees of settings differ; what is only in ``now`` counts too."""
    if isinstance(then, dict) and isinstance(now, dict):
        for key in (*then, *(key for key in now if key not in then)):
            if key == "devices" and key not in now:
                continue
            yield from differences(then.get(key), now.get(key), f"{where} {key}".strip())
    elif then != now:
        yield f"{where} = {json.dumps(then)}, and it is {json.dumps(now)} now"


def _plain(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Give settings as they will be read back."""
    return dict(json.loads(json.dumps(settings)))


def _digest(step: Step) -> str:
    return hashlib.sha256(repr(step).encode()).hexdigest()


def _kept(gave: Any) -> Any:
    """Give what is worth keeping of what a step gave: findings are measured again."""
    if isinstance(gave, SupplyReading):
        return {k: None if math.isnan(v) else v for k, v in asdict(gave).items()}
    if isinstance(gave, Watched | Sampled):
        return asdict(gave)
    return gave if isinstance(gave, str | float) else None
