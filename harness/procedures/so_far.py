"""A battery run from log and journal alone: while it goes on, or where its results are lost.

Only reads what is there, so that a run that goes on in another process is not disturbed.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any

from harness.describe import Unit, bench_from, cautions_for, unit_from
from harness.errors import BadInput, HarnessError
from harness.measure.setup import Options
from harness.procedures.accept import RESULTS_NAME, judged_run
from harness.procedures.held import is_held
from harness.procedures.journal import Journal
from harness.procedures.run_log import measured_log
from harness.procedures.runner import LOG_NAME
from harness.procedures.wiring import LIVE
from harness.recordings.files import sync_folder, write_fault
from harness.results import Run, read_run, write_run

GOES_ON = "The run goes on: this is what was logged until {}."
FROM_LOG = "Worked out from the log and the journal of the run{}."


@dataclass(frozen=True, slots=True, kw_only=True)
class SoFar:
    """A run as far as it is logged, and whether it goes on in another process."""

    run: Run
    goes_on: bool


def run_so_far(folder: Path) -> SoFar:
    """Work a battery run out of what its folder holds.

    Parameters
    ----------
    folder : of a run that logs a battery, going on or not

    Raises
    ------
    BadInput : there is no run in it, or no log. Damaged : journal or log cannot be read.
    """
    goes_on = is_held(folder)
    journal = Journal.seen(folder)
    log = folder / LOG_NAME
    if not log.exists():
        raise BadInput(
            f"holds no {LOG_NAME}",
            str(folder),
            "Only a battery run can be worked out from its log; go on with any other by --resume.",
        )
    settings = journal.settings
    unit = unit_from(settings.get("unit", {}), f"{folder}: unit")
    bench = bench_from(settings.get("bench", {}), f"{folder}: bench")
    options = Options(end_v=_end_v(settings, unit))
    found = measured_log(log, bench, options, journal.remarks)
    if goes_on:
        note = GOES_ON.format(f"{datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC")
    else:
        note = FROM_LOG.format("" if journal.has_ended else ", which ended early")
    run = judged_run(
        unit,
        bench,
        [found],
        title=f"Battery run of {unit.name}",
        procedure="battery run",
        source=LIVE if bench.simulated is None else "simulated",
        cautions=cautions_for(unit),
        started=journal.started,
        notes=" ".join([*journal.remarks, note]),
        is_whole=False,
    )
    return SoFar(run=run, goes_on=goes_on)


def rebuild(folder: Path) -> tuple[Path, Path | None]:
    """Write a battery run's results anew from its log and journal.

    Results that are there are moved aside first: nothing is thrown away.

    Returns
    -------
    (results, earlier) : the file, and what an earlier one is called now

    Raises
    ------
    BadInput : the run goes on, and will write its own; or as ``run_so_far``.
    """
    found = run_so_far(folder)
    if found.goes_on:
        raise BadInput(
            "the run goes on", str(folder), "Wait for its end: it then writes its results itself."
        )
    path = folder / RESULTS_NAME
    earlier = None
    if os.path.lexists(path):
        names = (folder / f"results-earlier-{number}.h5" for number in count(1))
        earlier = next(name for name in names if not os.path.lexists(name))
        try:
            os.rename(path, earlier)
            sync_folder(folder)
        except OSError as fault:
            raise write_fault(fault, path, "Nothing was changed.") from fault
    write_run(path, found.run)
    return path, earlier


def results_in(folder: Path) -> Run | None:
    """Give the results in a run's folder; None where there are none, or damaged ones."""
    try:
        return read_run(folder / RESULTS_NAME)
    except HarnessError:
        return None


def _end_v(settings: Mapping[str, Any], unit: Unit) -> float | None:
    """Give the end voltage of a battery run, else the battery's."""
    ends = settings.get("battery run", {}).get("ends", {})
    end_v: float | None = ends.get("end_v", unit.battery.end_v if unit.battery else None)
    return end_v
