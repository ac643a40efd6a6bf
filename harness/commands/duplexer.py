"""``harness duplexer``: a duplexer from Touchstone files, against what the unit needs of it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def duplexer(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE",
            help="Touchstone: transmit branch and receive branch (.s2p each), or all of it (.s3p).",
        ),
    ],
    unit: Annotated[
        Path, typer.Option(metavar="FILE", help="Unit file: frequencies, power, [duplex].")
    ],
    ports: Annotated[
        str | None,
        typer.Option(
            metavar="T,A,R", help="Ports of an .s3p: transmitter, antenna, receiver [1,2,3]."
        ),
    ] = None,
    uncertainty: Annotated[
        float | None,
        typer.Option(
            metavar="DB", help="Standard uncertainty of each loss [0.1 dB and 2 % of it]."
        ),
    ] = None,
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE.svg", help="Draw both branches into this file.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, no table.")] = False,
) -> int:
    """Check a duplexer's Touchstone files against a unit.

    Its loss and its rejection at both frequencies, what of the transmitter's carrier and noise
    reaches the receiver, and whether that is little enough. Of an .s2p, port 1 is where the power
    goes in: the transmitter's in the first file, the antenna's in the second.
    """
    from dataclasses import replace

    from harness.commands.show import print_findings, print_json
    from harness.commands.table import say
    from harness.describe import load_unit
    from harness.describe.touchstone import load_parameters
    from harness.measure.duplexer import duplexer_findings
    from harness.measure.duplexer_loss import duplexer_of
    from harness.readings import judged, worst
    from harness.report.duplexer_drawing import require_plot, write_plot

    if plot is not None:
        require_plot(plot)
    if uncertainty is not None:
        _require_uncertainty(uncertainty)
    described = load_unit(unit)
    numbers = _three_ports(ports)
    parts = duplexer_of([load_parameters(path) for path in files], numbers)
    findings, limits = duplexer_findings(parts, described, uncertainty)
    findings = replace(findings, readings=judged(findings.readings, limits))
    if plot is not None:
        write_plot(plot, findings, described.transmit_hz, described.receive_hz)
    if as_json:
        print_json(findings)
    else:
        print_findings(findings, limits)
        if plot is not None:
            from rich.console import Console

            say(Console(), f"Plot: {plot.resolve()}", folded=False)
    verdicts = [reading.verdict for reading in findings.readings]
    return 4 if worst(verdicts) != "pass" else 0


def _three_ports(text: str | None) -> tuple[int, int, int] | None:
    """Read three numbers of ports."""
    from harness.errors import BadInput

    if text is None:
        return None
    words = text.split(",")
    if len(words) != 3 or not all(word.strip() in ("1", "2", "3") for word in words):
        raise BadInput(
            f"{text!r} are not three ports",
            "--ports",
            "Give the transmitter's, the antenna's and the receiver's, such as 1,2,3.",
        )
    first, second, third = (int(word) for word in words)
    return first, second, third


def _require_uncertainty(uncertainty_db: float) -> None:
    from harness.errors import BadInput

    if not 0.0 <= uncertainty_db <= 20.0:
        raise BadInput(
            f"{uncertainty_db:g} dB is no uncertainty of a loss", "--uncertainty", "Give 0 to 20."
        )
