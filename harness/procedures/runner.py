"""Performs the steps of a procedure; the only thing that does.

RF goes off in the runner's ``finally``, whatever way a run ends. Recordings go to
``recordings/``, one SigMF pair for each role of a take, as they come.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from harness.describe import Bench, Unit
from harness.devices import Role
from harness.measure.discharge import discharge_from_log
from harness.measure.run import measure_recordings
from harness.measure.setup import NO_SIGNAL
from harness.procedures.recording import READ_S, open_writers
from harness.procedures.steps import (
    Log,
    Measure,
    MeasureLog,
    Procedure,
    ReadSupply,
    Record,
    Say,
    Step,
    Stimulus,
    TurnKnob,
    Wait,
)
from harness.procedures.wiring import OpenBench
from harness.readings import Findings
from harness.recordings import (
    Annotation,
    BatteryLogWriter,
    RecordingWriter,
    read_log,
    write_collection,
)

SIMULATED_DAY = datetime(2026, 1, 1, tzinfo=UTC)
"""When a simulated bench is opened. Chosen."""
TRANSPORT_S = 0.005
"""A live stream's place is known by its arrivals, so much too early at most. Chosen: USB takes a
millisecond or two."""
LOG_NAME = "battery-log.csv"


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


@dataclass(slots=True)
class Runner:
    """Performs procedures on an open bench and collects what is found.

    Parameters
    ----------
    open_bench : devices
    unit, bench : descriptions
    folder : where recordings and logs go; made when missing
    watcher : is told how it goes
    """

    open_bench: OpenBench
    unit: Unit
    bench: Bench
    folder: Path
    watcher: Watcher
    findings: list[Findings] = field(default_factory=list)
    knob: str | None = None
    _log: BatteryLogWriter | None = None
    _share: float | None = None

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
                result = self._perform(step)
        finally:
            generator.rf_off()
            procedure.close()
            if self._log is not None:
                self._log.close()
                self._log = None
        return self.findings

    def _perform(self, step: Step) -> Any:
        match step:
            case Say():
                self.watcher.say(step.text)
            case TurnKnob():
                self.open_bench.knob.turn_knob(step.position)
                self.knob = step.position
            case Record():
                return self._record(step)
            case Measure():
                return self._measure(step)
            case Wait():
                if step.seconds:
                    self.open_bench.waiter.wait(step.seconds)
                return self.open_bench.waiter.now_s
            case ReadSupply():
                return self.open_bench.meter.read_supply()
            case Log():
                if self._log is None:
                    self._log = BatteryLogWriter(self.folder / LOG_NAME, start_utc=self._now_utc)
                self._log.append(step.row)
            case MeasureLog():
                options = replace(
                    step.options,
                    voltage_contributions=self.bench.voltage_contributions(),
                    current_contributions=self.bench.current_contributions(),
                )
                found = discharge_from_log(read_log(self.folder / LOG_NAME), options)
                self.findings.append(found)
                return found
        return None

    def _path(self, take: str, role: Role) -> Path:
        return self.folder / "recordings" / f"{take}-{role}.sigmf-meta"

    def _record(self, step: Record) -> str:
        """Record a take: stimuli change when the streams' own time has come to them."""
        self._share = step.share
        self.watcher.step(step.title)
        source, generator = self.open_bench.source, self.open_bench.generator
        started = self._now_utc
        with ExitStack() as kept:
            kept.callback(source.stop)
            source.start()
            writers = open_writers(
                source, self.bench, step.roles, partial(self._path, step.take), started, kept
            )
            written = dict.fromkeys(writers, 0)
            begin_s = 0.0
            for stimulus in step.stimuli:
                self._apply(stimulus)
                first = self._marks(written)
                begin_s = max(begin_s, self._reached_s(first, written))
                end_s = begin_s + stimulus.duration_s
                self._stream(writers, written, begin_s, end_s, step.duration_s)
                for role, writer in writers.items():
                    writer.annotate(self._annotation(stimulus, first[role], written[role]))
                begin_s = end_s
            # A device that fell silent during the last read says so when it is asked once more.
            source.read(begin_s)
            if not step.leave_on:
                generator.rf_off()
            paths = [writer.close() for writer in writers.values()]
        if len(paths) > 1:
            write_collection(
                self.folder / "recordings" / f"{step.take}.sigmf-collection",
                [path for path in paths if path is not None],
            )
        return step.take

    @property
    def _now_utc(self) -> datetime:
        """UTC; on a simulated bench a fixed day and its own time, so that a run repeats."""
        if self.open_bench.kind != "simulated":
            return datetime.now(UTC)
        return SIMULATED_DAY + timedelta(seconds=self.open_bench.waiter.now_s)

    def _apply(self, stimulus: Stimulus) -> None:
        generator = self.open_bench.generator
        if stimulus.level_port_dbm is None:
            generator.rf_off()
            return
        generator.set_modulation(stimulus.tone_hz, stimulus.deviation_hz)
        generator.set_level(stimulus.level_port_dbm)

    def _marks(self, written: Mapping[Role, int]) -> dict[Role, int]:
        """Give where each stream stands now, a stimulus having been set.

        Live streams have run on since the last read: what came meanwhile belongs to neither.
        """
        clock = self.open_bench.stream_clock
        if clock is None:
            return dict(written)
        at = clock.position()
        streams = self.open_bench.source.streams
        return {
            role: max(done, at[role] + round(TRANSPORT_S * streams[role].sample_rate_hz))
            for role, done in written.items()
        }

    def _reached_s(self, first: Mapping[Role, int], written: Mapping[Role, int]) -> float:
        """Give the time in the take from which a stimulus counts; 0 where nothing moved on."""
        streams = self.open_bench.source.streams
        moved = [role for role, at in first.items() if at > written[role]]
        return max((first[role] / streams[role].sample_rate_hz for role in moved), default=0.0)

    def _stream(
        self,
        writers: Mapping[Role, RecordingWriter],
        written: dict[Role, int],
        begin_s: float,
        end_s: float,
        total_s: float,
    ) -> None:
        """Write what comes until ``end_s``; ``written`` is where each stream then stands."""
        at_s = begin_s
        while at_s < end_s:
            at_s = min(at_s + READ_S, end_s)
            for role, blocks in self.open_bench.source.read(at_s).items():
                if role in writers:
                    for block in blocks:
                        writers[role].write(block)
                        written[role] = block.end
            self._progress(at_s / total_s)

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
        )

    def _measure(self, step: Measure) -> Findings:
        paths = [self._path(step.take, role) for role in step.roles]
        found = measure_recordings(
            step.kind,
            [path for path in paths if path.exists()],
            unit=self.unit,
            bench=self.bench,
            options=step.options,
            progress=self._progress,
        )
        if step.keep:
            self.findings.append(found)
        return found
