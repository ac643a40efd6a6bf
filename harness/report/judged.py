"""What a report's first page says: what was judged, what to mend, what would decide the rest."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.readings import Limit, Verdict, not_measured
from harness.report.deciding import deciding_in_words
from harness.report.wording import conditions_in_words, in_words, limit_in_words, title_of
from harness.results import Run
from harness.results.judgement import Judgement, Row, StepJudgement
from harness.results.session import DONE

NO_READING = "This run holds no reading for it."


@dataclass(frozen=True, slots=True, kw_only=True)
class StepLine:
    """A step of the plan, in words."""

    title: str
    name: str
    state: str
    verdict: Verdict | None
    earlier: tuple[str, ...]


def rows_of(run: Run, judgement: Judgement) -> tuple[Row, ...]:
    """Give every judged reading, then each limit that none answers: never a pass.

    Also those limits for which the run holds no reading at all, not even one without a value.
    """
    told = [limit for row in judgement.rows for limit in row.limits]
    silent = [limit for limit in run.limits if limit not in told]
    return (
        *judgement.rows,
        *(
            Row(
                reading=not_measured(limit.reading, NO_READING, conditions=_under(limit)),
                limits=(limit,),
                verdict="not measured",
            )
            for limit in silent
        ),
    )


def _under(limit: Limit) -> Mapping[str, Any]:
    return {key: held for key, held in limit.where.items() if not isinstance(held, tuple)}


def to_mend(rows: Iterable[Row]) -> tuple[str, ...]:
    """Say what failed."""
    return tuple(_point(row, "Failed") for row in rows if row.verdict == "fail")


def to_decide(rows: Iterable[Row]) -> tuple[str, ...]:
    """Say what is undecided, and what would decide it."""
    return tuple(
        " ".join((_point(row, "Undecided"), *deciding_in_words(row)))
        for row in rows
        if row.verdict == "undecided"
    )


def _point(row: Row, word: str) -> str:
    under = conditions_in_words(row.reading.conditions)
    limits = " and ".join(limit_in_words(limit) for limit in row.limits)
    return (
        f"{word}: {title_of(row.reading.name)}{f' ({under})' if under else ''}"
        f" {in_words(row.reading)}; limit {limits}."
    )


def step_lines(steps: Sequence[StepJudgement]) -> tuple[StepLine, ...]:
    """Write the steps of the plan: how far each came, and what it found before it was repeated."""
    return tuple(
        StepLine(
            title=step.title or step.name,
            name=step.name,
            state=step.state,
            verdict=step.verdict if step.state == DONE else "not measured",
            earlier=tuple(_before(row) for row in step.rows if row.earlier),
        )
        for step in steps
    )


def _before(row: Row) -> str:
    shown = ", then ".join(in_words(one) for one in (*row.earlier, row.reading))
    return f"{title_of(row.reading.name)}: {shown} (the last counts)"


def photos_of(run: Run) -> tuple[tuple[str, str], ...]:
    """Give the photos that belong to a run: their path in its folder, and their SHA-512."""
    return tuple(
        (str(photo.get("path", "")), str(photo.get("sha512", "")))
        for photo in _tables(run, "photos")
    )


def _tables(run: Run, key: str) -> list[Mapping[str, Any]]:
    held = run.session.get(key, ())
    return [one for one in held if isinstance(one, Mapping)]
