"""From what a report says to the page: the order of things, and the words between them."""

from __future__ import annotations

from collections.abc import Iterable

from harness.compare import Comparison
from harness.describe.cautions import LOCAL_RULES
from harness.report.advised import Advised
from harness.report.compared import ComparedRuns, compared
from harness.report.content import Content, Evidence, Missing
from harness.report.document import (
    Blanks,
    Block,
    Cell,
    Code,
    Column,
    Digits,
    Document,
    Heading,
    Paragraph,
    Plot,
    Point,
    Points,
    Row,
    Section,
    Table,
    Whole,
    points,
    prose,
)
from harness.report.drawing import Figure
from harness.report.hints import ON_HINTS, HintLine
from harness.report.judged import StepLine
from harness.report.many_figures import en_figure
from harness.report.particulars import moment
from harness.report.seal import Seal
from harness.report.tables import (
    NO_LIMIT,
    checksums_table,
    compared_row,
    given,
    judged_table,
    position_row,
    readings_table,
)
from harness.results import Run

NOTHING_JUDGED = "No limit was given, so that nothing is judged: what was measured follows."
_SIMULATED = (
    "These readings were taken on the simulated bench. No radio was measured.",
    "Simulated.",
)
_ON_U = (
    "U is the expanded uncertainty: with k = 2 about 95 % of such statements hold. A reading passes"
    " only when all of value ± U is inside the limit and fails only when all of it is outside; when"
    " the limit lies within, the verdict is undecided."
)
_ON_FINGERPRINT = (
    "The digits on the first page are the SHA-512 of the results file that this report is drawn"
    " from; the code beside the title holds the same. Any program for SHA-512 finds them again, and"
    " harness verify RESULTS REPORT checks results file, recordings and report against each other."
    " That shows what was changed by chance or carelessly; it is no signature."
)
_ON_DIFFERENCES = (
    "The difference is {b} minus {a}; a calibration that both share has dropped out of its"
    " uncertainty. Eₙ is the difference divided by its expanded uncertainty (ISO 13528); between −1"
    " and +1 the two agree within what the measurements can tell."
)


def report_document(
    content: Content, other: Run | None = None, seal: Seal | None = None
) -> Document:
    """Lay out the report of a run.

    Parameters
    ----------
    content : what it says
    other : the run that it was compared with
    seal : which results file it is from; None: it is drawn without one
    """
    sections = [_evidence(section) for section in content.sections]
    if content.advice is not None:
        advice = advice_section(content.advice, content.advice_figure)
        # What the run was made for stands before its readings.
        sections = [advice, *sections] if content.advice_first else [*sections, advice]
    before = [
        *([_hints(content.hints)] if content.hints else []),
        *([_steps(content.steps)] if content.steps else []),
        *([_notes(content)] if content.notes or content.photos else []),
    ]
    sections = [*before, *sections]
    if content.missing:
        sections.append(_missing(content.missing))
    if content.cautions:
        sections.append(
            Section(
                title="What to bear in mind about these readings",
                blocks=(points(content.cautions),),
            )
        )
    if content.comparison is not None:
        sections.append(_comparison(content.comparison, other))
    sections.append(Section(title="Safety", blocks=(points(content.safety),)))
    sections.append(
        Section(
            title="How to read this report, and where it comes from",
            blocks=tuple(_origin(content, seal)),
        )
    )
    return Document(
        kicker="Repeater test report",
        title=content.title,
        subject=f"{content.headline}. {content.sentence}",
        whole=Whole(verdict=content.verdict, headline=content.headline, sentence=content.sentence),
        notices=(_simulated_notice(),) if content.simulated else (),
        particulars=content.particulars,
        front=tuple(_front(content)),
        sections=tuple(sections),
        code=None if seal is None else _code(seal),
        seal=seal,
    )


def _hints(hints: Iterable[HintLine]) -> Section:
    """Lay out what is likely wrong: causes, what points to them, and what to look at next."""
    table = Table(
        caption="Hints on likely causes",
        columns=(
            Column(title="It may be", percent=34.0),
            Column(title="Seen", percent=33.0),
            Column(title="Next check", percent=33.0),
        ),
        rows=tuple(
            Row(
                cells=(
                    Cell(text=hint.title),
                    Cell(text=hint.evidence[0], small=hint.evidence[1:]),
                    Cell(text=hint.next_check),
                )
            )
            for hint in hints
        ),
    )
    return Section(title="Where to look", blocks=(Paragraph(text=ON_HINTS), table))


def comparison_document(comparison: Comparison, a: Run, b: Run) -> Document:
    """Lay out the page of a comparison alone."""
    words = compared(comparison)
    title = f"{words.a_name} against {words.b_name}"
    figure = en_figure("differences", comparison)
    plots = () if figure is None else (Plot(figure=figure),)
    return Document(
        kicker="Repeater comparison",
        title=title,
        subject=words.summary,
        particulars=tuple(
            (
                name,
                f"{run.title}, {moment(run.started_utc)}"
                f"{', simulated' if run.source == 'simulated' else ''}",
            )
            for name, run in ((words.a_name, a), (words.b_name, b))
        ),
        sections=(
            Section(title="What both runs say", blocks=(*_comparison_blocks(words), *plots)),
        ),
        footer=LOCAL_RULES,
    )


def _simulated_notice() -> Paragraph:
    text, lead = _SIMULATED
    return Paragraph(text=text, lead=lead, style="notice")


def _front(content: Content) -> Iterable[Section]:
    hinted = tuple(f"Hint: {hint.title}." for hint in content.hints)
    for title, items in (
        ("What to mend", (*content.to_mend, *hinted) if content.to_mend else ()),
        ("Undecided, and what would decide it", content.to_decide),
    ):
        if items:
            yield Section(title=title, blocks=(points(items),))
    rules = Paragraph(text=content.local_rules, style="quiet")
    judged: tuple[Block, ...] = (
        (judged_table(content.judged),) if content.judged else prose(NOTHING_JUDGED)
    )
    yield Section(title="What was judged", blocks=(*judged, rules))
    yield Section(title="", blocks=(Blanks(labels=("Name", "Date", "Signature")),))


def _digits(seal: Seal) -> Digits:
    sha512 = seal.results_sha512
    return Digits(
        groups=tuple(sha512[at : at + 8] for at in range(0, len(sha512), 8)),
        label="SHA-512 of the results file",
    )


def _code(seal: Seal) -> Code:
    import segno

    # Capitals, digits and a few signs take a smaller code than small letters do.
    code = segno.make(f"SHA-512 {seal.results_sha512.upper()}", error="m", micro=False)
    return Code(
        described="QR code that holds the SHA-512 of the results file",
        matrix=tuple("".join(str(int(dark)) for dark in row) for row in code.matrix),
        digits=_digits(seal),
    )


def _evidence(section: Evidence) -> Section:
    blocks: list[Block] = []
    if section.lines:
        blocks.append(readings_table(f"{section.title}: readings", section.lines))
    blocks += [Plot(figure=figure) for figure in section.figures]
    blocks += [
        Table(
            caption=sweep.caption,
            columns=tuple(Column(title=heading) for heading in sweep.headings),
            rows=tuple(Row(cells=tuple(Cell(text=cell) for cell in row)) for row in sweep.rows),
            style="compact",
        )
        for sweep in section.sweeps
    ]
    return Section(title=section.title, blocks=tuple(blocks))


def _steps(steps: Iterable[StepLine]) -> Section:
    return Section(
        title="Steps of the plan",
        blocks=(
            Table(
                caption="Each step, how far it came, and its verdict",
                columns=(
                    Column(title="Step", percent=55),
                    Column(title="Came to", percent=25),
                    Column(title="Verdict", percent=20),
                ),
                rows=tuple(
                    Row(
                        cells=(
                            Cell(text=step.title, small=step.earlier),
                            Cell(text=step.state),
                            Cell(text=step.verdict or NO_LIMIT, verdict=step.verdict),
                        )
                    )
                    for step in steps
                ),
            ),
        ),
    )


def _notes(content: Content) -> Section:
    blocks: list[Block] = [*prose(content.notes)]
    if content.photos:
        blocks.append(
            checksums_table(
                "Photos that belong to this run, and the SHA-512 of each", "Photo", content.photos
            )
        )
    return Section(title="Notes made at the bench", blocks=tuple(blocks))


def _missing(missing: Iterable[Missing]) -> Section:
    return Section(
        title="What was not measured, and why",
        blocks=(
            Table(
                caption="Readings that this run does not hold",
                columns=(Column(title="Reading", percent=40), Column(title="Why", percent=60)),
                rows=tuple(
                    Row(
                        cells=(
                            Cell(
                                text=", ".join(item.titles),
                                small=given(item.conditions),
                            ),
                            Cell(text=item.reason),
                        )
                    )
                    for item in missing
                ),
            ),
        ),
    )


def _origin(content: Content, seal: Seal | None) -> Iterable[Block]:
    yield from prose(_ON_U, content.local_rules)
    if seal is not None:
        yield from prose(_ON_FINGERPRINT)
        yield _digits(seal)
    if content.limit_sources:
        yield Heading(text="Sources of the limits")
        yield points(content.limit_sources)
    if content.recordings:
        yield Heading(text="Recordings")
        yield checksums_table(
            "What the readings came from, and the SHA-512 of each",
            "Recording",
            [
                (f"{used.path}, {used.role}" if used.role else used.path, used.sha512)
                for used in content.recordings
            ],
        )


def _comparison(words: ComparedRuns, other: Run | None) -> Section:
    said = (
        ""
        if other is None
        else f"The other run: {other.title}, {moment(other.started_utc)};"
        f" its verdict: {other.verdict}."
    )
    return Section(
        title=f"{words.a_name} against {words.b_name}",
        blocks=(*prose(said), *_comparison_blocks(words)),
    )


def _comparison_blocks(words: ComparedRuns) -> Iterable[Block]:
    yield Paragraph(
        text=f"{words.summary} {_ON_DIFFERENCES.format(a=words.a_name, b=words.b_name)}"
    )
    if words.remarks:
        yield points(words.remarks)
    if words.lines:
        yield Table(
            caption=f"{words.a_name} and {words.b_name}, under the same conditions",
            columns=(
                Column(title="Reading", percent=19),
                Column(title=words.a_name, percent=16),
                Column(title=words.b_name, percent=16),
                Column(title="Difference ± U", percent=17),
                Column(title="Eₙ", percent=8),
                Column(title="Conclusion", percent=24),
            ),
            rows=tuple(compared_row(line) for line in words.lines),
        )
    if words.sweeps:
        yield Heading(text="Over a sweep of input level")
        yield points(words.sweeps)
    if words.unmatched:
        yield Heading(text="What stands in one run only")
        yield Table(
            caption="Readings that have nothing like them in the other run",
            columns=tuple(
                Column(title=title)
                for title in ("Reading", "Where, and what", "Why it is not compared")
            ),
            rows=tuple(
                Row(
                    cells=(
                        Cell(text=title, small=given(conditions)),
                        Cell(text=value),
                        Cell(text=reason),
                    )
                )
                for title, conditions, value, reason in words.unmatched
            ),
        )


def advice_section(advice: Advised, figure: Figure | None) -> Section:
    """Lay out where to set the squelch knob."""
    blocks: list[Block] = [
        Paragraph(text=advice.sentence, lead=f"{advice.headline}.", style="answer"),
        *prose(f"{advice.limit} {advice.sensitivity}".strip()),
        Table(
            caption="The positions of the knob, and how each stands",
            columns=(
                Column(title="Knob", percent=10),
                Column(title="Opens at ± U", percent=20),
                Column(title="False keying, 95 % bound", percent=17),
                Column(title="Margin to 12 dB SINAD", percent=17),
                Column(title="Loss by going tighter", percent=15),
                Column(title="How it stands", percent=21),
            ),
            rows=tuple(position_row(line) for line in advice.lines),
            style="advice",
        ),
    ]
    if figure is not None:
        blocks.append(Plot(figure=figure))
    if advice.remarks:
        blocks.append(points(advice.remarks))
    if advice.next_steps:
        blocks.append(Heading(text="What to measure next"))
        blocks.append(
            Points(
                items=tuple(
                    Point(text=step.sentence, command=step.command) for step in advice.next_steps
                )
            )
        )
    blocks.append(Paragraph(text=advice.footnote, style="quiet"))
    return Section(title="Where to set the knob", blocks=tuple(blocks))
