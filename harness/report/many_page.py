"""A comparison of several runs as a page of its own."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from harness.describe.cautions import LOCAL_RULES
from harness.report.document import (
    Block,
    Cell,
    Column,
    Document,
    Paragraph,
    Plot,
    Row,
    Section,
    Table,
    points,
    prose,
)
from harness.report.drawing import capital
from harness.report.many import Many, ManySection
from harness.report.tables import given
from harness.report.write import drawn, replace_file, require_page


def write_many(path: str | Path, many: Many) -> None:
    """Write the page, HTML or PDF.

    Raises
    ------
    BadInput : it cannot be written there.
    """
    require_page(Path(path), pdf=True)
    replace_file(Path(path), drawn(many_document(many), Path(path).suffix), "page")


def many_document(many: Many) -> Document:
    """Lay out a comparison of several runs."""
    summary: list[Block] = [Paragraph(text=many.summary, style="answer")]
    if many.remarks:
        summary.append(points(many.remarks))
    return Document(
        kicker=many.kicker,
        title=many.title,
        subject=many.summary,
        particulars=many.particulars,
        sections=(
            Section(title="", blocks=tuple(summary)),
            *(
                Section(title=section.title, blocks=tuple(_blocks(section)))
                for section in many.sections
            ),
        ),
        footer=LOCAL_RULES,
    )


def _blocks(section: ManySection) -> Iterable[Block]:
    yield from prose(*section.paragraphs)
    if section.rows:
        yield Table(
            caption=section.title,
            columns=tuple(Column(title=capital(heading)) for heading in section.headings),
            rows=tuple(
                Row(
                    cells=tuple(
                        Cell(
                            text=cell,
                            small=given(row.below) if place == 0 else (),
                            is_strong=row.is_strong and place > 0,
                        )
                        for place, cell in enumerate(row.cells)
                    )
                )
                for row in section.rows
            ),
        )
    if section.points:
        yield points(section.points)
    for figure in section.figures:
        yield Plot(figure=figure)
