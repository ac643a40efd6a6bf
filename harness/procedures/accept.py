"""A whole acceptance on a bench: plan of levels, steps, verdicts, results file."""

from __future__ import annotations

import platform
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from harness import __version__
from harness.describe import Bench, Unit, cautions_for, level_plan
from harness.errors import BadInput, HarnessError
from harness.procedures.acceptance import short_acceptance
from harness.procedures.runner import Runner, Watcher
from harness.procedures.wiring import open_bench
from harness.readings import (
    ConditionValue,
    Findings,
    Limit,
    Verdict,
    judge,
    judged,
    not_measured,
    worst,
)
from harness.results import Run, write_run

RESULTS_NAME = "results.h5"
PACKAGES = ("numpy", "scipy", "h5py", "sigmf")


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted:
    """A run and the file that it stands in."""

    run: Run
    path: Path


def accept(unit: Unit, bench: Bench, folder: Path, watcher: Watcher) -> Accepted:
    """Run the short acceptance and write its results file.

    Parameters
    ----------
    unit, bench : descriptions; the unit names its knob positions
    folder : for recordings, logs and results; must not hold results already

    Raises
    ------
    Unsafe : the level plan would overload or destroy something; nothing was keyed.
    BadInput : the folder holds a run already, or a description does not suffice.
    HardwareFault : a device failed; what was measured until then is in the results file.
    """
    path = folder / RESULTS_NAME
    if path.exists():
        raise BadInput("there is a run in this folder already", str(folder), "Name another folder.")
    if not unit.knob_positions:
        raise BadInput(
            "knob_positions is missing",
            unit.name,
            "Name the knob's positions from loose to tight, as marked on the unit.",
        )
    level_plan(unit, bench).require_safe()
    cautions = cautions_for(unit)
    for caution in cautions:
        watcher.say(f"  - {caution}")
    started = datetime.now(UTC)
    opened = open_bench(bench)
    folder.mkdir(parents=True, exist_ok=True)
    runner = Runner(opened, unit, bench, folder, watcher)
    note = ""
    try:
        runner.run(
            short_acceptance(
                unit,
                knob_positions=unit.knob_positions,
                marked=unit.marked_knob or unit.knob_positions[len(unit.knob_positions) // 2],
                loosest=unit.knob_positions[0],
            )
        )
    except (HarnessError, KeyboardInterrupt) as error:
        note = f"Ended early: {str(error) or 'stopped by the operator'}"
        raise
    finally:
        run = judged_run(
            unit,
            bench,
            runner.findings,
            title=f"Acceptance of {unit.name}",
            procedure="short acceptance",
            source=opened.kind,
            cautions=cautions,
            started=started,
            notes=note,
        )
        if runner.findings:
            write_run(path, run)
    return Accepted(run=run, path=path)


def _verdict_by(limit: Limit, findings: list[Findings]) -> Verdict:
    """Verdict of all that was measured for a limit; "not measured" only when nothing was.

    Two ways to one reading (timing with and without the input) need not both have worked. What
    no limit asks for does not count: an opening that cannot be, at a knob turned loose.
    """
    given = [r for found in findings for r in found.readings if limit.applies_to(r)]
    return worst([judge(r, limit) for r in given if r.value is not None])


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
        for limit in limits
        if not any(limit.applies_to(reading) for reading in readings)
    )
    if missing:
        given.append(Findings(kind="not measured", readings=missing))
    verdicts = [_verdict_by(limit, given) for limit in limits]
    return Run(
        title=title,
        procedure=procedure,
        unit=unit.plain(),
        bench=bench.plain(),
        limits=limits,
        findings=tuple(given),
        verdict=worst(verdicts),
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
