"""The tables of a page: readings, what was judged, checksums, comparison, positions of the knob."""

from __future__ import annotations

from collections.abc import Iterable

from harness.report.advised import AdvisedLine
from harness.report.compared import ComparedLine
from harness.report.content import Line
from harness.report.document import Cell, Column, Row, Table
from harness.report.wording import TIE

NO_LIMIT = "no limit"
_DASH = "–"


def judged_table(lines: Iterable[Line]) -> Table:
    """Lay out what was judged, as the first page has room for."""
    return Table(
        caption="Each reading that a limit stands for; U is the expanded uncertainty",
        columns=(
            Column(title="Reading", percent=31),
            Column(title="Value ± U", percent=22),
            Column(title="Limit, and its source", percent=34),
            Column(title="Verdict", percent=13),
        ),
        rows=tuple(
            Row(
                cells=(
                    Cell(text=line.title, small=given(line.conditions)),
                    Cell(
                        text=line.value,
                        small=given(
                            "; ".join(given(line.also, line.coverage.replace(" ", TIE))),
                            *line.remarks,
                        ),
                        is_strong=True,
                    ),
                    _limits(line),
                    Cell(text=line.verdict or NO_LIMIT, verdict=line.verdict),
                )
            )
            for line in lines
        ),
        style="readings",
    )


def _beside(line: Line) -> str:
    """Write on one line what else the value is, and what its uncertainty covers."""
    return "; ".join(given(line.also, line.coverage.replace(" ", TIE)))


def readings_table(caption: str, lines: Iterable[Line]) -> Table:
    """Lay out readings, each in a row with its U, its limit and its verdict."""
    return Table(
        caption=caption,
        columns=(
            Column(title="Reading", percent=27),
            Column(title="Value ± U", percent=27),
            Column(title="Coverage", percent=9),
            Column(title="Limit, and its source", percent=26),
            Column(title="Verdict", percent=11),
        ),
        rows=tuple(_reading(line) for line in lines),
        style="readings",
    )


def _reading(line: Line) -> Row:
    return Row(
        cells=(
            Cell(text=line.title, small=(line.conditions or line.definition,)),
            Cell(text=line.value, small=given(line.also, *line.remarks), is_strong=True),
            Cell(text=line.coverage or _DASH, is_empty=not line.coverage),
            _limits(line),
            Cell(text=line.verdict or NO_LIMIT, verdict=line.verdict),
        )
    )


def _limits(line: Line) -> Cell:
    return Cell(
        text=" and ".join(words for words, _ in line.limits) or _DASH,
        small=tuple(dict.fromkeys(source for _, source in line.limits)),
        is_empty=not line.limits,
    )


def checksums_table(caption: str, what: str, files: Iterable[tuple[str, str]]) -> Table:
    """Lay out names and SHA-512 of files; ``what`` they are heads the first column."""
    return Table(
        caption=caption,
        columns=(Column(title=what, percent=36), Column(title="SHA-512", percent=64)),
        rows=tuple(
            Row(cells=(Cell(text=name), Cell(text=sha512 or "none", is_code=True)))
            for name, sha512 in files
        ),
        style="compact",
    )


def compared_row(line: ComparedLine) -> Row:
    """Lay out a reading of two runs beside each other."""
    return Row(
        cells=(
            Cell(text=line.title, small=given(line.conditions)),
            Cell(text=line.a),
            Cell(text=line.b),
            Cell(
                text=line.difference or _DASH,
                small=given(line.coverage),
                is_strong=True,
            ),
            Cell(text=line.en or _DASH),
            Cell(text=line.conclusion, is_strong=line.agrees is False),
        )
    )


def position_row(line: AdvisedLine) -> Row:
    """Lay out how a position of the knob stands."""
    closes = "" if line.closing == "not measured" else f"closes at {line.closing}"
    return Row(
        cells=(
            Cell(text=line.knob, small=given(line.mark)),
            Cell(text=line.opening, small=given(closes, line.times)),
            Cell(text=line.false_keying, small=given(line.watched)),
            Cell(text=line.margin, small=given(line.margin_means, line.listener)),
            Cell(text=line.cost or _DASH),
            Cell(text=line.standing, small=given(line.reason), is_strong=True),
        ),
        is_marked=line.is_set_here,
    )


def given(*texts: str) -> tuple[str, ...]:
    """Give the texts that say something."""
    return tuple(text for text in texts if text)
