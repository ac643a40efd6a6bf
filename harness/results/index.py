"""Which runs lie in a folder tree: looked up in an index that keeps itself.

The tree is walked anew each time, which for ten thousand files takes a fraction of a second;
only a file that the index does not know by its path, size and time of change is opened. The index
is one SQLite file for all folders, in the user's cache: it holds nothing that the results files
do not, may be deleted at any time, and is made anew where it is damaged or of another version.
Where it cannot be kept at all, each search reads the files.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.errors import BadInput
from harness.results.head import RunHead, read_head
from harness.results.read import Foreign

VERSION = 1
"""Of the index, not of the results files; another one is made anew."""
ENDINGS = (".h5", ".hdf5")
_KEPT_EVERY = 500
"""Files after which what was read is kept, so that a search that was stopped goes on. Chosen."""
_WAIT_S = 5.0
"""For another search to let the index go. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundRun:
    """A run and the file that it stands in."""

    path: Path
    head: RunHead


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """What lies below a folder.

    Parameters
    ----------
    runs : by the time at which they began
    unreadable : a line for each file or folder that could not be read
    foreign : how many HDF5 files of other programs there are
    opened : how many files had to be opened, since the index did not know them
    remarks : plain sentences on the index
    """

    runs: tuple[FoundRun, ...]
    unreadable: tuple[str, ...]
    foreign: int
    opened: int
    remarks: tuple[str, ...]


def index_path() -> Path:
    """Give where the index is kept: in the user's cache folder."""
    named = os.environ.get("XDG_CACHE_HOME")
    if named and os.path.isabs(named):
        cache = Path(named)
    elif sys.platform == "darwin":
        cache = Path.home() / "Library" / "Caches"
    else:
        cache = Path.home() / ".cache"
    return cache / "harness" / "runs.sqlite"


def find_runs(
    folder: str | Path,
    *,
    rebuild: bool = False,
    progress: Callable[[float], None] = lambda share: None,
) -> Search:
    """Find all runs in a folder and below it.

    Parameters
    ----------
    folder : to search; links to folders are not followed, links to files are
    rebuild : forget what the index knows of this folder, and read each file
    progress : called with the share of the files done

    Raises
    ------
    BadInput : it is no folder, or cannot be read.
    """
    folder = Path(folder)
    if not os.path.isdir(folder):
        what = "is a file, not a folder" if os.path.isfile(folder) else "no such folder"
        raise BadInput(what, str(folder), "Give a folder that holds results files.")
    root = os.path.realpath(folder)
    walk = _Walk(folder, root)
    files = {file.path: file for file in walk.results_files()}
    with _Index.opened(index_path()) as index:
        if rebuild:
            index.forget(root)
        known = index.below(root)
        fresh = _fresh(files.values(), known)
        index.drop(path for path in known if path not in files)
        new: list[_Entry] = []
        for number, file in enumerate(fresh):
            try:
                new.append(_Entry(file=file, head=read_head(walk.named(file.path))))
            except Foreign:
                new.append(_Entry(file=file, head=None))
            except BadInput as fault:
                # Not kept: what could not be read today may be tomorrow.
                walk.unreadable.append(str(fault))
            if len(new) >= _KEPT_EVERY:
                index.keep(new)
                known.update((entry.file.path, entry) for entry in new)
                new = []
            progress((number + 1) / len(fresh))
        index.keep(new)
        known.update((entry.file.path, entry) for entry in new)
        remarks = tuple(index.remarks)
    # What changed and cannot be read any more is not shown as it was.
    held = [known[path] for path, file in files.items() if _is_known(file, known)]
    shown = [
        FoundRun(path=walk.named(entry.file.path), head=entry.head)
        for entry in held
        if entry.head is not None
    ]
    return Search(
        runs=tuple(sorted(shown, key=lambda found: (found.head.started_utc, str(found.path)))),
        unreadable=tuple(sorted(walk.unreadable)),
        foreign=sum(entry.head is None for entry in held),
        opened=len(fresh),
        remarks=remarks,
    )


@dataclass(frozen=True, slots=True)
class _File:
    """A file as the system tells it; the path in bytes, which need not be text."""

    path: bytes
    size: int
    mtime_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Entry:
    """What the index says of a file; no head where it is another program's."""

    file: _File
    head: RunHead | None


class _Walk:
    """The way through a folder tree, and what could not be read on it."""

    def __init__(self, folder: Path, root: str) -> None:
        self._folder = folder
        self._root = root
        self.unreadable: list[str] = []

    def results_files(self) -> Iterator[_File]:
        """Give all files that may be results."""
        pending = [self._root]
        while pending:
            folder = pending.pop()
            try:
                with os.scandir(folder) as held:
                    for entry in held:
                        if entry.is_dir(follow_symlinks=False):
                            pending.append(entry.path)
                        elif entry.name.lower().endswith(ENDINGS) and not entry.is_dir():
                            yield from self._told(entry)
            except OSError as fault:
                self._fault(folder, fault)

    def named(self, path: bytes | str) -> Path:
        """Name a file as the folder was named."""
        # All paths are of the walk, so that they begin with its root.
        return self._folder / os.fsdecode(path)[len(self._root) :].lstrip("/")

    def _told(self, entry: os.DirEntry[str]) -> Iterator[_File]:
        try:
            told = entry.stat()
        except OSError as fault:
            self._fault(entry.path, fault)
        else:
            yield _File(os.fsencode(entry.path), told.st_size, told.st_mtime_ns)

    def _fault(self, path: str, fault: OSError) -> None:
        reason = fault.strerror or str(fault)
        self.unreadable.append(str(BadInput(f"cannot be read ({reason})", str(self.named(path)))))


def _fresh(files: Iterable[_File], known: dict[bytes, _Entry]) -> list[_File]:
    return [file for file in files if not _is_known(file, known)]


def _is_known(file: _File, known: dict[bytes, _Entry]) -> bool:
    entry = known.get(file.path)
    return entry is not None and entry.file == file


class _Index:
    """The index, or nothing that is kept where there can be none."""

    def __init__(self, connection: sqlite3.Connection, remarks: list[str]) -> None:
        self._held = connection
        self.remarks = remarks

    @classmethod
    @contextlib.contextmanager
    def opened(cls, path: Path) -> Iterator[_Index]:
        """Open the index, made anew where it is damaged; close it at the end."""
        remarks: list[str] = []
        connection = _connect(path, remarks)
        try:
            yield cls(connection, remarks)
        finally:
            connection.close()

    def below(self, root: str) -> dict[bytes, _Entry]:
        """Give what is known below a folder."""
        try:
            rows = self._held.execute(
                "SELECT path, size, mtime_ns, head FROM files WHERE path > ? AND path < ?",
                _range(root),
            ).fetchall()
        except sqlite3.Error as fault:
            self._remark(fault)
            return {}
        known = {}
        for path, size, mtime_ns, head in rows:
            try:
                held = None if head is None else RunHead.from_plain(json.loads(head))
            except (ValueError, TypeError, LookupError):
                continue  # unknown, then: the file is read again
            known[path] = _Entry(file=_File(path, size, mtime_ns), head=held)
        return known

    def forget(self, root: str) -> None:
        """Forget all below a folder."""
        self._write("DELETE FROM files WHERE path > ? AND path < ?", [_range(root)])

    def drop(self, paths: Iterable[bytes]) -> None:
        """Forget files that are no more."""
        self._write("DELETE FROM files WHERE path = ?", [(path,) for path in paths])

    def keep(self, entries: Iterable[_Entry]) -> None:
        """Keep what was read."""
        rows = [
            (
                entry.file.path,
                entry.file.size,
                entry.file.mtime_ns,
                None if entry.head is None else json.dumps(entry.head.plain()),
            )
            for entry in entries
        ]
        self._write("INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?)", rows)

    def _write(self, statement: str, rows: Sequence[tuple[object, ...]]) -> None:
        if not rows:
            return
        try:
            with self._held:
                self._held.executemany(statement, rows)
        except sqlite3.Error as fault:
            self._remark(fault)

    def _remark(self, fault: Exception) -> None:
        remark = _not_kept(fault)
        if remark not in self.remarks:
            self.remarks.append(remark)


def _range(root: str) -> tuple[bytes, bytes]:
    """Give what all paths below a folder lie between: "0" follows "/" in ASCII."""
    folder = os.fsencode(root).rstrip(b"/")
    return folder + b"/", folder + b"0"


def _not_kept(fault: Exception) -> str:
    reason = str(getattr(fault, "strerror", None) or fault)
    return f"The index of runs cannot be kept ({reason}); the files themselves were read."


def _connect(path: Path, remarks: list[str]) -> sqlite3.Connection:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            return _ready(path)
        except _Unusable as fault:
            for ending in ("", "-journal", "-wal", "-shm"):
                Path(f"{path}{ending}").unlink(missing_ok=True)
            remarks.append(f"The index of runs was {fault} and is made anew.")
            return _ready(path)
    except (OSError, sqlite3.Error, _Unusable) as fault:
        remarks.append(_not_kept(fault))
        return _made(sqlite3.connect(":memory:"))


class _Unusable(Exception):
    """An index that is damaged or of another version; says which."""


def _ready(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=_WAIT_S)
    try:
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if tables == 0 and version == 0:
            return _made(connection)
        if version != VERSION:
            raise _Unusable("of another version")
        if connection.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
            raise _Unusable("damaged")
        connection.execute("SELECT path, size, mtime_ns, head FROM files LIMIT 1").fetchall()
        return connection
    except sqlite3.OperationalError as fault:
        connection.close()
        # Held by another, or not ours to open: nothing is wrong with it.
        if "no such" in str(fault):
            raise _Unusable("damaged") from fault
        raise
    except sqlite3.DatabaseError as fault:
        connection.close()
        raise _Unusable("damaged") from fault
    except _Unusable:
        connection.close()
        raise


def _made(connection: sqlite3.Connection) -> sqlite3.Connection:
    with connection:
        connection.execute(
            "CREATE TABLE IF NOT EXISTS files (path BLOB PRIMARY KEY, size INTEGER NOT NULL,"
            " mtime_ns INTEGER NOT NULL, head TEXT) WITHOUT ROWID"
        )
        connection.execute(f"PRAGMA user_version = {VERSION}")
    return connection
