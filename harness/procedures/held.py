"""Whether a run is going on: the process that performs it holds a file in its folder.

The system lets go of the file when the process ends, however it ends: nothing is left to be
cleared up. Without such locks (Windows) nobody can tell, and nothing is held.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from harness.errors import BadInput
from harness.recordings.files import write_fault

HELD_NAME = ".running"


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold a run's folder.

    Raises
    ------
    BadInput : another process performs a run in it, or nothing may be written there.
    HardwareFault : the disk is full.
    """
    try:
        handle = os.open(folder / HELD_NAME, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as fault:
        raise write_fault(fault, folder / HELD_NAME, "Nothing was done.") from fault
    try:
        if not _lock(handle):
            raise BadInput(
                "another process is performing the run in it", str(folder), "Wait for it to end."
            )
        try:
            yield
        finally:
            with contextlib.suppress(OSError):
                (folder / HELD_NAME).unlink()
    finally:
        os.close(handle)


def is_held(folder: Path) -> bool:
    """Whether another process performs a run in a folder; also False where nobody can tell."""
    try:
        handle = os.open(folder / HELD_NAME, os.O_RDWR)
    except OSError:
        return False
    try:
        return not _lock(handle)
    finally:
        os.close(handle)


def _lock(handle: int) -> bool:
    """Lock a file for this process, without waiting; whether that could be done."""
    try:
        import fcntl
    except ImportError:
        return True
    with contextlib.suppress(BlockingIOError, PermissionError):
        fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return True
    return False
