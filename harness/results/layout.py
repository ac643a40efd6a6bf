"""Every path and name in a results file, and what each schema changed.

The conventions are netCDF-4's: each dimension is a named scale, each number has a ``units``
attribute. docs/results-file.md says the same for readers who write no Python.

Schema
------
1 : the first. ``contributions/distribution`` came later and may be absent, then normal.
2 : columns of texts are of a fixed length in bytes and say their ``_Encoding``. In 1 each text had
    a length of its own, a type that Octave stops at. ``session`` and ``earlier`` came with it and
    are absent where there is nothing in them.
"""

from __future__ import annotations

import hashlib
import re
from typing import Any

import h5py
import numpy as np

SCHEMA = 2

# Root attributes.
FORMAT = "harness_file"
FORMAT_RESULTS = "results"
SCHEMA_ATTRIBUTE = "harness_schema"
DIGEST = "content_sha512"
TITLE = "title"
PROCEDURE = "procedure"
VERDICT = "verdict"
STARTED_UTC = "started_utc"
ENDED_UTC = "ended_utc"
NOTES = "notes"
SOURCE = "source"

# Groups, their dimension, and the one that holds JSON instead of a table.
UNIT = "unit"
BENCH = "bench"
SESSION = "session"
DESCRIPTION = "description"
LIMITS, LIMIT = "limits", "limit"
SOFTWARE, PACKAGE = "software", "package"
CAUTIONS, CAUTION = "cautions", "caution"
FINDINGS = "findings"
EARLIER = "earlier"
READINGS, READING = "readings", "reading"
CONTRIBUTIONS, CONTRIBUTION = "contributions", "contribution"
RECORDINGS, RECORDING = "recordings", "recording"
SERIES = "series"
KIND = "kind"
NAME = "name"
POSITION = "position"
"""Attribute of a findings or series group: its place in the order, counted from 0."""
CONDITIONS = "conditions"
UNITS = "units"
ENCODING, UTF_8 = "_Encoding", "utf-8"
"""On each column of texts: netCDF's own convention. HDF5 itself calls such a column ASCII, since
readers built on it cannot turn its UTF-8 into theirs; texts in ASCII are both."""
VALUE = "value"
AXES = "axes"

ONE = "1"
"""``units`` of a count or a ratio."""
NONE_TEXT = ""
"""Stands for None in the columns ``bound``, ``verdict`` and of nothing else."""
VALUE_TYPES = ("number", "state", "none")
"""Whether a reading's value stands in ``value``, in ``state``, or nowhere."""


def findings_group(position: int, kind: str) -> str:
    """Path of one measurement's findings: ``findings/00_carrier``."""
    return f"{FINDINGS}/{position:02d}_{_as_name(kind)}"


def earlier_group(position: int, kind: str) -> str:
    """Path of the findings of a step that was repeated: ``earlier/00_carrier``."""
    return f"{EARLIER}/{position:02d}_{_as_name(kind)}"


def series_group(name: str) -> str:
    """Path of a series below its findings: ``series/spectrum``."""
    return f"{SERIES}/{_as_name(name)}"


def _as_name(text: str) -> str:
    return re.sub(r"\W", "_", text)


HOUSEKEEPING = frozenset(
    "CLASS NAME DIMENSION_LIST REFERENCE_LIST DIMENSION_LABELS _Netcdf4Dimid _Netcdf4Coordinates"
    " _NCProperties _nc3_strict _NCCOPIED".split()
)
"""Attributes by which netCDF-4 ties dimensions together: references, not content."""


def digest(root: h5py.Group) -> str:
    """SHA-512 over all names, attributes and values below the root, the digest itself left out.

    Notes
    -----
    Of the content, not of the bytes: the library may lay the same content out differently.
    """
    sha512 = hashlib.sha512()
    _add_group(sha512, root, "/")
    return sha512.hexdigest()


def _add_group(sha512: Any, group: h5py.Group, path: str) -> None:
    _add(sha512, "group", path)
    _add_attributes(sha512, group, {DIGEST} if path == "/" else set())
    for name in sorted(group):
        held = group[name]
        if isinstance(held, h5py.Group):
            _add_group(sha512, held, f"{path}{name}/")
            continue
        values = np.asarray(held[...])
        _add(sha512, "variable", name, str(values.shape))
        _add_attributes(sha512, held, set())
        if values.dtype.kind in "OS":
            _add(sha512, "texts", *(_plain(value) for value in values.ravel()))
        else:
            little = values.astype(values.dtype.newbyteorder("<"), copy=False)
            _add(sha512, "numbers", little.dtype.str)
            sha512.update(little.tobytes())


def _add_attributes(sha512: Any, holder: h5py.HLObject, left_out: set[str]) -> None:
    for name in sorted(set(holder.attrs) - HOUSEKEEPING - left_out):
        _add(sha512, "attribute", name, _plain(holder.attrs[name]))


def _plain(value: Any) -> str:
    return value.decode("utf-8") if isinstance(value, bytes) else str(value)


def _add(sha512: Any, *texts: str) -> None:
    # Each text with its length before it, so that none can pass for the start of the next.
    for text in texts:
        encoded = text.encode("utf-8")
        sha512.update(len(encoded).to_bytes(8, "little"))
        sha512.update(encoded)
