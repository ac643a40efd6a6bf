"""What a run is, read from the first lines of its file: enough to find it again among many."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Self

import h5py

from harness.readings import Verdict
from harness.results import layout
from harness.results.read import attribute, from_file, json_object, schema_of


@dataclass(frozen=True, slots=True, kw_only=True)
class RunHead:
    """Which unit, when, and how it ended; fields as of ``Run``.

    Parameters
    ----------
    unit_name, unit_serial : as described at the time, or nothing
    fingerprint : SHA-512 of the content, as the file says
    """

    title: str
    procedure: str
    verdict: Verdict
    started_utc: datetime
    ended_utc: datetime
    source: str
    unit_name: str
    unit_serial: str
    schema: int
    fingerprint: str

    def plain(self) -> dict[str, Any]:
        """Give it as what JSON can hold; times in ISO 8601, UTC."""
        times = {
            name: getattr(self, name).isoformat(timespec="microseconds")
            for name in ("started_utc", "ended_utc")
        }
        return {**asdict(self), **times}

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Self:
        """Make it of what ``plain`` gave.

        Raises
        ------
        ValueError, TypeError, LookupError : it is none.
        """
        times = {name: datetime.fromisoformat(plain[name]) for name in ("started_utc", "ended_utc")}
        return cls(**{**plain, **times})


def read_head(path: str | Path) -> RunHead:
    """Read what a run is, without its readings.

    Raises
    ------
    Foreign : an HDF5 file of another program.
    BadInput : missing, no results file, cut short, or of a newer schema.

    Notes
    -----
    The content is not held to its digest, which takes ten times as long: ``read_run`` does that
    before anything is made of it.
    """
    return from_file(Path(path), _head)


def _head(file: h5py.File, path: Path) -> RunHead:
    schema = schema_of(file, path)
    unit = json_object(file[layout.UNIT])
    return RunHead(
        title=attribute(file, layout.TITLE),
        procedure=attribute(file, layout.PROCEDURE),
        verdict=attribute(file, layout.VERDICT),
        started_utc=datetime.fromisoformat(attribute(file, layout.STARTED_UTC)),
        ended_utc=datetime.fromisoformat(attribute(file, layout.ENDED_UTC)),
        source=attribute(file, layout.SOURCE),
        unit_name=str(unit.get("name") or ""),
        unit_serial=str(unit.get("serial") or ""),
        schema=schema,
        fingerprint=attribute(file, layout.DIGEST),
    )
