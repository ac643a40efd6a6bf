"""Amends what a take's descriptions say, where more is known afterwards; never its samples."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path

from harness.devices import Role
from harness.recordings.checks import MOST_BYTES, load_object
from harness.recordings.description import read_description
from harness.recordings.files import read_small, sync_folder, write_fault
from harness.recordings.take import open_take, write_collection

SKEW = "harness:skew_uncertainty_s"


def widen_skew(collection: Path, role: Role, more_s: float) -> None:
    """Add to how far a stream's skew is known, where the receivers turned out to have moved.

    Parameters
    ----------
    collection : of the take; written anew with the checksum of the amended description
    role : of the recording that is amended
    more_s : standard uncertainty, added to what is declared there by the root sum of squares

    Raises
    ------
    BadInput : no such take. Damaged : it is broken. HardwareFault : it cannot be written.
    """
    take = open_take(collection)
    meta = take.recordings[role].path
    document = load_object(read_small(meta, MOST_BYTES), str(meta))
    declared_s = float(document["global"].get(SKEW, 0.0))
    document["global"][SKEW] = math.hypot(declared_s, more_s)
    raw = (json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode()
    read_description(raw, str(meta))
    part = meta.with_name(meta.name + ".part")
    try:
        with open(part, "wb") as file:
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, meta)
        sync_folder(meta.parent)
        take.path.unlink()
    except OSError as fault:
        raise write_fault(fault, meta, "It is as it was.") from fault
    write_collection(take.path, [recording.path for recording in take.recordings.values()])
