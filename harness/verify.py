"""Hold a results file, its recordings and its report against each other.

What is found, and by what:

=============  ====================================================================================
part           matches when
=============  ====================================================================================
results file   its content has the SHA-512 that it says it was written with
recording      its bytes have the SHA-512 that the results file holds; a photo likewise
take           each description has the SHA-512 that the take's collection holds
report         it names the SHA-512 of this results file, its own bytes have the SHA-512 that it
               names, and, where the code that drew it is the one that is here, drawing it anew
               from the results file gives the same bytes
=============  ====================================================================================

None of this is a signature. Whoever changes a results file can compute its digests again and draw
a new report from it: only an earlier print, or another copy of the file, tells.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from harness.advice import advise
from harness.errors import BadInput, Damaged, HarnessError
from harness.readings import RecordingUsed
from harness.recordings import open_take
from harness.recordings.files import read_small, sha512_of
from harness.report.content import content_of
from harness.report.judged import photos_of
from harness.report.pages import report_document
from harness.report.seal import FALSE_KEYING, Seal, drawing_code, read_seal
from harness.report.write import drawn
from harness.results import Run, fingerprint_of, read_run

Finding = Literal["matches", "differs", "missing"]
MOST_REPORT_BYTES = 64 << 20
"""A report is some hundred kilobytes; chosen."""
MOST_COLLECTION_BYTES = 1 << 20
_DATA = (".sigmf-data", "")
_META = ".sigmf-meta"
_COLLECTION = ".sigmf-collection"
_FOLDERS = ("recordings", "photos")
_SHOWN_DIGITS = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One thing that was looked at, and how it stands."""

    name: str
    finding: Finding
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """All that was looked at, in order."""

    parts: tuple[Part, ...]

    @property
    def matches(self) -> bool:
        """Whether nothing differs and nothing is missing."""
        return all(part.finding == "matches" for part in self.parts)


def check(
    results: Path,
    report: Path | None = None,
    recordings: Path | None = None,
    *,
    with_recordings: bool = True,
) -> Checked:
    """Check a results file, its recordings and a report of it.

    Parameters
    ----------
    results : the results file
    report : HTML or PDF that this program drew; None: no report is looked at
    recordings : folder to look for them in, and all folders below; None: the folder of the results
        file, ``recordings`` and ``photos`` in it
    with_recordings : False leaves them out

    Raises
    ------
    BadInput : the results file or the report is not there, or cannot be read; no such folder.
    """
    run, parts = _results(results)
    if report is not None:
        parts.append(_report(report, results, run))
    if run is not None and with_recordings:
        parts += _recordings(run, _files(results, recordings))
    return Checked(parts=tuple(parts))


def _results(path: Path) -> tuple[Run | None, list[Part]]:
    try:
        run = read_run(path)
    except Damaged as fault:
        return None, [Part(name=path.name, finding="differs", because=fault.what)]
    because = "its content is as it was written"
    return run, [Part(name=path.name, finding="matches", because=because)]


def _report(path: Path, results: Path, run: Run | None) -> Part:
    def found(finding: Finding, because: str) -> Part:
        return Part(name=path.name, finding=finding, because=because)

    data = read_small(path, MOST_REPORT_BYTES)
    read = read_seal(data)
    if read is None:
        return found("missing", "there is no fingerprint of a results file in it")
    seal, here = read.seal, fingerprint_of(results)
    if seal.results_sha512 != here:
        return found(
            "differs",
            f"it was drawn from the results file {seal.results_sha512[:_SHOWN_DIGITS]}…, and this"
            f" one is {here[:_SHOWN_DIGITS]}…: another, or changed since",
        )
    if not read.is_whole:
        return found("differs", "it was changed after it was drawn")
    because = "it was drawn from this results file and not changed since"
    if run is None:
        return found("matches", f"{because}; the results file cannot be read to draw it anew")
    why_not = _why_not_anew(seal)
    if why_not:
        return found("matches", f"{because}; it was not drawn anew, because {why_not}")
    if data != _drawn_anew(run, seal, path.suffix):
        return found(
            "differs",
            "drawn anew from this results file it is another: it was changed, and its fingerprint"
            " made to fit",
        )
    return found("matches", f"{because}; drawn anew it is the same")


def _why_not_anew(seal: Seal) -> str:
    if seal.drawn != drawing_code():
        return "another version of the program, or another kind of computer, drew it"
    if [option for option in seal.options if not option.startswith(f"{FALSE_KEYING}:")]:
        return "another results file went into it too"
    return ""


def _drawn_anew(run: Run, seal: Seal, suffix: str) -> bytes:
    rates = [float(option.partition(":")[2]) for option in seal.options]
    content = content_of(run, advice=advise(run, *rates))
    asked = Seal(results_sha512=seal.results_sha512, options=seal.options)
    return drawn(report_document(content, seal=asked), suffix)


Files = Mapping[str, Sequence[Path]]


def _files(results: Path, folder: Path | None) -> Files:
    """List the files where recordings may be, by name."""
    if folder is None:
        places = [results.parent, *(results.parent / name for name in _FOLDERS)]
        paths = [path for place in places for path in _in(place)]
    else:
        if not folder.is_dir():
            raise BadInput("there is no such folder", str(folder), "Give that of the recordings.")
        paths = [path for path in folder.rglob("*") if path.is_file()]
    held: dict[str, list[Path]] = {}
    for path in sorted(paths):
        held.setdefault(path.name, []).append(path)
    return held


def _in(folder: Path) -> list[Path]:
    return [path for path in folder.iterdir() if path.is_file()] if folder.is_dir() else []


def _recordings(run: Run, held: Files) -> Iterator[Part]:
    every = (*run.findings, *run.earlier)
    used = dict.fromkeys(
        [
            *(one for part in every for one in part.recordings),
            *(RecordingUsed(path=p, role="photo", sha512=sha) for p, sha in photos_of(run)),
        ]
    )
    folders: set[Path] = set()
    names: set[str] = set()
    for one in used:
        paths = _named(one, held)
        yield _recording(one, paths)
        folders |= {path.parent for path in paths}
        names.add(_base(one))
    yield from _takes(folders, names, held)


def _base(used: RecordingUsed) -> str:
    # Only the last part: a name in a file from elsewhere must not lead out of the folder.
    return used.path.replace("\\", "/").rpartition("/")[2].removesuffix(_META)


def _named(used: RecordingUsed, held: Files) -> list[Path]:
    base = _base(used)
    return [path for ending in _DATA for path in held.get(base + ending, ())]


def _recording(used: RecordingUsed, paths: Sequence[Path]) -> Part:
    def found(finding: Finding, because: str) -> Part:
        return Part(name=used.path, finding=finding, because=because)

    if not paths:
        return found("missing", "no such file in the folder")
    if not used.sha512:
        return found("missing", "the results file holds no checksum of it")
    if any(sha512_of(path) == used.sha512 for path in paths):
        return found("matches", "it has the checksum that the results file holds")
    return found("differs", "it is another, or was changed after it was measured")


def _takes(folders: set[Path], names: set[str], held: Files) -> Iterable[Part]:
    """Check the descriptions of recordings by the takes that group them."""
    for name, paths in held.items():
        for path in paths:
            if not name.endswith(_COLLECTION) or path.parent not in folders:
                continue
            text = read_small(path, MOST_COLLECTION_BYTES).decode("utf-8", errors="replace")
            if not any(json.dumps(one, ensure_ascii=False) in text for one in names):
                continue
            try:
                open_take(path)
            except HarnessError as fault:
                yield Part(name=name, finding="differs", because=f"{fault.where}: {fault.what}")
            else:
                because = "its descriptions have the checksums that it holds"
                yield Part(name=name, finding="matches", because=because)
