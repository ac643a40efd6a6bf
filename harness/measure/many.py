"""Many recordings, measured beside each other on this machine's cores or on a cluster's.

Each recording (or take) gives one file of findings. What is there already is not measured again,
so a run that was stopped goes on where it was. Only the process that started it writes.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from harness.errors import BadInput
from harness.recordings import open_recording, open_take
from harness.recordings.files import place, write_fault
from harness.recordings.recording import COLLECTION, META, base_path

CLUSTER_PATIENCE_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A recording or take to measure, and the file that its findings go to."""

    recording: Path
    findings: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of a job: its findings as JSON, or one line on why there are none."""

    job: Job
    findings: Mapping[str, Any] | None = None
    fault: str = ""


def find_jobs(kind: str, places: Sequence[Path], out: Path) -> list[Job]:
    """Find the recordings at the places named, and where the findings of each go.

    Parameters
    ----------
    places : recordings, takes, or folders to be searched to the bottom; in a folder a take's
        collection stands for its recordings
    out : folder of the findings; below it the searched folders' own order is kept

    Raises
    ------
    BadInput : a place that is not there or holds nothing; two findings of one name
    """
    jobs: list[Job] = []
    for where in places:
        if not where.is_dir():
            jobs.append(Job(recording=where, findings=out / _name(where, kind)))
            continue
        found = list(_in_folder(where))
        if not found:
            raise BadInput(
                "no recording in this folder", str(where), f"Name one with {META} in it."
            )
        for path in found:
            folder = out / path.parent.relative_to(where)
            jobs.append(Job(recording=path, findings=folder / _name(path, kind)))
    taken: dict[Path, Path] = {}
    for job in jobs:
        other = taken.setdefault(job.findings, job.recording)
        if other != job.recording:
            raise BadInput(
                f"has the same name as {other}",
                str(job.recording),
                "Give the folder that holds both, or measure them into different folders.",
            )
    return list({job.findings: job for job in jobs}.values())


def _name(path: Path, kind: str) -> str:
    return f"{base_path(path).name.removesuffix(COLLECTION)}.{kind}.json"


def _in_folder(folder: Path) -> Iterator[Path]:
    takes = sorted(folder.rglob(f"*{COLLECTION}"))
    grouped = set()
    for take in takes:
        try:
            grouped |= {
                recording.path.resolve() for recording in open_take(take).recordings.values()
            }
        except BadInput:
            # It is measured, and refused, in its turn; its recordings then by themselves.
            pass
        yield take
    for meta in sorted(folder.rglob(f"*{META}")):
        if meta.resolve() not in grouped:
            yield meta


def is_done(job: Job, kind: str) -> bool:
    """Whether a job's findings are there.

    Raises
    ------
    BadInput : something else is there, or findings of other samples; neither is overwritten
    """
    if not os.path.lexists(job.findings):
        return False
    remedy = "Move it away, or give another folder."
    try:
        there = json.loads(job.findings.read_text(encoding="utf-8"))
        is_ours = there["kind"] == kind
        sums = {used["sha512"] for used in there["recordings"]} - {""}
    except (OSError, ValueError, KeyError, TypeError):
        is_ours, sums = False, set()
    if not is_ours:
        raise BadInput(
            f"is there already and holds no findings of {kind}", str(job.findings), remedy
        )
    if not job.recording.name.endswith(COLLECTION):
        now = open_recording(job.recording).sha512
        if now is not None and sums and now not in sums:
            raise BadInput(
                "holds findings of other samples of this name", str(job.findings), remedy
            )
    return True


def keep(outcome: Outcome) -> None:
    """Write the findings of a job to its file: whole or not at all, and over no other."""
    path = outcome.job.findings
    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("x", encoding="utf-8") as file:
            json.dump(outcome.findings, file, allow_nan=False)
            file.write("\n")
            file.flush()
            os.fsync(file.fileno())
        place(part, path)
    except OSError as fault:
        raise write_fault(fault, path, "The findings before it are kept.") from fault
    finally:
        part.unlink(missing_ok=True)


def outcomes(
    jobs: Iterable[Job],
    measure_one: Callable[[Job], Outcome],
    *,
    workers: int,
    cluster: str | None = None,
) -> Iterator[Outcome]:
    """Measure jobs beside each other; give what became of each as it ends, in no order.

    Parameters
    ----------
    measure_one : a function that other processes can import
    workers : processes; -1 for one per core
    cluster : address of a Dask scheduler, whose workers see the recordings under the same names

    Raises
    ------
    BadInput : Dask is not installed, or nothing answers at the address
    """
    import joblib

    with _on_cluster(cluster) if cluster else joblib.parallel_config("loky", n_jobs=workers):
        parallel = joblib.Parallel(return_as="generator_unordered")
        # A worker may stand in another folder than the command.
        whole = [replace(job, recording=job.recording.absolute()) for job in jobs]
        yield from parallel(joblib.delayed(measure_one)(job) for job in whole)


@contextmanager
def _on_cluster(address: str) -> Iterator[None]:
    import joblib

    try:
        from distributed import Client
    except ImportError:
        raise BadInput(
            "Dask is not installed", "--cluster", "Install the extra: harness[cluster]."
        ) from None
    try:
        client = Client(address, timeout=CLUSTER_PATIENCE_S)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as fault:
        raise BadInput(
            "no Dask scheduler answers", address, "Start it, or correct the address."
        ) from fault
    with client, joblib.parallel_config("dask", client=client):
        yield
