"""``harness remeasure``: an archive of recordings, each into a file of findings."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.commands.options import BenchFile, ChannelMiddle, ChannelSpacing, UnitFile, Verify

if TYPE_CHECKING:
    from harness.describe import Bench, Unit
    from harness.measure.many import Job, Outcome


def remeasure(
    kind: Annotated[
        str, typer.Argument(metavar="KIND", help="Kind of measurement, as of harness measure.")
    ],
    places: Annotated[
        list[Path],
        typer.Argument(
            metavar="RECORDING",
            help="SigMF recordings, takes, or folders that are searched for them.",
        ),
    ],
    out: Annotated[
        Path, typer.Option(metavar="FOLDER", help="Folder for the findings, one file each.")
    ],
    jobs: Annotated[
        int, typer.Option(metavar="N", help="Recordings at a time; -1 for one per core.")
    ] = -1,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Dask scheduler to measure on instead.")
    ] = None,
    unit: UnitFile = None,
    bench: BenchFile = None,
    at: ChannelMiddle = None,
    spacing: ChannelSpacing = None,
    verify: Verify = True,
) -> int:
    """Measure many recordings, each into a file of its own.

    Those whose findings are there already are left as they are.
    """
    from harness.commands.progress import progress_on_terminal
    from harness.commands.words import number_hz
    from harness.describe import load_bench, load_unit
    from harness.errors import BadInput, HarnessError
    from harness.measure.kinds import KINDS
    from harness.measure.many import find_jobs, is_done, keep, outcomes

    if kind not in KINDS:
        raise BadInput(f"no measurement {kind!r}", "KIND", f"Choose one of {', '.join(KINDS)}.")
    if jobs < 1 and jobs != -1:
        raise BadInput(f"{jobs} is no number of jobs", "--jobs", "Give 1 or more, or -1.")
    if out.exists() and not out.is_dir():
        raise BadInput("is not a folder", str(out), "Give another --out.")
    the_unit = load_unit(unit) if unit else None
    work = partial(
        measure_one,
        kind=kind,
        unit=the_unit,
        bench=load_bench(bench, the_unit) if bench else None,
        at_hz=number_hz(at, "--at"),
        spacing_hz=number_hz(spacing, "--spacing"),
        verify=verify,
    )
    found = find_jobs(kind, places, out)
    faults: list[str] = []
    waiting = []
    for job in found:
        try:
            if not is_done(job, kind):
                waiting.append(job)
        except HarnessError as error:
            faults.append(str(error))
    already = len(found) - len(waiting) - len(faults)
    measured, failed = 0, 0
    with progress_on_terminal(f"measuring {kind}") as progress:
        for outcome in outcomes(waiting, work, workers=jobs, cluster=cluster) if waiting else ():
            if outcome.findings is None:
                faults.append(outcome.fault)
            else:
                keep(outcome)
                measured += 1
                failed += not _passed(outcome)
            progress((measured + len(faults)) / len(found))
    for fault in sorted(faults):
        typer.echo(fault, err=True)
    line = f"{measured} measured into {out}, {already} were there already"
    typer.echo(f"{line}, {len(faults)} could not be measured." if faults else f"{line}.")
    if failed:
        typer.echo(f"{failed} do not pass a limit of the unit file.")
    if faults:
        return BadInput.exit_status
    return 4 if failed else 0


def measure_one(
    job: Job,
    *,
    kind: str,
    unit: Unit | None,
    bench: Bench | None,
    at_hz: float | None,
    spacing_hz: float | None,
    verify: bool,
) -> Outcome:
    """Measure one recording in whatever process this is; no fault of one stops the rest."""
    from dataclasses import replace

    from harness.errors import HarnessError
    from harness.measure.many import Outcome
    from harness.measure.run import measure_paths
    from harness.readings import findings_json, judged

    try:
        findings = measure_paths(
            kind,
            [job.recording],
            unit=unit,
            bench=bench,
            at_hz=at_hz,
            spacing_hz=spacing_hz,
            verify=verify,
        )
        if unit is not None:
            findings = replace(findings, readings=judged(findings.readings, unit.limits))
        return Outcome(job=job, findings=findings_json(findings))
    except HarnessError as error:
        return Outcome(job=job, fault=str(error))
    except Exception as defect:
        what = f"{type(defect).__name__}: {defect}"
        line = f"{job.recording}: a defect of the program, {what}. Report it with the recording."
        return Outcome(job=job, fault=" ".join(line.split()))


def _passed(outcome: Outcome) -> bool:
    """Whether no limit was failed or left undecided."""
    assert outcome.findings is not None
    verdicts = {reading["verdict"] for reading in outcome.findings["readings"]}
    return not verdicts & {"fail", "undecided"}
