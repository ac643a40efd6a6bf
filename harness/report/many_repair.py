"""Before and after a repair in words: worse, better, changed, the same."""

from __future__ import annotations

from collections.abc import Sequence

from harness.compare.repair import CHANGES, Change, Repair
from harness.compare.runs import Row
from harness.report.compared import ComparedLine, compared, line_of, number_of
from harness.report.many import Many, ManyRow, ManySection, folded
from harness.report.many_figures import repair_figure
from harness.report.wording import minus

_TITLES: dict[Change, str] = {
    "worse": "Worse, by more than the uncertainties explain",
    "better": "Better, by more than the uncertainties explain",
    "changed": "Changed by more than the uncertainties explain, and neither better nor worse",
    "same": "No change seen",
    "not told": "Cannot be told",
}
BY_CHANCE = (
    "U is at 95 %: of twenty quantities that did not change, one differs by more all the same."
)


def repairs_in_words(repairs: Sequence[Repair]) -> Many:
    """Put pairs of runs before and after into words."""
    sections: list[ManySection] = []
    for number, repair in enumerate(repairs):
        prefix = f"{_unit(repair)}: " if len(repairs) > 1 else ""
        sections += _sections(repair, prefix, f"repair{number}")
    particulars = [
        (f"{_unit(repair)}, {when}", f"{named.run.title}, {named.run.verdict}")
        for repair in repairs
        for when, named in (
            (f"before, {repair.before.run.started_utc:%Y-%m-%d}", repair.before),
            (f"after, {repair.after.run.started_utc:%Y-%m-%d}", repair.after),
        )
    ]
    units = ", ".join(_unit(repair) for repair in repairs)
    remarks = [minus(remark) for repair in repairs for remark in repair.comparison.remarks]
    return Many(
        kicker="Before and after repair",
        title=units,
        summary=" ".join(_summary(repair, named=len(repairs) > 1) for repair in repairs),
        particulars=tuple(particulars),
        sections=tuple(sections),
        remarks=tuple(dict.fromkeys(remarks)),
    )


def _unit(repair: Repair) -> str:
    return " ".join(filter(None, repair.unit)) or "the unit"


def _summary(repair: Repair, *, named: bool) -> str:
    counts = {change: len(_shown(repair, change)) for change in CHANGES}
    judged = sum(counts[change] for change in CHANGES if change != "not told")
    begin = f"{_unit(repair)}: of" if named else "Of"
    if not judged:
        return f"{begin.removesuffix(' of').removesuffix('Of')}Nothing stands in both runs.".strip()
    quantities = number_of(judged, "quantity").replace("quantitys", "quantities")
    verdicts = repair.before.run.verdict, repair.after.run.verdict
    ended = (
        f" The verdict was {verdicts[0]} and is {verdicts[1]}."
        if verdicts[0] != verdicts[1]
        else f" The verdict is {verdicts[1]} as before."
    )
    return (
        f"{begin} {quantities} {counts['worse']} became worse and {counts['better']} better,"
        f" {counts['changed']} changed otherwise, {counts['same']} did not change as far as"
        f" can be seen.{ended}"
    )


def _shown(repair: Repair, change: Change) -> list[Row]:
    # What neither run could measure stands in the report of each, with its reason.
    return [
        row for row in repair.rows(change) if row.a.value is not None or row.b.value is not None
    ]


def _is_quiet(row: Row) -> bool:
    return row.agrees is not False


def _sections(repair: Repair, prefix: str, name: str) -> list[ManySection]:
    sections: list[ManySection] = []
    for change in CHANGES:
        rows = _shown(repair, change)
        if not rows:
            continue
        kept, swept = folded(rows, lambda row: row.name, lambda row: not _is_quiet(row))
        paragraphs = (BY_CHANCE,) if change in ("worse", "better", "changed") else ()
        sections.append(
            ManySection(
                title=prefix + _TITLES[change],
                paragraphs=paragraphs if not sections else (),
                headings=("reading", "before", "after", "difference", "En"),
                rows=tuple(
                    _row(line_of(row), is_strong=change in ("worse", "better")) for row in kept
                ),
                points=swept,
            )
        )
    figure = repair_figure(name, repair)
    if figure is not None:
        sections.append(
            ManySection(title=f"{prefix}All differences beside each other", figures=(figure,))
        )
    words = compared(repair.comparison)
    if words.unmatched:
        points = tuple(
            f"{title}{f' ({conditions})' if conditions else ''}, {value}: {reason}."
            for title, conditions, value, reason in words.unmatched
        )
        sections.append(ManySection(title=f"{prefix}What stands in one run only", points=points))
    return sections


def _row(line: ComparedLine, *, is_strong: bool) -> ManyRow:
    under = [line.conditions, line.coverage if line.coverage not in ("", "k = 2") else ""]
    if line.agrees is None:
        under.append(line.conclusion.rstrip("."))
    return ManyRow(
        cells=(line.title, line.a, line.b, line.difference or "–", line.en or "–"),
        below="; ".join(word for word in under if word),
        is_strong=is_strong,
    )
