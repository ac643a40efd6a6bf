"""A whole acceptance on a bench: plan of levels, steps, verdicts, results file."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from harness import __version__
from harness.describe import Bench, LevelPlan, Unit, cautions_for, level_plan
from harness.describe.plan import Plan
from harness.devices import Operator
from harness.errors import BadInput, HarnessError
from harness.procedures.aligning import align_again, align_first, not_aligned_again
from harness.procedures.entries import Entries
from harness.procedures.held import held
from harness.procedures.journal import JOURNAL_NAME, LIMITS, Journal
from harness.procedures.looking import look_first
from harness.procedures.planned import arranged, planned
from harness.procedures.runner import LOG_NAME, Runner, Watcher
from harness.procedures.said import NOTHING_SAID, Said, session_of
from harness.procedures.steps import Procedure
from harness.procedures.unfinished import set_aside
from harness.procedures.wiring import OpenBench, open_bench
from harness.readings import (
    ConditionValue,
    Findings,
    Limit,
    judged,
    limit_json,
    not_measured,
    unanswered,
)
from harness.recordings.files import make_folder
from harness.report.wording import quantity
from harness.report.write import REPORT_NAME
from harness.results import Run, write_run
from harness.results.judgement import whole_verdict
from harness.results.session import steps_of
from harness.vocabulary import TERMS

RESULTS_NAME = "results.h5"
ENTRIES_NAME = "entries.csv"
"""What the operator typed."""
PACKAGES = ("numpy", "scipy", "h5py", "sigmf")


@dataclass(frozen=True, slots=True, kw_only=True)
class Performed:
    """A run and the file that it stands in."""

    run: Run
    path: Path


def accept(
    unit: Unit,
    bench: Bench,
    folder: Path,
    watcher: Watcher,
    plan: Plan,
    operator: Operator | None = None,
    *,
    resume: bool = False,
    go_on_with: str = "",
    repeat: Sequence[str] = (),
    said: Said = NOTHING_SAID,
) -> Performed:
    """Run an acceptance by a plan and write its results file, also when it ends early.

    However it ends, what is done is done: resumed, it goes on at the step that was not finished.

    Parameters
    ----------
    unit, bench : descriptions; the unit names its knob positions
    folder : for recordings, logs and results; new or empty, or that of the run to resume
    watcher : is told the level plan and the cautions, then how it goes
    plan : what is done, without the optional steps that nobody asked for
    operator : is asked where the bench is set or read by hand; what is typed is kept in the folder
    resume : go on with the run in the folder, with the same unit, bench and plan; only limits may
        be others
    go_on_with : what the user types to do that, for whoever ends early; empty: nothing is said
    repeat : names of steps to be done once more, after all others; what they found before is kept
    said : who measures, under what, and photos; a run that is done takes these as well

    Raises
    ------
    Unsafe : the level plan would overload or destroy something; nothing was keyed or made.
    BadInput : the folder holds something already, or a description does not suffice; there is
        nothing to resume, or something was set otherwise then.
    HardwareFault : a device failed; what was measured until then is in the results file.
    """
    limits = plan.limits_for(unit)
    settings = {
        "unit": {key: held for key, held in unit.plain().items() if key != LIMITS},
        "bench": bench.plain(),
        "plan": plan.done(),
        LIMITS: [limit_json(limit) for limit in limits],
    }
    said.require_sound()
    for name in repeat:
        _require_repeatable(plan, name)
    more = bool(repeat) or said.is_anything
    journal = journal_for(folder, settings, resume=resume, opens_again=more)
    plan.require_fit(unit)
    return perform(
        unit,
        bench,
        folder,
        watcher,
        planned(unit, plan, [*journal.repeats, *repeat]),
        title=f"Acceptance of {unit.name}",
        name=plan.name,
        operator=operator,
        journal=journal,
        go_on_with=go_on_with,
        by=Asked(plan=plan, limits=limits, repeat=tuple(repeat), said=said),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What an acceptance is asked for beside its steps."""

    plan: Plan
    limits: tuple[Limit, ...]
    repeat: tuple[str, ...] = ()
    said: Said = NOTHING_SAID

    def cautions(self, unit: Unit) -> tuple[str, ...]:
        """Tell what of the plan does not reach this unit, and what the plan says itself."""
        silent = tuple(
            f"The plan has limits for {TERMS[name].title.lower()}, and none for"
            f" {unit.transmit_hz / 1e6:.4f} MHz and {unit.rated_power_w:g} W."
            for name in self.plan.silent_for(unit)
        )
        return (*((self.plan.note,) if self.plan.note else ()), *silent)


def _require_repeatable(plan: Plan, name: str) -> None:
    if plan.step(name).procedure == "battery":
        raise BadInput(
            "a run has one battery log, so its battery run is not repeated",
            "--repeat",
            "Start a new run for it.",
        )


def perform(
    unit: Unit,
    bench: Bench,
    folder: Path,
    watcher: Watcher,
    procedure: Procedure,
    *,
    title: str,
    name: str,
    operator: Operator | None = None,
    is_whole: bool = True,
    journal: Journal | None = None,
    go_on_with: str = "",
    hears: bool = False,
    by: Asked | None = None,
) -> Performed:
    """Perform a procedure on a bench and write its results file, also when it ends early.

    Parameters
    ----------
    unit, bench, folder, watcher, operator, go_on_with : as for ``accept``
    procedure : its steps; closed without a step when nothing may be keyed
    title, name : of the run, as they stand in its results
    is_whole : whether a limit that nothing was measured for counts against the unit
    journal : of the run that it goes on with; without one the run is new
    hears : whether it takes the receiver's audio from the sound card
    by : what an acceptance is asked for

    Raises
    ------
    Unsafe, BadInput, HardwareFault : as ``accept``.
    """
    if journal is None:
        settings = {"unit": unit.plain(), "bench": bench.plain(), "procedure": name}
        journal = journal_for(folder, settings)
    plan = level_plan(unit, bench)
    for line in plan_in_words(plan):
        watcher.say(line)
    plan.require_safe()
    cautions = cautions_for(unit)
    for caution in cautions:
        watcher.say(f"  - {caution}")
    if hears:
        # Its one receiver has nobody to be aligned with.
        bench = bench.model_copy(update={"align_hz": None})
    if operator is None:
        opened = open_bench(bench, hears=hears)
    else:
        entries = Entries(folder / ENTRIES_NAME, resume=journal.resumes)
        opened = open_bench(bench, operator, entries, unit, journal.supply_readings, hears=hears)
    with opened:
        return _performed(
            opened,
            unit,
            bench,
            folder,
            watcher,
            procedure,
            title=title,
            name=name,
            cautions=cautions,
            is_whole=is_whole,
            journal=journal,
            go_on_with=go_on_with,
            by=by,
        )


def _performed(
    opened: OpenBench,
    unit: Unit,
    bench: Bench,
    folder: Path,
    watcher: Watcher,
    procedure: Procedure,
    *,
    title: str,
    name: str,
    cautions: tuple[str, ...],
    is_whole: bool,
    journal: Journal,
    go_on_with: str,
    by: Asked | None,
) -> Performed:
    """Run a procedure on an open bench, and write what came of it."""
    cautions = (*cautions, *look_first(opened.source, bench, unit, watcher))
    _make(folder)
    # Until the bench is closed: whoever looks at the folder knows that the run goes on.
    opened.closing.enter_context(held(folder))
    _begin(opened, folder, watcher, journal)
    if by is not None:
        cautions = (*cautions, *by.cautions(unit))
        for step in by.repeat:
            journal.repeat(step)
        for entry in by.said.entries(folder):
            journal.say(entry)
    for what, identity in opened.identities.items():
        watcher.say(f"{what}: {identity}")
    for caution in opened.cautions:
        watcher.say(caution)
    path = folder / RESULTS_NAME
    runner = Runner(opened, unit, bench, folder, watcher, journal=journal)
    note = "Ended early by a fault of the program."
    aligned = list[str]()
    try:
        before = align_first(opened, bench, watcher)
        runner.run(procedure)
        if before is not None:
            aligned.append(align_again(before, runner))
        note = ""
    except HarnessError as error:
        note = f"Ended early: {error}"
        if not go_on_with:
            raise
        remedy = f"{error.remedy} {_going_on(go_on_with, runner)}"
        raise type(error)(error.what, error.where, remedy) from error
    except (KeyboardInterrupt, SystemExit):
        note = "Ended early: stopped by the operator."
        if go_on_with:
            watcher.say(_going_on(go_on_with, runner))
        raise
    finally:
        runner.measure_what_was_logged()
        findings, earlier, session = _as_found(runner, journal, by, is_done=not note)
        run = judged_run(
            unit,
            bench,
            findings,
            title=title,
            procedure=name,
            source=opened.kind,
            cautions=(
                *cautions,
                *runner.takes.cautions,
                *aligned,
                *not_aligned_again(bench, journal),
            ),
            started=journal.started,
            notes=" ".join([*journal.remarks, *([note] if note else [])]),
            instruments=opened.identities,
            is_whole=is_whole,
            limits=None if by is None else by.limits,
            earlier=earlier,
            session=session,
        )
        if runner.findings:
            _write(path, run, watcher, is_ending_early=bool(note))
    journal.end()
    return Performed(run=run, path=path)


def _write(path: Path, run: Run, watcher: Watcher, *, is_ending_early: bool) -> None:
    """Write the results; what ended a run early is not hidden behind a disk that is full."""
    try:
        write_run(path, run)
    except HarnessError as error:
        if not is_ending_early:
            raise
        watcher.say(f"The results were not written: {error} The log and the journal are kept.")


def _as_found(
    runner: Runner, journal: Journal, by: Asked | None, *, is_done: bool
) -> tuple[list[Findings], tuple[Findings, ...], dict[str, Any]]:
    """Give the findings that stand, those that were before them, and what was said of the run."""
    session = session_of(journal.said)
    if by is None:
        return runner.findings, (), session
    found = arranged(by.plan, runner.marks, runner.findings, is_done=is_done)
    session["plan"] = {"name": by.plan.name, "steps": list(found.steps)}
    return list(found.findings), found.earlier, session


def _begin(opened: OpenBench, folder: Path, watcher: Watcher, journal: Journal) -> None:
    """Begin the journal, or take up an earlier one: what is not finished is set aside."""
    resumes, had_ended = journal.resumes, journal.has_ended
    devices = dict(opened.identities)
    devices.update((role, info.hardware) for role, info in opened.source.streams.items())
    journal.begin(devices)
    if not resumes:
        return
    left = [RESULTS_NAME, *([] if journal.has_log else [LOG_NAME])]
    if had_ended:
        # A report belongs to the results that it tells of.
        left += [path.name for path in folder.glob(f"{Path(REPORT_NAME).stem}.*")]
    aside = set_aside(folder, journal.takes, left, "earlier" if had_ended else "unfinished")
    watcher.say(f"Going on: {len(journal.takes)} takes are done.")
    if aside is not None:
        what = "The results so far are" if had_ended else "What was begun and not finished is"
        watcher.say(f"{what} kept in {aside}.")


def _going_on(go_on_with: str, runner: Runner) -> str:
    return f'It goes on at "{runner.at}" with: {go_on_with}'


def plan_in_words(plan: LevelPlan) -> list[str]:
    """Write the level plan for people: a line for each place that power arrives at."""
    words = [f"Levels of {plan.unit} on the {plan.bench}, transmitter at its rated power:"]
    for line in plan.lines:
        level = quantity(line.level_dbm, "dBm", decimals=1)
        words.append(f"  - {line.name}: {level}, {line.limit}{'' if line.safe else ': NOT SAFE'}")
    words.extend(f"  - {note}" for note in plan.notes)
    return words


def journal_for(
    folder: Path,
    settings: Mapping[str, Any],
    *,
    resume: bool = False,
    opens_again: bool = False,
) -> Journal:
    """Give the journal of a new run in an empty folder, or of the one there to go on with.

    Parameters
    ----------
    folder, settings, opens_again : as for ``Journal.of``

    Raises
    ------
    BadInput : as ``require_empty``, or where it goes on as ``Journal.of``.
    """
    if resume:
        return Journal.of(folder, settings, opens_again=opens_again)
    require_empty(folder)
    return Journal.new(folder, settings)


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
    remedy = "Name another folder."
    if (folder / JOURNAL_NAME).exists():
        remedy = f"Name another folder, or go on with the run in it: --resume {folder}."
    raise BadInput("the folder is not empty", str(folder), remedy)


def _make(folder: Path) -> None:
    try:
        make_folder(folder)
    except OSError as fault:
        raise BadInput(
            f"the folder cannot be made ({fault.strerror})", str(folder), "Name another folder."
        ) from fault


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
    is_whole: bool = True,
    limits: tuple[Limit, ...] | None = None,
    earlier: tuple[Findings, ...] = (),
    session: Mapping[str, Any] | None = None,
) -> Run:
    """Judge findings by limits, the unit file's unless others are given, and make a run of them.

    A limit that no reading answers becomes a reading that was not measured, so that it shows
    and the verdict of the whole is not better for it; unless only a part was asked for.
    """
    limits = unit.limits if limits is None else limits
    if not is_whole:
        found = [reading for each in findings for reading in each.readings]
        limits = tuple(limit for limit in limits if not unanswered((limit,), found))
    given = [replace(found, readings=judged(found.readings, limits)) for found in findings]
    readings = [reading for found in given for reading in found.readings]
    missing = tuple(
        not_measured(limit.reading, "no step measured it", conditions=_exact(limit))
        for limit in unanswered(limits, readings)
    )
    if missing:
        given.append(Findings(kind="not measured", readings=missing))
    run = Run(
        title=title,
        procedure=procedure,
        unit=unit.plain(),
        bench={
            **bench.plain(),
            **({"instruments": dict(instruments)} if instruments else {}),
            **({"operator": session["operator"]} if session and "operator" in session else {}),
        },
        limits=limits,
        findings=tuple(given),
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
        earlier=earlier,
        session=dict(session or {}),
    )
    return replace(run, verdict=whole_verdict(limits, readings, steps_of(run)))
