"""Performs the steps of a procedure; the only thing that does.

RF goes off in the runner's ``finally``, whatever way a run ends. Recordings go to
``recordings/``, one SigMF pair for each role of a take, as they come. What a journal says is done
is not done again: takes are measured as they lie there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any, Protocol, TypeVar

from harness.blocks import Block
from harness.describe import Bench, Unit
from harness.devices import GoBack, LaggingMeter, Role, SupplyReading
from harness.errors import BadInput, HarnessError
from harness.measure.kinds import DISCHARGE
from harness.measure.run import measure_recordings
from harness.measure.setup import NO_SIGNAL, Options
from harness.procedures.clock import (
    Moment,
    Passed,
    clock_set_s,
    moment_now,
    passed,
    set_in_words,
)
from harness.procedures.following import Glance, glance_at
from harness.procedures.journal import Done, Journal, supply_of
from harness.procedures.looking import TakesWatched
from harness.procedures.recording import open_writers
from harness.procedures.run_log import RunLog, measured_log
from harness.procedures.sampling import ShowsRows, sampled_in
from harness.procedures.steps import (
    Begin,
    EnableTransmitter,
    Follow,
    HoldKey,
    Keep,
    Log,
    Measure,
    MeasureLog,
    Move,
    Procedure,
    ReadSupply,
    Record,
    Sample,
    Sampled,
    Say,
    Seen,
    Step,
    Stimulus,
    TurnKnob,
    Wait,
    Watch,
    Watched,
)
from harness.procedures.taking import Taking
from harness.procedures.watching import Tally, tally_name, watched_in, without_samples
from harness.procedures.wiring import LIVE, OpenBench
from harness.readings import Findings
from harness.recordings import (
    Annotation,
    RecordingWriter,
    write_collection,
)
from harness.recordings.utc import utc_text

SIMULATED_DAY = datetime(2026, 1, 1, tzinfo=UTC)
"""When a simulated bench is opened. Chosen."""
LOG_NAME = "battery-log.csv"
KEYED_AGAIN_S = 2.0
"""From where a run goes on to its first sample. Chosen: the unit has keyed by then."""
NOTHING_BEFORE = "There is nothing to go back to here."
OUTPUT: tuple[Role, ...] = ("output",)
RF_OFF = Stimulus(duration_s=0.0, level_port_dbm=None)

T = TypeVar("T")


class Watcher(Protocol):
    """Whoever watches a run: the terminal, the page, or nobody."""

    def step(self, title: str) -> None:
        """Hear that a step of some length begins."""
        ...

    def progress(self, share: float) -> None:
        """Hear how much of the step is done, 0 to 1."""
        ...

    def say(self, text: str) -> None:
        """Hear something worth telling."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Where a step of the plan began: at which of the findings, and when."""

    step: str
    attempt: int
    first: int
    begun_utc: str


@dataclass(slots=True)
class Runner:
    """Performs procedures on an open bench and collects what is found.

    Parameters
    ----------
    open_bench : devices
    unit, bench : descriptions
    folder : where recordings and logs go; made when missing
    watcher : is told how it goes
    enabled, held : how the unit's transmitter and its key were left
    findings : what was found, in order. recorded : takes of this run that are whole
    journal : of what is done; without, nothing is kept of it
    clock : tells the time of day, and that by a clock that nobody sets
    marks : where the steps of the plan began, in order
    """

    open_bench: OpenBench
    unit: Unit
    bench: Bench
    folder: Path
    watcher: Watcher
    findings: list[Findings] = field(default_factory=list)
    recorded: list[str] = field(default_factory=list)
    knob: str | None = None
    enabled: bool = True
    held: bool = False
    takes: TakesWatched = field(default_factory=TakesWatched)
    journal: Journal | None = None
    marks: list[Mark] = field(default_factory=list)
    at: str = "the beginning"
    clock: Callable[[], Moment] = moment_now
    _kept: dict[int, Measure] = field(default_factory=dict)
    _left_on: Stimulus | None = None
    _base_s: float = 0.0
    _lived_on: Stimulus | None = None
    _share: float | None = None
    _moment: Moment | None = None
    _taken_s: float = 0.0
    _tallies: dict[str, tuple[int, Tally]] = field(default_factory=dict)
    _log: RunLog = field(init=False)

    def __post_init__(self) -> None:
        """Name the log, which is made with its first row."""
        self._log = RunLog(self.folder / LOG_NAME, resumes=self.journal is not None)

    def run(self, procedure: Procedure) -> list[Findings]:
        """Perform a procedure to its end; RF is off afterwards, also after an error or Ctrl-C."""
        generator = self.open_bench.generator
        result: Any = None
        try:
            generator.set_frequency(self.unit.receive_hz)
            while True:
                try:
                    step = procedure.send(result)
                except StopIteration:
                    break
                result = self._once(step)
        finally:
            try:
                generator.rf_off()
            finally:
                procedure.close()
                self._tell_how_left()
                self._log.close()
        return self.findings

    def _tell_how_left(self) -> None:
        """Say what of the transmitter is not as it was before."""
        if self.held:
            self.watcher.say("The transmitter's key may still be held: let it go.")
        if not self.enabled:
            self.watcher.say("The transmitter is still disabled.")

    def _once(self, step: Step) -> Any:
        """Perform a step, unless it is done already."""
        journal = self.journal
        if journal is None:
            return self._perform(step)
        self.at = _in_words(step) or self.at
        done = journal.recall(step)
        if done is not None:
            gave = self._replayed(step, done)
            if self.open_bench.kind == "simulated":
                self._live_through(step, done.at_s)
            return gave
        if journal.resumes_now:
            self._restore(step, journal)
        gave = self._perform(step)
        journal.keep(step, gave, self._now_s, self.clock())
        return gave

    def _replayed(self, step: Step, done: Done) -> Any:
        """Give what a step gave that is done; takes are measured again."""
        gave = done.gave
        match step:
            case Begin():
                self._begin(step, gave)
            case TurnKnob():
                self.knob = step.position
            case EnableTransmitter():
                self.enabled = step.enabled
            case HoldKey():
                self.held = step.held
            case Keep():
                self.findings.append(step.findings)
            case Record() | Follow():
                if not any(self._path(step.take, role).exists() for role in step.roles):
                    raise BadInput(
                        "a take of this run is missing",
                        str(self._path(step.take, step.roles[-1])),
                        "Put it back, or start anew in another folder.",
                    )
                self._left_on = None
                if isinstance(step, Record) and step.leave_on:
                    self._left_on = step.stimuli[-1]
            case Measure() | MeasureLog():
                return self._perform(step)
            case ReadSupply():
                return supply_of(gave)
            case Watch():
                return self._count(step, Watched(**gave))
            case Log():
                self._log.know(step, done)
            case Sample():
                self._left_on = step.leave_on
                return Sampled(**{**gave, "forgot": tuple(gave["forgot"])})
        return gave

    def _live_through(self, step: Step, until_s: float) -> None:
        """Have a simulated bench do what it did in another process: its battery runs down again."""
        match step:
            case Sample() if step.leave_on != self._lived_on:
                self._lived_on = step.leave_on
                self._apply(step.leave_on or RF_OFF)
            case EnableTransmitter():
                self._enable(step.enabled)
        if isinstance(step, Sample | Wait):
            self.open_bench.waiter.wait(max(until_s - self._now_s, 0.0))

    def _restore(self, step: Step, journal: Journal) -> None:
        """Put the bench back to where the run was: its time, the knob, the generator."""
        last = journal.last
        if last is not None:
            self._base_s = last.at_s - self.open_bench.waiter.now_s
            # On a bench with a time of its own nothing has passed.
            gone = passed(last.moment, self.clock()) if self._is_live else Passed(seconds=0.0)
            is_counted = self._is_live and journal.has_log
            if is_counted:
                # A battery has rested or run down all the while: that is a gap in its log.
                self._base_s += gone.seconds
            journal.paused(gone, last.at_s, is_counted=is_counted)
        self._put_back_rows(journal)
        if self.knob is not None and not isinstance(step, TurnKnob):
            self._turn(self.knob)
        if not self.enabled:
            self._enable(False)
        if self.held:
            self._hold_key(True)
        if self._left_on is not None and not isinstance(step, Record | Follow):
            left_on = self._left_on
            self._until_done(lambda: self._apply(left_on))
            if isinstance(step, Sample) and self._is_live:
                self.open_bench.waiter.wait(KEYED_AGAIN_S)

    def _put_back_rows(self, journal: Journal) -> None:
        """Log again what the log has lost since, and say so."""
        missing = self._log.put_back()
        if missing:
            rows = "1 row was" if missing == 1 else f"{missing} rows were"
            journal.remark(f"{rows} missing from {LOG_NAME} and put back from the journal.")
            self.watcher.say(journal.remarks[-1])

    @property
    def _is_live(self) -> bool:
        """Whether the bench's time is that of the clock on the wall."""
        return self.open_bench.kind == LIVE

    @property
    def _now_s(self) -> float:
        """The run's own time, by a clock that nobody sets; what a run stood still counts in it."""
        return self._base_s + self.open_bench.waiter.now_s

    def _begin(self, step: Begin, begun_utc: str) -> str:
        self.marks.append(
            Mark(
                step=step.step,
                attempt=step.attempt,
                first=len(self.findings),
                begun_utc=begun_utc,
            )
        )
        return begun_utc

    def _turn(self, position: str) -> None:
        self._until_done(lambda: self.open_bench.knob.turn_knob(position))

    def _enable(self, enabled: bool) -> None:
        switch = self.open_bench.transmitter
        if switch is None:
            raise ValueError("this bench cannot disable a transmitter")
        self._until_done(lambda: switch.set_transmitter_enabled(enabled))
        self.enabled = enabled

    def _hold_key(self, held: bool) -> None:
        key = self.open_bench.transmitter_key
        if key is None:
            raise ValueError("this bench cannot hold a transmitter's key")
        # Asked, it may be held at once: what is said at the end has to know.
        self.held = self.held or held
        self._until_done(lambda: key.hold_transmitter(held))
        self.held = held

    def _perform(self, step: Step) -> Any:
        match step:
            case Begin():
                return self._begin(step, utc_text(self.clock().utc))
            case Say():
                self.watcher.say(step.text)
            case EnableTransmitter():
                self._enable(step.enabled)
            case HoldKey():
                self._hold_key(step.held)
            case Keep():
                self.findings.append(step.findings)
            case TurnKnob():
                self._turn(step.position)
                self.knob = step.position
            case Record():
                return self._record(step)
            case Follow():
                self._share = None
                return self._follow(step)
            case Watch():
                return self._watch(step)
            case Sample():
                return self._sample(step)
            case Measure():
                return self._measure(step)
            case Wait():
                if step.seconds:
                    self.open_bench.waiter.wait(step.seconds)
                self._watch_clock()
                return self._now_s
            case ReadSupply():
                return self._until_done(partial(self._read_supply, step.since_s))
            case Log():
                self._log.append(step, self._now_s, self._now_utc)
                self._show_row(step)
            case MeasureLog():
                return self._measure_log(step.options)
        return None

    def _read_supply(self, since_s: float | None) -> SupplyReading:
        """Read the meter; what is wrong with one that lags is told."""
        meter = self.open_bench.meter
        if not isinstance(meter, LaggingMeter):
            return meter.read_supply()
        if since_s is None:
            supply = meter.read_supply()
        else:
            supply = meter.read_supply_within(self._now_s - since_s)
        for text in meter.news():
            self.watcher.say(text)
            if self.journal is not None:
                self.journal.remark(f"At {self._now_s / 3600.0:.2f} h {text}")
        return supply

    def _measure_log(self, options: Options) -> Findings:
        """Analyse the battery log as it stands."""
        remarks = () if self.journal is None else self.journal.remarks
        found = measured_log(self.folder / LOG_NAME, self.bench, options, remarks)
        self.findings.append(found)
        return found

    def measure_what_was_logged(self) -> None:
        """Analyse the log of a battery run that ended early; nothing where there is none.

        What is wrong with the log is said, and left: the run itself had its own end.
        """
        is_done = any(found.kind == DISCHARGE for found in self.findings)
        if is_done or not (self.folder / LOG_NAME).exists():
            return
        battery = self.unit.battery
        try:
            self._measure_log(Options(end_v=battery.end_v if battery else None))
        except HarnessError as error:
            self.watcher.say(str(error))

    def _show_row(self, step: Log) -> None:
        """Tell how a battery run stands, from what is on the disk by now."""
        if not step.line:
            return
        self._share = step.share
        if isinstance(self.watcher, ShowsRows):
            self.watcher.row(step.line, step.share)
            return
        self.watcher.step(step.line)
        self.watcher.progress(step.share)

    def _watch_clock(self) -> None:
        """Say when the computer's clock of day was set; the run's time does not heed it."""
        if not self._is_live:
            return
        moment = self.clock()
        before, self._moment = self._moment, moment
        by_s = 0.0 if before is None else clock_set_s(before, moment)
        if by_s:
            self.watcher.say(set_in_words(by_s))
            if self.journal is not None:
                self.journal.remark(set_in_words(by_s))

    def _path(self, take: str, role: Role) -> Path:
        return self.folder / "recordings" / f"{take}-{role}.sigmf-meta"

    def collection(self, take: str) -> Path:
        """Name the file that groups a take's recordings."""
        return self.folder / "recordings" / f"{take}.sigmf-collection"

    def measure_again(self, kind: str, takes: Sequence[str]) -> None:
        """Measure takes again whose descriptions were amended; the findings keep their places."""
        for place, step in self._kept.items():
            if step.kind == kind and step.take in takes:
                self.findings[place] = self._found(step)

    def _record(self, step: Record) -> str:
        """Record a take: stimuli change when the streams' own time has come to them."""
        self._share = step.share

        def through(taking: Taking, writers: Mapping[Role, RecordingWriter], _: Glance) -> None:
            number, held_s = 0, 0.0
            while number < len(step.stimuli):
                stimulus = step.stimuli[number]
                try:
                    first = taking.during(partial(self._apply, stimulus))
                except GoBack:
                    number, held_s = self._gone_back(step, number, writers)
                    continue
                self._hold(stimulus, taking, first, writers, held_s, step.duration_s)
                number, held_s = number + 1, held_s + stimulus.duration_s

        return self._take(step, through, leave_on=step.leave_on)

    def _follow(self, step: Follow, *, leave_on: bool = False) -> str:
        """Record a take whose stimuli are chosen by what the output does."""

        def through(
            taking: Taking, writers: Mapping[Role, RecordingWriter], glance: Glance
        ) -> None:
            moves = step.programme.moves()
            seen: Seen | None = None
            while True:
                try:
                    move = next(moves) if seen is None else moves.send(seen)
                except StopIteration:
                    return
                seen = self._move(move, taking, writers, glance)

        return self._take(step, through, leave_on=leave_on)

    def _sample(self, step: Sample) -> Sampled:
        """Record a sample of a battery run and measure it; earlier ones may go then."""
        begun_s = self._now_s
        programme = Follow(take=step.take, title="", programme=step.programme, roles=OUTPUT)
        self._follow(programme, leave_on=step.leave_on is not None)
        carrier, timing = (
            self._found(Measure(kind=kind, take=step.take, roles=OUTPUT))
            for kind in ("carrier", "timing")
        )
        without_samples([self._path(take, role) for take in step.forget for role in OUTPUT])
        return sampled_in(
            carrier,
            timing,
            step.take,
            begun_s=begun_s,
            seconds=self._taken_s,
            forgot=step.forget,
        )

    def _watch(self, step: Watch) -> Watched:
        """Record a piece without a signal, count key-ups; its samples go where there are none."""
        off = Stimulus(duration_s=step.seconds, level_port_dbm=None)
        piece = Record(
            take=step.take, title=step.title, stimuli=(off,), roles=OUTPUT, share=step.share
        )
        self._record(piece)
        found = self._found(Measure(kind="squelch", take=step.take, roles=OUTPUT))
        watched = watched_in(found, step.take)
        if watched.key_ups:
            utc = f"{self._now_utc:%Y-%m-%d %H:%M} UTC"
            self.watcher.say(f"Keyed {watched.key_ups} times in the piece that ended {utc}.")
        if not watched.kept:
            without_samples([self._path(step.take, role) for role in OUTPUT])
        return self._count(step, watched)

    def _count(self, step: Watch, watched: Watched) -> Watched:
        """Add a piece to the watch that it belongs to, and that to the findings."""
        name = tally_name(step)
        if name not in self._tallies:
            self._tallies[name] = (len(self.findings), Tally(self.knob, name))
            self.findings.append(Findings(kind="squelch"))
        place, tally = self._tallies[name]
        tally.add(watched)
        self.findings[place] = tally.findings()
        return watched

    def _move(
        self,
        move: Move,
        taking: Taking,
        writers: Mapping[Role, RecordingWriter],
        glance: Glance,
    ) -> Seen:
        """Record while a move is on; give how it ended."""
        if move.title:
            self.watcher.step(move.title)
        apply = partial(self._apply, move.stimulus)
        first = taking.during(lambda: self._until_done(apply))
        begin_s, key_ups = taking.at_s, glance.key_ups
        glance.hold(move, taking)
        self._progress(move.share)
        for role, writer in writers.items():
            writer.annotate(self._annotation(move.stimulus, first[role], taking.written[role]))
        return Seen(
            keyed=glance.keyed,
            seconds=taking.at_s - begin_s,
            key_ups=glance.key_ups - key_ups,
        )

    def _take(
        self,
        step: Record | Follow,
        through: Callable[[Taking, Mapping[Role, RecordingWriter], Glance], None],
        *,
        leave_on: bool,
    ) -> str:
        """Record a take while ``through`` does what is to be recorded; give its name."""
        if step.title:
            self.watcher.step(step.title)
        source, generator = self.open_bench.source, self.open_bench.generator
        started = self._now_utc
        with ExitStack() as kept:
            kept.callback(source.stop)
            source.start()
            # A bench with one receiver records the output alone.
            roles = [role for role in step.roles if role in source.streams]
            writers = open_writers(
                source, self.bench, roles, partial(self._path, step.take), started, kept
            )
            follow = self.takes.begin(step.take, source, self.bench, self.unit, self.watcher)
            glance = glance_at(source, self.bench, self.unit)

            def both(role: Role, blocks: Sequence[Block]) -> None:
                follow(role, blocks)
                if isinstance(step, Follow):
                    glance.push(role, blocks)

            taking = Taking(source, writers, self.open_bench.stream_clock, both)
            through(taking, writers, glance)
            # A device that fell silent during the last read says so when it is asked once more.
            source.read(taking.at_s)
            if not leave_on:
                self._until_done(generator.rf_off)
            paths = [writer.close() for writer in writers.values()]
            self._taken_s = taking.at_s
        if len(paths) > 1:
            write_collection(
                self.collection(step.take), [path for path in paths if path is not None]
            )
        self.recorded.append(step.take)
        return step.take

    @property
    def _now_utc(self) -> datetime:
        """UTC; on a bench with its own time a fixed day and that, so that a run repeats."""
        if self._is_live:
            return self.clock().utc
        return SIMULATED_DAY + timedelta(seconds=self._now_s)

    def _apply(self, stimulus: Stimulus) -> None:
        generator = self.open_bench.generator
        if stimulus.level_port_dbm is None:
            generator.rf_off()
            return
        generator.set_modulation(stimulus.tone_hz, stimulus.deviation_hz)
        generator.set_level(stimulus.level_port_dbm)

    def _hold(
        self,
        stimulus: Stimulus,
        taking: Taking,
        first: Mapping[Role, int],
        writers: Mapping[Role, RecordingWriter],
        held_s: float,
        total_s: float,
    ) -> None:
        """Record while a stimulus is on, and annotate it from where the streams stood before."""
        begin_s = taking.at_s
        taking.until(
            begin_s + stimulus.duration_s,
            lambda at_s: self._progress((held_s + at_s - begin_s) / total_s),
        )
        for role, writer in writers.items():
            writer.annotate(self._annotation(stimulus, first[role], taking.written[role]))

    def _gone_back(
        self, step: Record, number: int, writers: Mapping[Role, RecordingWriter]
    ) -> tuple[int, float]:
        """Go back to the stimulus before; give its number, and how long all before it took.

        What was recorded under it stays in the recording, and its annotation goes: nothing is
        measured there. The squelch remembers: that is for the operator to know.
        """
        if not number:
            self.watcher.say(NOTHING_BEFORE)
            return 0, 0.0
        for writer in writers.values():
            writer.take_back()
        if self._has_squelch_memory(step):
            self.watcher.say(
                "If the unit keyed or dropped at a level that was wrong, go back until the"
                " generator was off."
            )
        number -= 1
        return number, sum(stimulus.duration_s for stimulus in step.stimuli[:number])

    def _has_squelch_memory(self, step: Record) -> bool:
        levels = {stimulus.level_port_dbm for stimulus in step.stimuli}
        return None in levels and len(levels) > 2

    def _until_done(self, action: Callable[[], T]) -> T:
        """Do something that has nothing before it to go back to."""
        while True:
            try:
                return action()
            except GoBack:
                self.watcher.say(NOTHING_BEFORE)

    def _progress(self, share: float) -> None:
        """Tell how far the take is, or the run that it is a sample of."""
        self.watcher.progress(min(share, 1.0) if self._share is None else self._share)

    def _annotation(self, stimulus: Stimulus, first: int, last: int) -> Annotation:
        """Describe a stimulus where the stream stood when it was set, not where a clock was."""
        silent = stimulus.annotation == NO_SIGNAL
        return Annotation(
            start_sample=first,
            sample_count=last - first,
            label=stimulus.annotation or None,
            level_dbm=None if silent else stimulus.level_port_dbm,
            knob=self.knob,
            transmitter=stimulus.transmitter,
        )

    def _measure(self, step: Measure) -> Findings:
        found = self._found(step)
        if step.keep:
            self._kept[len(self.findings)] = step
            self.findings.append(found)
        return found

    def _found(self, step: Measure) -> Findings:
        paths = [self._path(step.take, role) for role in step.roles]
        return measure_recordings(
            step.kind,
            [path for path in paths if path.exists()],
            unit=self.unit,
            bench=self.bench,
            options=step.options,
            progress=self._progress,
        )


def _in_words(step: Step) -> str | None:
    """Say what a step is, where it is one that a run may be said to be at."""
    match step:
        case Record() | Follow() | Watch():
            return step.title
        case Sample():
            return f"the sample {step.take}"
        case Measure():
            return f"measuring the take {step.take}"
        case TurnKnob():
            return f"the knob at {step.position}"
    return None
