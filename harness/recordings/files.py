"""Whole files: checksums in blocks, names that are never overwritten, what reaches the disk."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from harness.errors import BadInput, Damaged, HardwareFault, HarnessError

READ_BYTES = 1 << 20
"""Bytes read at a time for a checksum; chosen."""


def sha512_of(path: Path) -> str:
    """SHA-512 of a file as 128 lower-case hex digits; memory one block."""
    digest = hashlib.sha512()
    buffer = bytearray(READ_BYTES)
    with reading(path), open(path, "rb", buffering=0) as file:
        while count := file.readinto(buffer):
            digest.update(memoryview(buffer)[:count])
    return digest.hexdigest()


def read_small(path: Path, most_bytes: int) -> bytes:
    """Read a whole small file; BadInput when there is none, Damaged when it is too large."""
    size = file_size(path)
    if size > most_bytes:
        raise Damaged(
            f"{size} bytes is too large for a description", str(path), "Is it another kind of file?"
        )
    with reading(path):
        return path.read_bytes()


def file_size(path: Path) -> int:
    """Size in bytes of a regular file; BadInput for one that is missing or not a file."""
    try:
        status = os.stat(path)
    except (FileNotFoundError, NotADirectoryError):
        raise BadInput("there is no such file", str(path), "Check the name.") from None
    except (OSError, ValueError) as fault:
        raise BadInput(f"cannot be opened ({_reason(fault)})", _shown(path), "") from fault
    if stat.S_ISDIR(status.st_mode):
        raise BadInput("is a folder, not a file", str(path), "Give the file inside it.")
    if not stat.S_ISREG(status.st_mode):
        raise BadInput("is a device or a pipe, not a file", str(path), "Copy it to a file first.")
    return status.st_size


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Turn the system's refusal to read into one plain line."""
    try:
        yield
    except OSError as fault:
        raise BadInput(
            f"cannot be read ({_reason(fault)})", str(path), "Check its permissions and the disk."
        ) from fault


def require_new(*paths: Path) -> None:
    """Refuse names that are taken and a folder that is not there; nothing is written yet."""
    for path in paths:
        if os.path.lexists(path):
            raise BadInput(
                "is there already and is not overwritten",
                str(path),
                "Give another name, or move it away.",
            )
        if not path.parent.is_dir():
            raise BadInput("there is no such folder", str(path.parent), "Make it first.")


def place(made: Path, final: Path) -> None:
    """Give a finished file its name, and never another file's.

    A hard link fails where the name is taken, which a rename does not; file systems without
    links get the rename after a look.
    """
    try:
        os.link(made, final)
    except FileExistsError:
        require_new(final)
        raise
    except OSError:
        require_new(final)
        os.rename(made, final)
    else:
        os.unlink(made)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it that are not there; their names are on the disk after it.

    OSError where one cannot be made, or a file is in the way.
    """
    missing = [each for each in (folder, *folder.parents) if not each.is_dir()]
    for each in reversed(missing):
        each.mkdir(exist_ok=True)
        sync_folder(each.parent)


def sync_folder(folder: Path) -> None:
    """Bring new names in a folder to the disk, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as fault:
        # Some network file systems cannot; the file itself was synced.
        if fault.errno not in (errno.EINVAL, errno.ENOTSUP, errno.EROFS):
            raise
    finally:
        os.close(handle)


def write_fault(fault: OSError, path: Path, kept: str) -> HarnessError:
    """Give the error to raise when writing failed; ``kept`` says what is there, as a sentence."""
    if fault.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return HardwareFault("the disk is full", str(path), f"{kept} Make room and start again.")
    if fault.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return BadInput("may not be written here", str(path), "Choose another folder.")
    if fault.errno in (errno.ENAMETOOLONG, errno.EINVAL, errno.EILSEQ, errno.ENOTDIR):
        return BadInput("cannot be a file here (" + _reason(fault) + ")", str(path), "Rename it.")
    return HardwareFault(f"cannot be written ({_reason(fault)})", str(path), kept)


def _reason(fault: OSError | ValueError) -> str:
    text = fault.strerror if isinstance(fault, OSError) and fault.strerror else str(fault)
    return text[:1].lower() + text[1:]


def _shown(path: Path) -> str:
    return ascii(str(path))[1:-1][:200]
