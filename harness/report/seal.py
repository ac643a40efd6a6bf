"""What ties a report to its results file, and shows that it was not changed: one line of text.

The line stands near the top of an HTML page and in a PDF's metadata (``Keywords``), both of which
keep it readable without a library::

    harness-seal 1 results=SHA-512 drawn=HEX options=WORDS report=SHA-512

``results`` is the SHA-512 of the results file, byte for byte. ``report`` is the SHA-512 of the
report itself, with zeros in the place of these very digits. ``drawn`` tells which code and which
libraries drew it: where they are the same, drawing it anew gives the same bytes. ``options`` is
what went in beside the results file.

It guards against accidents and careless changes. It is no signature: whoever changes a report and
knows of this line can compute it again, and then only drawing it anew from the results file tells.
"""

from __future__ import annotations

import hashlib
import platform
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from pathlib import Path

import harness
from harness.results import fingerprint_of

_NONE = "0" * 128
_OPTION = r"[a-z][a-z-]*:[0-9a-z.+-]+"
_LINE = re.compile(
    rb"harness-seal 1 results=([0-9a-f]{128}) drawn=([0-9a-f]{16})"
    rb" options=(none|" + _OPTION.encode() + rb"(?:," + _OPTION.encode() + rb")*)"
    rb" report=([0-9a-f]{128})"
)
_SHORT = 16
FALSE_KEYING = "false-keying"
_DRAWN_WITH = ("jinja2", "matplotlib", "numpy", "segno", "typst")


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """What a report says of where it comes from.

    Parameters
    ----------
    results_sha512 : of the results file, 128 hexadecimal digits
    options : what else went in, each ``name:value``
    drawn : by which code, 16 hexadecimal digits; empty: by this one
    report_sha512 : of the report, as it stands in it; empty until it is drawn
    """

    results_sha512: str
    options: tuple[str, ...] = ()
    drawn: str = ""
    report_sha512: str = ""

    def line(self) -> str:
        """Write the line, with zeros for the report's own digest."""
        options = ",".join(self.options) or "none"
        line = (
            f"harness-seal 1 results={self.results_sha512} drawn={self.drawn or drawing_code()}"
            f" options={options} report={_NONE}"
        )
        if not _LINE.fullmatch(line.encode()):
            raise ValueError(f"{self!r} cannot be written as a seal")
        return line


def sealed(report: bytes) -> bytes:
    """Put the report's own digest into its seal; without a seal it stays as it is."""
    found = {match[4] for match in _LINE.finditer(report)}
    if found != {_NONE.encode()}:
        return report
    digest = hashlib.sha512(report).hexdigest().encode()
    return _LINE.sub(lambda match: match[0][: -len(digest)] + digest, report)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadSeal:
    """A seal that was found, and whether the report around it is as it was drawn."""

    seal: Seal
    is_whole: bool


def read_seal(report: bytes) -> ReadSeal | None:
    """Find a report's seal; None where there is none, or two that differ."""
    lines = {match[0] for match in _LINE.finditer(report)}
    if len(lines) != 1:
        return None
    match = _LINE.fullmatch(lines.pop())
    assert match is not None
    results, drawn, options, digest = (part.decode() for part in match.groups())
    bare = _LINE.sub(lambda found: found[0][: -len(_NONE)] + _NONE.encode(), report)
    return ReadSeal(
        seal=Seal(
            results_sha512=results,
            options=() if options == "none" else tuple(options.split(",")),
            drawn=drawn,
            report_sha512=digest,
        ),
        is_whole=hashlib.sha512(bare).hexdigest() == digest,
    )


def seal_of(
    results: str | Path,
    *,
    false_keying_per_h: float | None = None,
    against: str | Path | None = None,
    sensitivity: str | Path | None = None,
) -> Seal:
    """Make the seal of a report: from which results file, and what else went in.

    Parameters
    ----------
    results : the file that the run was read from, or written to
    false_keying_per_h : what the advice on the knob was asked for, where it was
    against, sensitivity : other results files that the report draws on

    Raises
    ------
    BadInput : a file cannot be read.
    """
    options = [] if false_keying_per_h is None else [f"{FALSE_KEYING}:{false_keying_per_h!r}"]
    for word, other in (("against", against), ("sensitivity", sensitivity)):
        if other is not None:
            options.append(f"{word}:{fingerprint_of(other)[:_SHORT]}")
    return Seal(results_sha512=fingerprint_of(results), options=tuple(options))


@cache
def drawing_code() -> str:
    """Tell the code that draws here from any other: 16 digits over all that could matter."""
    digest = hashlib.sha512()
    for word in (*_versions(), platform.machine(), platform.system()):
        digest.update(word.encode() + b"\n")
    root = Path(harness.__file__).parent
    for path in sorted(root.rglob("*")):
        if path.suffix in (".py", ".html", ".css", ".typ", ".toml", ".csv"):
            digest.update(path.relative_to(root).as_posix().encode() + b"\n")
            digest.update(hashlib.sha512(path.read_bytes()).digest())
    return digest.hexdigest()[:16]


def _versions() -> Iterable[str]:
    yield f"harness {harness.__version__}"
    yield f"python {platform.python_version()}"
    for name in _DRAWN_WITH:
        yield f"{name} {version(name)}"
