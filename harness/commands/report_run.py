"""``harness report``: a page or PDF of results or of a run that goes on, or the lid's card."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer


def report(
    run: Annotated[
        Path, typer.Argument(metavar="RUN", help="Results to report, or a run's folder.")
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="PAGE",
            help="The page, .html or .pdf [beside the results; of a folder, its report.html].",
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
    every: Annotated[
        float | None,
        typer.Option(
            metavar="S", min=1.0, help="While the run goes on, draw it so often (seconds)."
        ),
    ] = None,
    rebuild: Annotated[
        bool,
        typer.Option(
            "--rebuild", help="First write a battery run's results anew, from its log and journal."
        ),
    ] = False,
) -> None:
    """Write the report of a run, as HTML or PDF.

    A battery run's folder may be named while the run goes on in another process: what is logged is
    drawn, and nothing in it is touched.
    """
    import time

    from rich.console import Console

    from harness.advice import advise
    from harness.commands.run_folder import RunThere, run_in
    from harness.commands.run_names import names_of
    from harness.commands.words import require_rate
    from harness.compare import compare_runs
    from harness.errors import BadInput
    from harness.procedures.accept import RESULTS_NAME
    from harness.report.lid_card import write_lid_card
    from harness.report.seal import seal_of
    from harness.report.write import REPORT_NAME, require_page, write_report
    from harness.results import fingerprint_of, read_run

    if lid_card and against is not None:
        raise BadInput("goes without --against", "--lid-card", "A card is of one run.")
    if lid_card and pdf:
        raise BadInput("goes without --pdf", "--lid-card", "A card is HTML; a browser prints it.")
    if pdf and out is not None and out.suffix.lower() != ".pdf":
        raise BadInput("does not end in .pdf", str(out), "Give another name, or leave --pdf out.")
    require_rate(false_keying, "--false-keying")
    console = Console()

    def tell(text: str) -> None:
        console.print(text, highlight=False, markup=False, soft_wrap=True)

    if os.path.isdir(run):
        if lid_card:
            raise BadInput("goes with a results file", "--lid-card", f"Name {run / RESULTS_NAME}.")
        page = (run / REPORT_NAME).with_suffix(".pdf" if pdf else ".html")
    elif rebuild or every is not None:
        option = "--rebuild" if rebuild else "--every"
        raise BadInput("goes with a run's folder only", option, "Name the folder instead.")
    elif lid_card:
        page = run.with_name(f"{run.stem}-lid-card.html")
    else:
        page = run.with_suffix(".pdf" if pdf else ".html")
    if out is not None:
        page = out
        require_page(page, pdf=not lid_card)
    held = (
        run_in(run, tell, anew=rebuild)
        if os.path.isdir(run)
        else RunThere(run=read_run(run), path=run)
    )
    require_page(page, pdf=not lid_card)
    other = None if against is None else read_run(against)
    its_sensitivity = None if sensitivity is None else read_run(sensitivity)
    while True:
        this = held.run
        advice = advise(this, false_keying, sensitivity_run=its_sensitivity)
        if lid_card:
            write_lid_card(page, this, fingerprint_of(run), advice)
        else:
            seal = comparison = None
            if held.path is not None:
                seal = seal_of(
                    held.path,
                    false_keying_per_h=false_keying,
                    against=against,
                    sensitivity=sensitivity,
                )
            if other is not None and against is not None:
                comparison = compare_runs(this, other, *names_of((this, run), (other, against)))
            write_report(page, this, comparison=comparison, other=other, advice=advice, seal=seal)
        tell(f"Page: {page.resolve()}")
        if not held.goes_on or every is None:
            return
        time.sleep(every)
        held = run_in(run, tell)
