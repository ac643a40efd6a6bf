"""A card to print and tape inside the lid of the unit: where the squelch knob stands, and why.

It is cut out of a page of A4 or Letter printed at 100 %, and can be read in black and white.
"""

from __future__ import annotations

from pathlib import Path

from harness.advice import Advice, advise
from harness.describe.cautions import in_short
from harness.errors import BadInput
from harness.report.advised import advised
from harness.report.advised_figure import advised_figure
from harness.report.content import safety_of
from harness.report.write import environment, replace_file, require_page
from harness.results import Run

PLOT_IN = (5.2, 2.75)
"""Width and height of the plot. Chosen: as wide as the card, half of what the report gives it."""

SHOWN_DIGITS = 16
"""Of the fingerprint: enough to tell files apart, few enough to compare by eye. Chosen."""


def write_lid_card(
    path: str | Path, run: Run, fingerprint: str, advice: Advice | None = None
) -> None:
    """Write the card of a run.

    Parameters
    ----------
    path : of the page, ending in .html; an earlier page of ours is replaced as a whole
    run : with readings of the squelch
    fingerprint : of its results file, by which the card is traced to it; the first 16 digits are
        shown
    advice : on its squelch knob; None: from the run by itself

    Raises
    ------
    BadInput : nothing of the squelch was measured, or the page cannot be written there.
    """
    require_page(Path(path))
    advice = advise(run) if advice is None else advice
    if advice.outcome == "nothing measured":
        raise BadInput(
            "holds no reading of the squelch, which is what a card is about",
            run.title,
            "Measure it at each position of the knob (harness squelch).",
        )
    width_in, height_in = PLOT_IN
    page = (
        environment()
        .get_template("lid_card.html")
        .render(
            unit_name=run.unit.get("name") or run.title,
            serial=run.unit.get("serial"),
            day=f"{run.ended_utc:%Y-%m-%d}",
            is_simulated=run.source == "simulated",
            origin=_origin(run, fingerprint),
            advice=advised(advice),
            figure=advised_figure(advice, width_in=width_in, height_in=height_in),
            cautions=in_short(safety_of(run)),
            is_chosen=advice.chosen is not None,
        )
    )
    replace_file(Path(path), page, "page")


def _origin(run: Run, fingerprint: str) -> str:
    """Write who measured, where, with what, and which results file the card is drawn from."""
    bench, version = run.bench, run.software.get("harness")
    parts = [
        f"By {bench['operator']}." if bench.get("operator") else "",
        f"At {bench['place']}." if bench.get("place") else "",
        f"On {bench['name']}." if bench.get("name") else "",
        f"harness {version}." if version else "",
        f"Results file {fingerprint[:SHOWN_DIGITS]}.",
    ]
    return " ".join(part for part in parts if part)
