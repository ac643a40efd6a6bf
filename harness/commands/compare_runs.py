"""``harness compare``: results files side by side."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.commands.one_object import print_object
from harness.commands.options import OfUnit, OfVerdict, Since, Until

if TYPE_CHECKING:
    from harness.compare import Named
    from harness.report.many import Many


def compare(
    places: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[RUN.h5|FOLDER]...", help="Results, or folders that are searched for them."
        ),
    ] = None,
    before: Annotated[
        list[Path] | None,
        typer.Option(metavar="RUN.h5", help="Before a repair; once for each unit."),
    ] = None,
    after: Annotated[
        list[Path] | None,
        typer.Option(metavar="RUN.h5", help="After it; once for each unit."),
    ] = None,
    way: Annotated[
        str | None,
        typer.Option("--as", metavar="WAY", help="two, fleet or years [by how many of which]."),
    ] = None,
    expect: Annotated[
        str | None,
        typer.Option(metavar="DAY", help="Day to look ahead to [a year after the newest run]."),
    ] = None,
    unit: OfUnit = None,
    since: Since = None,
    until: Until = None,
    verdict: OfVerdict = None,
    out: Annotated[
        Path | None, typer.Option(metavar="PAGE", help="Write it as a page too, .html or .pdf.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, no table.")] = False,
) -> None:
    """Compare runs: two, before and after, a fleet, years.

    Two runs: B minus A, each difference with its uncertainty and En number. Runs of several units
    are a fleet: where each stands, and which stands out. Three or more of one unit: what moves
    over the years, and which run falls out. --before and --after: what a repair changed.
    """
    from rich.console import Console

    from harness.commands.runs_to_compare import (
        chosen_way,
        named_runs,
        newest_of_each,
        require_way,
    )
    from harness.commands.show_many import print_many
    from harness.commands.table import say
    from harness.commands.words import day_of, wanted_runs
    from harness.errors import BadInput
    from harness.report.many_page import write_many
    from harness.report.write import require_page

    if out is not None:
        require_page(out, pdf=True)
    require_way(way)
    ahead = None if expect is None else day_of(expect, "--expect")
    console = Console()
    wanted = wanted_runs(unit, since, until, verdict)
    if before or after:
        if places or way is not None:
            what = "--as" if way is not None else str((places or [Path()])[0])
            raise BadInput("goes without --before and --after", what, "Leave it out.")
        found, told = _repairs(before or [], after or [])
    else:
        runs, notices = named_runs(places or [], wanted)
        for notice in () if as_json else notices:
            say(console, notice, folded=False)
        way = chosen_way(way, runs)
        if ahead is not None and way != "years":
            raise BadInput("is for one unit over years", "--expect", "Leave it out.")
        if way == "two":
            _two(runs, out, console, notices if as_json else None)
            return
        if way == "fleet":
            found, told = _fleet(*newest_of_each(runs))
        else:
            found, told = _years(runs, ahead)
        told["notices"] = list(notices)
    if out is not None:
        write_many(out, found)
    if as_json:
        print_object(told)
        return
    print_many(found, console)
    _tell_page(out, console)


def _two(
    runs: list[Named], out: Path | None, console: Any, notices: tuple[str, ...] | None
) -> None:
    """Compare two; with notices, as JSON that holds them."""
    from harness.commands.comparison_json import two_json
    from harness.commands.show_comparison import print_comparison
    from harness.compare import compare_runs
    from harness.report.write import write_comparison

    a, b = runs
    comparison = compare_runs(a.run, b.run, a.name, b.name)
    if out is not None:
        write_comparison(out, comparison, a.run, b.run)
    if notices is not None:
        print_object({**two_json(comparison, runs), "notices": list(notices)})
        return
    print_comparison(comparison, console)
    _tell_page(out, console)


def _tell_page(out: Path | None, console: Any) -> None:
    from harness.commands.table import say

    if out is not None:
        say(console, f"\nPage: {out.resolve()}", folded=False)


def _repairs(before: list[Path], after: list[Path]) -> tuple[Many, dict[str, Any]]:
    from harness.commands.comparison_json import repair_json
    from harness.commands.runs_to_compare import named_files
    from harness.compare import compare_repairs
    from harness.report.many_repair import repairs_in_words

    repairs = compare_repairs(named_files(before), named_files(after))
    return repairs_in_words(repairs), repair_json(repairs)


def _fleet(runs: list[Named], remarks: tuple[str, ...]) -> tuple[Many, dict[str, Any]]:
    from dataclasses import replace

    from harness.commands.comparison_json import fleet_json
    from harness.commands.runs_to_compare import particulars
    from harness.compare import compare_fleet
    from harness.report.many_fleet import fleet_in_words

    fleet = compare_fleet(runs)
    fleet = replace(fleet, remarks=(*remarks, *fleet.remarks))
    return fleet_in_words(fleet, particulars(runs)), fleet_json(fleet, runs)


def _years(runs: list[Named], ahead: datetime | None) -> tuple[Many, dict[str, Any]]:
    from harness.commands.comparison_json import years_json
    from harness.commands.runs_to_compare import particulars
    from harness.compare import compare_years
    from harness.report.many_years import years_in_words

    ordered = sorted(runs, key=lambda named: named.run.started_utc)
    years = compare_years(ordered, ahead)
    return years_in_words(years, particulars(ordered)), years_json(years, ordered)
