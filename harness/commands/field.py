"""``harness field``: what the readings of a unit mean in service."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def field(
    results: Annotated[
        list[Path],
        typer.Argument(metavar="RESULTS.h5", help="Results of one unit, of one run or more."),
    ],
    unit: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Unit file [that of the newest results].")
    ] = None,
    setup: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Field file: antenna, surroundings, handheld, currents, duty."
        ),
    ] = None,
    antenna_gain: Annotated[
        float | None, typer.Option(metavar="DBI", help="Gain of the antenna [2.15, a dipole].")
    ] = None,
    antenna_height: Annotated[
        float | None, typer.Option(metavar="M", help="Its height above the ground beneath [6].")
    ] = None,
    page: Annotated[
        Path | None,
        typer.Option(metavar="PAGE.html", help="Also a page to print for the lid of the case."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, no table.")] = False,
) -> None:
    """Say what a unit's readings mean in service.

    Run time at other duties, how far it is heard and hears, how far to keep people from the
    antenna, and where to set the knob. From measured readings; what is assumed is shown with its
    value.
    """
    from rich.console import Console

    from harness.commands.show_field import print_field, print_field_json
    from harness.commands.table import say
    from harness.describe import load_unit
    from harness.describe.document import checked
    from harness.describe.field import FieldFile, load_field
    from harness.report.field_page import write_field_page
    from harness.report.fielded import look
    from harness.report.write import require_page
    from harness.results import fingerprint_of, read_run
    from harness.service.known import Named

    if page is not None:
        require_page(page)
    described = load_unit(unit) if unit is not None else None
    known = load_field(setup) if setup is not None else FieldFile()
    typed = {"antenna_gain_dbi": antenna_gain, "antenna_height_m": antenna_height}
    told = {key: value for key, value in typed.items() if value is not None}
    known = checked(FieldFile, {**known.plain(), **told}, str(setup or "the command line"))
    names = _names(list(dict.fromkeys(results)))
    runs = [Named(name=name, run=read_run(path)) for name, path in names.items()]
    where = setup.name if setup is not None else "the command line"
    looked = look(runs, known, unit=described, where=where)
    fingerprints = {name: fingerprint_of(path) for name, path in names.items()}
    if page is not None:
        write_field_page(page, looked, fingerprints)
    if as_json:
        print_field_json(looked, fingerprints)
        return
    print_field(looked, Console())
    if page is not None:
        say(Console(), f"Page: {page.resolve()}", folded=False)


def _names(paths: list[Path]) -> dict[str, Path]:
    """Call each file by its folder and name, or by all of its path where that is another's too."""
    short = ["/".join(path.parts[-2:]) for path in paths]
    return {
        name if short.count(name) == 1 else str(path): path
        for name, path in zip(short, paths, strict=True)
    }
