"""``harness report``: a page from a results file, or the card for inside the lid."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def report(
    run: Annotated[Path, typer.Argument(metavar="RUN.h5", help="Results to report.")],
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="PAGE.html",
            help="The page [RUN.html beside the results; RUN-lid-card.html].",
        ),
    ] = None,
    against: Annotated[
        Path | None, typer.Option(metavar="OTHER.h5", help="Results to compare it with.")
    ] = None,
    lid_card: Annotated[
        bool,
        typer.Option(
            "--lid-card", help="Instead, a card to tape inside the lid: where to set the knob."
        ),
    ] = False,
    false_keying: Annotated[
        float | None,
        typer.Option(
            metavar="PER_HOUR",
            help="Key-ups without a signal that the knob's setting may have [unit file, else 1].",
        ),
    ] = None,
    sensitivity: Annotated[
        Path | None,
        typer.Option(
            metavar="OTHER.h5", help="Results that hold the 12 dB SINAD sensitivity [RUN.h5]."
        ),
    ] = None,
) -> None:
    """Write the report of a run as one page (HTML)."""
    from rich.console import Console

    from harness.advice import advise
    from harness.commands.run_names import names_of
    from harness.commands.words import require_rate
    from harness.compare import compare_runs
    from harness.errors import BadInput
    from harness.report.lid_card import write_lid_card
    from harness.report.write import require_page, write_report
    from harness.results import fingerprint_of, read_run

    if lid_card and against is not None:
        raise BadInput("goes without --against", "--lid-card", "A card is of one run.")
    require_rate(false_keying, "--false-keying")
    if out is not None:
        require_page(out)
    this = read_run(run)
    page = out or (
        run.with_name(f"{run.stem}-lid-card.html") if lid_card else run.with_suffix(".html")
    )
    require_page(page)
    advice = advise(
        this, false_keying, sensitivity_run=read_run(sensitivity) if sensitivity else None
    )
    if lid_card:
        write_lid_card(page, this, fingerprint_of(run), advice)
    elif against is None:
        write_report(page, this, advice=advice)
    else:
        other = read_run(against)
        comparison = compare_runs(this, other, *names_of((this, run), (other, against)))
        write_report(page, this, comparison=comparison, other=other, advice=advice)
    Console().print(f"Page: {page.resolve()}", highlight=False, markup=False, soft_wrap=True)
