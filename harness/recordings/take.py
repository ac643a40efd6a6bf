"""A take: the recordings made side by side, grouped in a ``.sigmf-collection``."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from harness.devices import Role
from harness.errors import BadInput, Damaged
from harness.recordings.checks import MOST_BYTES, Fields, load_object, shown
from harness.recordings.description import EXTENSION
from harness.recordings.files import (
    place,
    read_small,
    require_new,
    sha512_of,
    sync_folder,
    write_fault,
)
from harness.recordings.recording import COLLECTION, META, Recording, open_recording

MOST_STREAMS = 16
"""More than a bench has receivers; chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """Recordings of one take by role."""

    name: str
    path: Path
    recordings: Mapping[Role, Recording]


def write_collection(
    path: str | os.PathLike[str], recordings: Iterable[Recording | str | os.PathLike[str]]
) -> Path:
    """Group recordings of one folder into a take; give the path of the collection.

    Parameters
    ----------
    path : base name, or with the suffix; in the folder of the recordings
    recordings : opened, or paths as for ``open_recording``; each with its own role

    Raises
    ------
    BadInput : the name is taken, another folder, a role missing or twice

    Notes
    -----
    Streams are written as [base name, SHA-512 of the description], as the standard's schema has
    it (1.2.0, core:streams).
    """
    import sigmf

    final = _collection_path(Path(path))
    members = [item if isinstance(item, Recording) else open_recording(item) for item in recordings]
    _by_role(members, str(final))
    for member in members:
        if member.path.parent.resolve() != final.parent.resolve():
            raise BadInput(
                "lies in another folder than the take", str(member.path), "Put both into one."
            )
    part = final.with_name(final.name + ".part")
    require_new(final, part)
    document = {
        "collection": {
            "core:version": sigmf.__specification__,
            "core:extensions": [dict(EXTENSION)],
            "core:streams": [[member.name, sha512_of(member.path)] for member in members],
        }
    }
    try:
        with open(part, "xb") as file:
            file.write((json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode())
            file.flush()
            os.fsync(file.fileno())
        place(part, final)
        sync_folder(final.parent)
    except OSError as fault:
        part.unlink(missing_ok=True)
        raise write_fault(fault, final, "The recordings themselves are kept.") from fault
    return final


def open_take(path: str | os.PathLike[str]) -> Take:
    """Open a take by its ``.sigmf-collection`` or its base name, and all its recordings.

    The descriptions are checked against the checksums in the collection; the data is not.

    Raises
    ------
    BadInput : no such take. Damaged : broken, changed, or a role missing or twice
    """
    collection = _collection_path(Path(path))
    where = str(collection)
    document = load_object(read_small(collection, MOST_BYTES), where)
    if "collection" not in document:
        raise Damaged("has no collection", where, "Is it really a take?")
    fields = Fields(document["collection"], where, "collection")
    if fields.text("core:version") is None:
        raise fields.missing("core:version")
    streams = fields.items("core:streams")
    if not 1 <= len(streams) <= MOST_STREAMS:
        raise Damaged(f"groups {len(streams)} recordings", where, "A take has input and output.")
    members = []
    for position, stream in enumerate(streams):
        name, digest = _stream(stream, where, f"core:streams[{position}]")
        meta = collection.with_name(name + META)
        if not meta.exists():
            raise Damaged(f"the recording {shown(name)} of the take is missing", where, "Find it.")
        member = open_recording(meta)
        if digest is not None and sha512_of(meta) != digest.lower():
            raise Damaged(
                f"changed after the take {collection.name} was written: wrong SHA-512",
                str(meta),
                "Get the original, or write the take anew if the change was meant.",
            )
        members.append(member)
    return Take(
        name=collection.name.removesuffix(COLLECTION),
        path=collection,
        recordings=_by_role(members, where),
    )


def _stream(stream: Any, where: str, place_in_file: str) -> tuple[str, str | None]:
    """Read a stream: [name, hash] by the schema; {name, hash} as the library writes it."""
    if isinstance(stream, dict):
        stream = [stream.get("name"), *([stream["hash"]] if "hash" in stream else [])]
    whole = isinstance(stream, list) and 1 <= len(stream) <= 2
    if not whole or not all(isinstance(item, str) for item in stream):
        raise Damaged(f"{place_in_file} is not a name and a checksum", where, "Write it anew.")
    name = stream[0]
    if name in ("", ".", "..") or set(name) & set("/\\:\0"):
        raise Damaged(
            f"{place_in_file} is {shown(name)}, not the name of a recording beside it",
            where,
            "Put the recordings into the same folder.",
        )
    return name, stream[1] if len(stream) == 2 else None


def _by_role(members: Iterable[Recording], where: str) -> Mapping[Role, Recording]:
    found: dict[Role, Recording] = {}
    for member in members:
        if member.role is None:
            raise Damaged(
                f"{member.name} of the take has no harness:role",
                where,
                "Write input, output or audio into it.",
            )
        if member.role in found:
            raise Damaged(
                f"{found[member.role].name} and {member.name} are both the {member.role}",
                where,
                "A take has one recording for each role.",
            )
        found[member.role] = member
    if not found:
        raise Damaged("groups no recordings", where, "A take has at least one.")
    return MappingProxyType(found)


def _collection_path(path: Path) -> Path:
    if "\0" in str(path) or not path.name:
        raise BadInput("is no name of a take", ascii(str(path)), "Give its .sigmf-collection file.")
    if path.name.endswith(COLLECTION):
        return path
    return path.with_name(path.name + COLLECTION)
