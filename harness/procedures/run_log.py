"""The battery log of a run, as its steps fill it, in one part of the run or in many.

A row goes into it once: what an earlier part of the run has logged is known by its journal, and put
back where the log has lost it. A row's time of day goes by the run's own time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

from harness.describe import Bench
from harness.measure.discharge import discharge_from_log
from harness.measure.setup import Options
from harness.procedures.journal import Done
from harness.procedures.steps import Log
from harness.readings import Findings
from harness.recordings import BatteryLogWriter, read_log


@dataclass(slots=True)
class RunLog:
    """The log of a run.

    Parameters
    ----------
    path : of the log
    resumes : whether there may be one already
    """

    path: Path
    resumes: bool
    _writer: BatteryLogWriter | None = None
    _zero_s: float | None = None
    _before: list[tuple[Log, Done]] = field(default_factory=list)

    def know(self, step: Log, done: Done) -> None:
        """Take note of a row that an earlier part of the run has logged."""
        self._row_time_s(step, done.at_s)
        self._before.append((step, done))

    def put_back(self) -> int:
        """Log again what the journal has and the log has not: a file lost, cut or mended by hand.

        The procedure gives each row again that it gave then, bit for bit. Gives how many those are.
        """
        if not self._before:
            return 0
        with BatteryLogWriter(self.path, resume=True) as log:
            missing = [each for each in self._before if not log.holds(each[0].row["time_s"])]
            for step, done in missing:
                log.append(step.row, self._row_utc(step, done.at_s, done.moment.utc))
        return len(missing)

    def append(self, step: Log, now_s: float, utc: datetime) -> None:
        """Log a row; ``now_s`` of the run's own time is ``utc``."""
        if "time_s" not in step.row:
            raise ValueError(f"a row of a log without time_s: {sorted(step.row)}")
        if self._writer is None:
            self._writer = BatteryLogWriter(self.path, resume=self.resumes)
        # A run may have been ended between the row and its line in the journal.
        last_s = self._writer.last_time_s
        if last_s is None or step.row["time_s"] > last_s:
            self._writer.append(step.row, self._row_utc(step, now_s, utc))

    def close(self) -> None:
        """Close the file, if it is open."""
        if self._writer is not None:
            self._writer.close()
            self._writer = None

    def _row_utc(self, step: Log, now_s: float, utc: datetime) -> datetime:
        """Give the time of day of a row, from that of a later moment of the run's own time."""
        return utc - timedelta(seconds=now_s - self._row_time_s(step, now_s))

    def _row_time_s(self, step: Log, now_s: float) -> float:
        """Give the run's own time of a row; a first that does not tell is logged at once."""
        if self._zero_s is None:
            at_s = now_s if step.at_s is None else step.at_s
            self._zero_s = at_s - step.row["time_s"]
        return self._zero_s + step.row["time_s"]


def measured_log(
    path: Path, bench: Bench, options: Options, remarks: Sequence[str] = ()
) -> Findings:
    """Analyse a battery log by what the bench declares of its meter.

    Parameters
    ----------
    path : of the log
    bench : it was measured on
    options : beside what the bench declares
    remarks : of the run's journal; they stand among the cautions

    Raises
    ------
    BadInput, Damaged : the log cannot be read.
    """
    options = replace(
        options,
        voltage_contributions=bench.voltage_contributions(),
        current_contributions=bench.current_contributions(),
    )
    found = discharge_from_log(read_log(path), options)
    return replace(found, cautions=(*found.cautions, *remarks))
