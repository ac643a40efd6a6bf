"""Small results files, many of them: one is written, the others are copies with other heads."""

import shutil
from datetime import UTC, datetime
from pathlib import Path

import h5py

from harness.results import Run, layout, write_run

START = datetime(2026, 3, 14, 7, 41, tzinfo=UTC)


def write_small(path: Path, name="Frost Watch 2", serial="FW-0118", when=START, verdict="pass"):
    """Write a run without readings."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_run(
        path,
        Run(
            title=f"Acceptance of {name}",
            procedure="acceptance",
            started_utc=when,
            ended_utc=when,
            unit={"name": name, "serial": serial},
            verdict=verdict,
            source="simulated",
        ),
    )
    return path


def copy_small(small: Path, path: Path, when: datetime, verdict: str) -> None:
    """Copy a run as one of another time and verdict; the digest is no longer that of the content.

    What reads heads alone does not see that, and it is twenty times as fast as writing.
    """
    shutil.copy(small, path)
    with h5py.File(path, "r+") as file:
        file.attrs[layout.STARTED_UTC] = when.isoformat(timespec="microseconds")
        file.attrs[layout.VERDICT] = verdict
