"""What may be on a disk after a power cut between any two calls, worked out from what was asked.

What is sure, by POSIX (fsync: IEEE Std 1003.1-2017, from memory): the bytes of a file as they were
when it was last synced, and the names of a folder as they were when that was last synced. All else
may be there or not, each write and each name by itself; a file may have got its length and not its
bytes, which then are zero. Names come in order, as in a file system with a journal.

==========  ======================================================================================
policy      after the cut
==========  ======================================================================================
strict      only what is sure
kept        all that was asked for: as after ``kill -9``
lengths     all names and lengths; bytes only as far as they are sure, else zero
random      names up to any of those asked for; each write there, not there, or zero
==========  ======================================================================================
"""

import os
from dataclasses import dataclass, field
from pathlib import Path

POLICIES = ("strict", "kept", "lengths", "random")


@dataclass
class Call:
    """One call: what, where in the file, with which bytes, on which name or names."""

    does: str
    offset: int
    data: bytes
    path: str
    other: str


def calls_of(raw: bytes) -> list[Call]:
    """Read what ``disk.c`` wrote down."""
    calls, at = [], 0
    while at < len(raw):
        end = raw.index(b"\n", at)
        does, offset, length, path, other = raw[at:end].decode().split("\t")
        at = end + 1 + int(length)
        calls.append(Call(does, int(offset), raw[end + 1 : at], path, other))
    return calls


@dataclass
class _File:
    now: bytearray = field(default_factory=bytearray)
    sure: bytes = b""
    since: list[tuple[str, int, bytes]] = field(default_factory=list)


def _changed(content: bytearray, does: str, offset: int, data: bytes) -> None:
    if does == "cut":
        del content[offset:]
        content.extend(bytes(offset - len(content)))
        return
    content.extend(bytes(max(0, offset + len(data) - len(content))))
    content[offset : offset + len(data)] = data


class Disk:
    """The disk after some calls."""

    def __init__(self) -> None:
        self.names: dict[str, _File | None] = {}
        self.sure_names: dict[str, _File | None] = {}
        self._named: list[tuple[str, _File | None, bool]] = []
        self.marks: list[str] = []

    def _name(self, path: str, file: _File | None, is_there: bool) -> None:
        self._named.append((path, file, is_there))
        _apply(self.names, path, file, is_there)

    def does(self, call: Call) -> None:
        """Do a call."""
        match call.does:
            case "mark":
                self.marks.append(call.data.decode())
            case "make":
                self._name(call.path, _File(), True)
            case "folder":
                self._name(call.path, None, True)
            case "link":
                self._name(call.other, self.names[call.path], True)
            case "rename":
                self._name(call.other, self.names[call.path], True)
                self._name(call.path, None, False)
            case "unlink":
                self._name(call.path, None, False)
            case "write" | "cut":
                file = self.names[call.path]
                _changed(file.now, call.does, call.offset, call.data)
                file.since.append((call.does, call.offset, call.data))
            case "sync" if self.names.get(call.path) is None:
                self._sync_folder(call.path)
            case "sync":
                file = self.names[call.path]
                file.sure, file.since = bytes(file.now), []

    def _sync_folder(self, folder: str) -> None:
        left = []
        for path, file, is_there in self._named:
            if os.path.dirname(path) == folder:
                _apply(self.sure_names, path, file, is_there)
            else:
                left.append((path, file, is_there))
        self._named = left

    def leave(self, policy: str, chance, old: str, new: Path) -> None:
        """Make what a power cut leaves in a folder, under another name; ``chance`` a Random."""
        names = dict(self.names)
        if policy in ("strict", "random"):
            names = dict(self.sure_names)
            reach = chance.randint(0, len(self._named)) if policy == "random" else 0
            for path, file, is_there in self._named[:reach]:
                _apply(names, path, file, is_there)
        made: dict[int, Path] = {}
        for path in sorted(names):
            if not all(str(up) in names for up in Path(path).parents if len(str(up)) > len(old)):
                # A name in a folder that is not there is not there.
                continue
            place = new / os.path.relpath(path, old)
            file = names[path]
            if file is None:
                place.mkdir(parents=True, exist_ok=True)
                continue
            place.parent.mkdir(parents=True, exist_ok=True)
            if id(file) in made:
                place.hardlink_to(made[id(file)])
            else:
                place.write_bytes(_content(file, policy, chance))
                made[id(file)] = place


def _apply(names: dict[str, _File | None], path: str, file: _File | None, is_there: bool) -> None:
    if is_there:
        names[path] = file
    else:
        names.pop(path, None)


def _content(file: _File, policy: str, chance) -> bytes:
    if policy == "kept":
        return bytes(file.now)
    if policy == "strict":
        return file.sure
    content = bytearray(file.sure)
    if policy == "lengths":
        content = content[: len(file.now)]
        return bytes(content + bytes(len(file.now) - len(content)))
    for does, offset, data in file.since:
        fate = chance.choice(("there", "not", "zero"))
        if does == "cut":
            # A cut takes effect or does not.
            if fate == "there":
                _changed(content, does, offset, data)
        elif fate != "not":
            _changed(content, does, offset, data if fate == "there" else bytes(len(data)))
    return bytes(content)
