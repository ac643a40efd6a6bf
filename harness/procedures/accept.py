"""A whole acceptance on a bench: plan of levels, steps, verdicts, results file."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from harness import __version__
from harness.describe import Bench, LevelPlan, Unit, cautions_for, level_plan
from harness.devices import Operator
from harness.errors import BadInput, HarnessError
from harness.procedures.acceptance import SHORT, Extent, acceptance
from harness.procedures.entries import Entries
from harness.procedures.looking import look_first
from harness.procedures.runner import Runner, Watcher
from harness.procedures.wiring import OpenBench, open_bench
from harness.readings import (
    ConditionValue,
    Findings,
    Limit,
    Reading,
    Verdict,
    judged,
    not_measured,
    unanswered,
    worst,
)
from harness.report.wording import quantity
from harness.results import Run, write_run

RESULTS_NAME = "results.h5"
ENTRIES_NAME = "entries.csv"
"""What the operator typed."""
PACKAGES = ("numpy", "scipy", "h5py", "sigmf")


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """A run and the file that it stands in."""

    run: Run
    path: Path


def accept(
    unit: Unit,
    bench: Bench,
    folder: Path,
    watcher: Watcher,
    extent: Extent = SHORT,
    operator: Operator | None = None,
) -> Accepted:
    """Run an acceptance and write its results file, also when it ends early.

    Parameters
    ----------
    unit, bench : descriptions; the unit names its knob positions
    folder : for recordings, logs and results; new or empty
    watcher : is told the level plan and the cautions, then how it goes
    extent : how much is done
    operator : is asked where the bench is set or read by hand; what is typed is kept in the folder

    Raises
    ------
    Unsafe : the level plan would overload or destroy something; nothing was keyed or made.
    BadInput : the folder holds something already, or a description does not suffice.
    HardwareFault : a device failed; what was measured until then is in the results file.
    """
    require_empty(folder)
    if not unit.knob_positions:
        raise BadInput(
            "knob_positions is missing",
            unit.name,
            "Name the knob's positions from loose to tight, as marked on the unit.",
        )
    plan = level_plan(unit, bench)
    for line in plan_in_words(plan):
        watcher.say(line)
    plan.require_safe()
    cautions = cautions_for(unit)
    for caution in cautions:
        watcher.say(f"  - {caution}")
    started = datetime.now(UTC)
    if operator is None:
        opened = open_bench(bench)
    else:
        opened = open_bench(bench, operator, Entries(folder / ENTRIES_NAME), unit)
    with opened:
        return _performed(opened, unit, bench, folder, watcher, extent, cautions, started)


def _performed(
    opened: OpenBench,
    unit: Unit,
    bench: Bench,
    folder: Path,
    watcher: Watcher,
    extent: Extent,
    cautions: tuple[str, ...],
    started: datetime,
) -> Accepted:
    """Run the acceptance on an open bench, and write what came of it."""
    cautions = (*cautions, *look_first(opened.source, bench, unit, watcher))
    _make(folder)
    for what, identity in opened.identities.items():
        watcher.say(f"{what}: {identity}")
    for caution in opened.cautions:
        watcher.say(caution)
    path = folder / RESULTS_NAME
    runner = Runner(opened, unit, bench, folder, watcher)
    note = "Ended early by a fault of the program."
    try:
        runner.run(acceptance(unit, extent))
        note = ""
    except HarnessError as error:
        note = f"Ended early: {error}"
        raise
    except (KeyboardInterrupt, SystemExit):
        note = "Ended early: stopped by the operator."
        raise
    finally:
        run = judged_run(
            unit,
            bench,
            runner.findings,
            title=f"Acceptance of {unit.name}",
            procedure="short acceptance" if extent.is_short else "acceptance",
            source=opened.kind,
            cautions=(*cautions, *runner.takes.cautions),
            started=started,
            notes=note,
            instruments=opened.identities,
        )
        if runner.findings:
            write_run(path, run)
    return Accepted(run=run, path=path)


def plan_in_words(plan: LevelPlan) -> list[str]:
    """Write the level plan for people: a line for each place that power arrives at."""
    words = [f"Levels of {plan.unit} on the {plan.bench}, transmitter at its rated power:"]
    for line in plan.lines:
        level = quantity(line.level_dbm, "dBm", decimals=1)
        words.append(f"  - {line.name}: {level}, {line.limit}{'' if line.safe else ': NOT SAFE'}")
    words.extend(f"  - {note}" for note in plan.notes)
    return words


def require_empty(folder: Path) -> None:
    """Refuse a folder that holds something: no run goes over another.

    Raises
    ------
    BadInput : it is no folder, cannot be read, or is not empty.
    """
    try:
        there = next(place for place in (folder, *folder.parents) if place.exists())
        if not any(there.iterdir()) or there != folder:
            return
    except NotADirectoryError:
        raise BadInput("is a file, not a folder", str(there), "Name a new folder.") from None
    except OSError as fault:
        raise BadInput(
            f"the folder cannot be used ({fault.strerror})", str(folder), "Name another folder."
        ) from fault
    raise BadInput("the folder is not empty", str(folder), "Name another folder.")


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise BadInput(
            f"the folder cannot be made ({fault.strerror})", str(folder), "Name another folder."
        ) from fault


def _whole(limits: Sequence[Limit], readings: Sequence[Reading]) -> Verdict:
    """Verdict of the whole, by limit: what was measured for it; "not measured" only if nothing.

    Two ways to one reading (timing with and without the input) need not both have worked. What
    no limit asks for does not count: an opening that cannot be, at a knob turned loose.
    """
    given = [reading for reading in readings if reading.value is not None]
    verdicts = [reading.verdict for reading in given]
    if unanswered(limits, given):
        verdicts.append("not measured")
    return worst(verdicts)


def _exact(limit: Limit) -> dict[str, ConditionValue]:
    """Conditions of a limit that are one value: a range is no condition of a reading."""
    return {key: value for key, value in limit.where.items() if not isinstance(value, tuple)}


def judged_run(
    unit: Unit,
    bench: Bench,
    findings: list[Findings],
    *,
    title: str,
    procedure: str,
    source: str,
    cautions: tuple[str, ...],
    started: datetime,
    notes: str,
    instruments: Mapping[str, str] | None = None,
) -> Run:
    """Judge findings by the unit's limits and make a run of them.

    A limit that no reading answers becomes a reading that was not measured, so that it shows
    and the verdict of the whole is not better for it.
    """
    limits = unit.limits
    given = [replace(found, readings=judged(found.readings, limits)) for found in findings]
    readings = [reading for found in given for reading in found.readings]
    missing = tuple(
        not_measured(limit.reading, "no step measured it", conditions=_exact(limit))
        for limit in unanswered(limits, readings)
    )
    if missing:
        given.append(Findings(kind="not measured", readings=missing))
    return Run(
        title=title,
        procedure=procedure,
        unit=unit.plain(),
        bench={**bench.plain(), **({"instruments": dict(instruments)} if instruments else {})},
        limits=limits,
        findings=tuple(given),
        verdict=_whole(limits, readings),
        started_utc=started,
        ended_utc=datetime.now(UTC),
        software={
            "harness": __version__,
            "python": platform.python_version(),
            **{name: version(name) for name in PACKAGES},
        },
        cautions=cautions,
        notes=notes,
        source=source,
    )
