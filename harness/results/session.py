"""Who measured, under what, with which photos, by which plan: what a run tells beside readings.

The mapping ``Run.session``, plain as JSON keeps it; every key may be absent.

===============  ==================================================================================
key              holds
===============  ==================================================================================
``plan``         ``name``, ``title``, ``from`` (a file, or "shipped"), and ``steps``: a table each
                 with ``name``, ``procedure``, ``title``, ``state`` ("done", "ended early", "not
                 reached"), ``begun_utc``, ``findings`` (places in ``Run.findings``) and
                 ``earlier`` (for each time before it was repeated, ``begun_utc`` and ``findings``,
                 places in ``Run.earlier``)
``operator``     who measured
``ambient``      a table for each time that somebody said something: ``utc``,
                 ``temperature_degc``, ``humidity_percent``, ``note``
``photos``       a table for each: ``path`` in the run's folder, ``format``, ``sha512``
===============  ==================================================================================
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from harness.readings import Findings
from harness.results.run import Run

DONE, ENDED_EARLY, NOT_REACHED = "done", "ended early", "not reached"


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """A time that a step was done: when it began, and what it found."""

    begun_utc: str = ""
    findings: tuple[Findings, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StepDone:
    """A step of the plan: what it is, how far it came, what it found.

    ``earlier`` are the times before the last, the first first: kept, and judged by nobody.
    """

    name: str
    procedure: str
    title: str
    state: str = DONE
    begun_utc: str = ""
    findings: tuple[Findings, ...] = ()
    earlier: tuple[Attempt, ...] = ()


def steps_of(run: Run) -> tuple[StepDone, ...]:
    """Give the steps of the plan that a run went by; none where it went by none."""
    plan = run.session.get("plan")
    steps = plan.get("steps", ()) if isinstance(plan, Mapping) else ()
    return tuple(
        StepDone(
            name=str(step.get("name", "")),
            procedure=str(step.get("procedure", "")),
            title=str(step.get("title", "")),
            state=str(step.get("state", DONE)),
            begun_utc=str(step.get("begun_utc", "")),
            findings=_at(step.get("findings", ()), run.findings),
            earlier=tuple(
                Attempt(
                    begun_utc=str(attempt.get("begun_utc", "")),
                    findings=_at(attempt.get("findings", ()), run.earlier),
                )
                for attempt in step.get("earlier", ())
            ),
        )
        for step in steps
        if isinstance(step, Mapping)
    )


def _at(places: Any, held: tuple[Findings, ...]) -> tuple[Findings, ...]:
    return tuple(held[place] for place in places if 0 <= place < len(held))
