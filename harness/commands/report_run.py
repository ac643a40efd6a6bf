"""``harness report``: a page or PDF of a results file, or the card for inside the lid."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def report(
    run: Annotated[Path, typer.Argument(metavar="RUN.h5", help="Results to report.")],
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="PAGE",
            help="The page, .html or .pdf [RUN.html beside the results; RUN-lid-card.html].",
        ),
    ] = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="A PDF [RUN.pdf beside the results].")] = False,
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
    """Write the report of a run, as HTML or PDF."""
    from rich.console import Console

    from harness.advice import advise
    from harness.commands.run_names import names_of
    from harness.commands.words import require_rate
    from harness.compare import compare_runs
    from harness.errors import BadInput
    from harness.report.lid_card import write_lid_card
    from harness.report.seal import seal_of
    from harness.report.write import require_page, write_report
    from harness.results import fingerprint_of, read_run

    if lid_card and against is not None:
        raise BadInput("goes without --against", "--lid-card", "A card is of one run.")
    if lid_card and pdf:
        raise BadInput("goes without --pdf", "--lid-card", "A card is HTML; a browser prints it.")
    if pdf and out is not None and out.suffix.lower() != ".pdf":
        raise BadInput("does not end in .pdf", str(out), "Give another name, or leave --pdf out.")
    require_rate(false_keying, "--false-keying")
    page = out or (
        run.with_name(f"{run.stem}-lid-card.html")
        if lid_card
        else run.with_suffix(".pdf" if pdf else ".html")
    )
    if out is not None:
        require_page(page, pdf=not lid_card)
    this = read_run(run)
    require_page(page, pdf=not lid_card)
    advice = advise(
        this, false_keying, sensitivity_run=read_run(sensitivity) if sensitivity else None
    )
    if lid_card:
        write_lid_card(page, this, fingerprint_of(run), advice)
    else:
        seal = seal_of(
            run, false_keying_per_h=false_keying, against=against, sensitivity=sensitivity
        )
        other = comparison = None
        if against is not None:
            other = read_run(against)
            comparison = compare_runs(this, other, *names_of((this, run), (other, against)))
        write_report(page, this, comparison=comparison, other=other, advice=advice, seal=seal)
    Console().print(f"Page: {page.resolve()}", highlight=False, markup=False, soft_wrap=True)
