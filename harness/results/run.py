"""A run: everything that one session at the bench leaves behind beside its recordings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any, get_args

from harness.readings import Findings, Limit, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What a results file holds.

    Parameters
    ----------
    title : str, for people: ``Acceptance of Frost Watch 2``
    procedure : str, name of what was done
    started_utc, ended_utc : datetime with its time zone; kept in UTC, to the microsecond
    unit, bench : descriptions as plain dicts (only what JSON can hold)
    limits : what the readings were judged against
    findings : in the order in which they were measured, verdicts set
    verdict : of the whole
    software : name to version, in order
    cautions : plain sentences that hold for the whole run
    notes : of the operator
    source : ``simulated``, ``recording`` or the kind of receiver
    earlier : findings of steps that were repeated, in order: kept, and judged by nobody
    session : who, under what, with which photos, and the plan's steps with the places of their
        findings, as ``harness.results.session`` says (only what JSON can hold); may be empty
    """

    title: str
    procedure: str
    started_utc: datetime
    ended_utc: datetime
    unit: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))
    bench: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))
    limits: tuple[Limit, ...] = ()
    findings: tuple[Findings, ...] = ()
    verdict: Verdict = "not measured"
    software: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    cautions: tuple[str, ...] = ()
    notes: str = ""
    source: str = ""
    earlier: tuple[Findings, ...] = ()
    session: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        """Put the times into UTC and refuse what no run can be."""
        for name in ("started_utc", "ended_utc"):
            moment = getattr(self, name)
            if moment.tzinfo is None:
                raise ValueError(f"{name}={moment!r} has no time zone")
            object.__setattr__(self, name, moment.astimezone(UTC))
        if self.verdict not in get_args(Verdict):
            raise ValueError(f"{self.verdict!r} is no verdict")
