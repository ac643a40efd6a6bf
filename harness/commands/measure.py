"""``harness measure``: readings from recordings, as a table or as JSON."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.commands.options import BenchFile, ChannelMiddle, ChannelSpacing, UnitFile, Verify

if TYPE_CHECKING:
    from harness.measure.setup import Options
    from harness.readings import Findings

KIND_HELP = "carrier, audio, timing, squelch, spectrum or discharge."


def measure(
    kind: Annotated[str, typer.Argument(metavar="KIND", help=KIND_HELP)],
    recordings: Annotated[
        list[Path],
        typer.Argument(
            metavar="RECORDING",
            help="SigMF recordings of one take, or its collection; an audio file; a battery log.",
        ),
    ],
    unit: UnitFile = None,
    bench: BenchFile = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object, no table.")] = False,
    at: ChannelMiddle = None,
    spacing: ChannelSpacing = None,
    span: Annotated[
        str | None, typer.Option(metavar="FROM:TO", help="Part to measure, in seconds.")
    ] = None,
    weighting: Annotated[
        str,
        typer.Option(
            metavar="NAME", help="flat, psophometric or c-message: what sensitivity goes by."
        ),
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
            help="Columns of a battery log, such as voltage_v=Battery-2,time_s=every:300.",
        ),
    ] = None,
    verify: Verify = True,
) -> int:
    """Measure recordings of one take.

    The same recordings give the same answer, now and years later.
    """
    from dataclasses import replace

    from harness.commands.show import print_findings, print_json
    from harness.commands.words import column_names, number_hz, require_log, span_s
    from harness.describe import load_bench, load_unit
    from harness.measure.run import measure_paths
    from harness.readings import judged, worst

    options = replace(
        _options(weighting, de_emphasis, repeater_delay, end_v),
        mask=mask,
        power_w=power,
        standard_span_s=span_s(standard_span, "--standard-span"),
    )
    at_hz, spacing_hz = number_hz(at, "--at"), number_hz(spacing, "--spacing")
    if kind == "discharge":
        require_log(recordings)
    the_unit = load_unit(unit) if unit else None
    the_bench = load_bench(bench, the_unit) if bench else None
    from harness.commands.progress import progress_on_terminal, say_on_terminal

    with progress_on_terminal(f"measuring {kind}", quiet=as_json) as progress:
        findings: Findings = measure_paths(
            kind,
            recordings,
            unit=the_unit,
            bench=the_bench,
            at_hz=at_hz,
            spacing_hz=spacing_hz,
            span_s=span_s(span),
            options=options,
            columns=column_names(columns),
            verify=verify,
            progress=progress,
            say=None if as_json else say_on_terminal,
        )
    if the_bench is not None:
        findings = replace(findings, cautions=(*findings.cautions, *the_bench.path_cautions))
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
