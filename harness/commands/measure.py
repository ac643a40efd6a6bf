"""``harness measure``: readings from recordings, as a table or as JSON."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from harness.measure.setup import Options
    from harness.readings import Findings

KIND_HELP = "carrier, audio, timing, squelch, spectrum or discharge."


def measure(
    kind: Annotated[str, typer.Argument(help=KIND_HELP)],
    recordings: Annotated[
        list[Path],
        typer.Argument(
            metavar="RECORDING...",
            help="SigMF recordings of one take, or its collection; an audio file; a battery log.",
        ),
    ],
    unit: Annotated[Path | None, typer.Option(help="Unit file: channel, limits.")] = None,
    bench: Annotated[Path | None, typer.Option(help="Bench file: calibration.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, no table.")] = False,
    at: Annotated[float | None, typer.Option(metavar="HZ", help="Middle of the channel.")] = None,
    spacing: Annotated[float | None, typer.Option(metavar="HZ", help="Channel spacing.")] = None,
    span: Annotated[
        str | None, typer.Option(metavar="FROM:TO", help="Part to measure, in seconds.")
    ] = None,
    weighting: Annotated[
        str,
        typer.Option(help="flat, psophometric or c-message: what sensitivity goes by."),
    ] = "flat",
    de_emphasis: Annotated[
        bool, typer.Option("--de-emphasis", help="6 dB per octave on the audio.")
    ] = False,
    mask: Annotated[
        str | None,
        typer.Option(metavar="NAME|FILE", help="Emission mask, 90.210-B to -E or TOML; spectrum."),
    ] = None,
    power: Annotated[
        float | None, typer.Option(metavar="W", help="Rated power, for a mask's formula.")
    ] = None,
    standard_span: Annotated[
        str | None,
        typer.Option(metavar="FROM:TO", help="Part that holds standard test modulation."),
    ] = None,
    repeater_delay: Annotated[
        float | None, typer.Option(metavar="S", help="Audio delay of the unit, for timing.")
    ] = None,
    end_v: Annotated[
        float | None, typer.Option(metavar="V", help="End voltage of the battery, for discharge.")
    ] = None,
    columns: Annotated[
        str | None,
        typer.Option(
            metavar="OURS=THEIRS,...",
            help="Columns of a battery log, such as voltage_v=Battery-2; time_s=every:300.",
        ),
    ] = None,
    verify: Annotated[bool, typer.Option(help="Check the recordings' checksums.")] = True,
) -> int:
    """Measure recordings, once or years later: the same recordings give the same answer."""
    from dataclasses import replace

    from harness.commands.show import print_findings, print_json
    from harness.describe import load_bench, load_unit
    from harness.measure.run import measure_paths
    from harness.readings import judged, worst

    options = replace(
        _options(weighting, de_emphasis, repeater_delay, end_v),
        mask=mask,
        power_w=power,
        standard_span_s=_span(standard_span, "--standard-span"),
    )
    the_unit = load_unit(unit) if unit else None
    the_bench = load_bench(bench) if bench else None
    from harness.commands.progress import progress_on_terminal, say_on_terminal

    with progress_on_terminal(f"measuring {kind}", quiet=as_json) as progress:
        findings: Findings = measure_paths(
            kind,
            recordings,
            unit=the_unit,
            bench=the_bench,
            at_hz=at,
            spacing_hz=spacing,
            span_s=_span(span),
            options=options,
            columns=_columns(columns),
            verify=verify,
            progress=progress,
            say=None if as_json else say_on_terminal,
        )
    if the_unit is not None:
        findings = replace(findings, readings=judged(findings.readings, the_unit.limits))
    if as_json:
        print_json(findings)
    else:
        print_findings(findings, the_unit.limits if the_unit else ())
    verdicts = [r.verdict for r in findings.readings if r.verdict not in (None, "not measured")]
    return 4 if verdicts and worst(verdicts) != "pass" else 0


def _options(
    weighting: str, de_emphasis: bool, repeater_delay_s: float | None, end_v: float | None
) -> Options:
    from typing import get_args

    from harness.errors import BadInput
    from harness.measure.setup import Options, Weighting

    for allowed in get_args(Weighting):
        if weighting == allowed:
            return Options(
                weighting=allowed,
                de_emphasis=de_emphasis,
                repeater_delay_s=repeater_delay_s,
                end_v=end_v,
            )
    choice = ", ".join(get_args(Weighting))
    raise BadInput(f"no weighting {weighting!r}", "--weighting", f"Choose one of {choice}.")


def _span(text: str | None, option: str = "--span") -> tuple[float, float] | None:
    from harness.errors import BadInput

    if text is None:
        return None
    begin, colon, end = text.partition(":")
    try:
        if colon:
            return float(begin or 0.0), float(end or "inf")
    except ValueError:
        pass
    raise BadInput(f"{text!r} is no span", option, "Write FROM:TO in seconds, such as 0.5:2.5.")


def _columns(text: str | None) -> dict[str, str] | None:
    from harness.errors import BadInput

    if text is None:
        return None
    pairs = [part.partition("=") for part in text.split(",")]
    if not all(ours and theirs for ours, _, theirs in pairs):
        raise BadInput(
            f"{text!r} does not name columns", "--columns", "Write voltage_v=NAME,current_a=NAME."
        )
    return {ours.strip(): theirs.strip() for ours, _, theirs in pairs}
