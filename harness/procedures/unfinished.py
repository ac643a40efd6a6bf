"""Sets aside what an earlier part of a run began and did not finish: nothing is thrown away."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import count
from pathlib import Path

from harness.errors import BadInput
from harness.recordings.files import make_folder, place, sync_folder

ROLES = ("input", "output", "audio")
PART = ".part"


def set_aside(
    folder: Path, takes: Iterable[str], whole: Iterable[str], name: str = "unfinished"
) -> Path | None:
    """Move recordings of no finished take, and other files, into a folder of their own.

    Parameters
    ----------
    folder : of the run
    takes : those that are finished
    whole : names of further files in the folder that are not
    name : of the new folder, before its number

    Returns
    -------
    Path : ``unfinished-1`` or the next, or None where there was nothing to move

    Raises
    ------
    BadInput : a file cannot be moved.

    Notes
    -----
    A recording that a power cut ended gets its own names: its description is valid as it stands.
    """
    recordings = folder / "recordings"
    finished = {
        recordings / name
        for take in takes
        for name in (
            f"{take}.sigmf-collection",
            *(f"{take}-{role}.sigmf-{part}" for role in ROLES for part in ("meta", "data")),
        )
    }
    files = [path for path in recordings.rglob("*") if path.is_file() and path not in finished]
    files += [path for path in (folder / name for name in whole) if path.exists()]
    if not files:
        return None
    names = (folder / f"{name}-{number}" for number in count(1))
    aside = next(name for name in names if not name.exists())
    try:
        for path in sorted(files):
            there = aside / path.relative_to(folder)
            there = there.with_name(there.name.removesuffix(PART))
            make_folder(there.parent)
            if there.exists() and there.samefile(path):
                # Ended while it was being given its name: it has both.
                path.unlink()
                continue
            place(path, there)
            sync_folder(there.parent)
    except OSError as fault:
        raise BadInput(
            f"cannot be moved ({fault.strerror})", str(path), "Check the folder's permissions."
        ) from fault
    return aside
