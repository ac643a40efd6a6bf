"""The first page: what a customer reads. Words and order; all rows are exact."""

from dataclasses import replace

import pytest
import segno

from harness.readings import Limit, judged
from harness.report.content import content_of
from harness.report.document import Blanks, Plot, Points, Table
from harness.report.pages import report_document
from harness.report.pdf import pdf_of
from harness.report.seal import Seal
from harness.results.judgement import whole_verdict
from tests.report import golden
from tests.report.printed import words_in

DIGITS = "0123456789abcdef" * 8


@pytest.fixture(scope="module")
def runs(sample):
    """Without series: no plot stands on the first page, and drawing them takes time."""
    return tuple(
        replace(run, findings=tuple(replace(part, series=()) for part in run.findings))
        for run in (sample.sample_run(), sample.other_run())
    )


def front_of(run):
    return report_document(content_of(run), seal=Seal(results_sha512=DIGITS)).front


def table_of(front):
    (table,) = [b for section in front for b in section.blocks if isinstance(b, Table)]
    return [[cell.text for cell in row.cells] for row in table.rows], table


def points_of(front, title):
    return [
        item.text
        for section in front
        if section.title == title
        for block in section.blocks
        if isinstance(block, Points)
        for item in block.items
    ]


def test_every_limit_is_answered_or_not_measured(runs):
    rows, table = table_of(front_of(runs[0]))
    titles = [row[0] for row in rows]
    assert titles == [
        "Carrier power",
        "Frequency error",
        "Peak deviation",
        "Sensitivity, 12 dB SINAD",
        "Hang time",
        "Keying",
        "Run time",
        "Hum and noise",
    ]
    assert [row[3] for row in rows] == ["pass"] * 7 + ["not measured"]
    assert rows[-1][1:3] == ["not measured", "at most −40 dB"]
    assert all(row.cells[2].small for row in table.rows), "each limit has its source"
    assert rows[0][1:3] == ["36.05 ± 0.12 dBm", "35.5 to 36.5 dBm"]


def test_a_value_that_was_not_measured_is_never_a_pass(runs):
    run = runs[0]
    limit = Limit(reading="squelch_tail", unit="s", maximum=0.5, source="invented")
    run = replace(run, limits=(limit,), findings=(run.findings[1],))
    rows, _ = table_of(front_of(run))
    assert rows[-1] == ["Squelch tail", "not measured", "at most 500 ms", "not measured"]


def test_what_failed_is_to_be_mended_and_nothing_else(runs):
    assert points_of(front_of(runs[0]), "What to mend") == []
    mend = points_of(front_of(runs[1]), "What to mend")
    assert [item for item in mend if not item.startswith("Hint: ")] == [
        "Failed: Carrier power 35.20 ± 0.12 dBm; limit 35.5 to 36.5 dBm.",
        "Failed: Frequency error −612.5 ± 7.7 Hz; limit within ± 384.6 Hz.",
        "Failed: Sensitivity, 12 dB SINAD (flat weighting, with de-emphasis, 1500 Hz deviation)"
        " −114.30 ± 0.34 dBm; limit at most −116 dBm.",
        "Failed: Run time 9 h 11 min 50 s ± 6 s; limit at least 10 h.",
    ]
    assert any(item.startswith("Hint: ") for item in mend)


def test_what_is_undecided_says_what_would_decide_it(runs):
    limits = (Limit(reading="carrier_power", unit="dBm", minimum=36.0, source="invented"),)
    findings = tuple(
        replace(part, readings=judged(part.readings, limits)) for part in runs[0].findings
    )
    readings = [reading for part in findings for reading in part.readings]
    run = replace(
        runs[0], limits=limits, findings=findings, verdict=whole_verdict(limits, readings)
    )
    (item,) = points_of(front_of(run), "Undecided, and what would decide it")
    assert item.startswith("Undecided: Carrier power 36.05 ± 0.12 dBm; limit at least 36 dBm. ")
    # 0.06 dB of the path is nearly all of it: averaging cannot help, a calibration can.
    assert "A better calibration would decide it" in item


def test_a_run_without_limits_is_not_judged(runs):
    findings = tuple(
        replace(
            part,
            readings=tuple(
                r if r.value is None else replace(r, verdict=None) for r in part.readings
            ),
        )
        for part in runs[0].findings
    )
    front = front_of(replace(runs[0], limits=(), findings=findings, verdict="not measured"))
    words = [getattr(block, "text", "") for section in front for block in section.blocks]
    assert "No limit was given, so that nothing is judged: what was measured follows." in words


def test_there_is_a_line_to_sign_and_no_plot(runs):
    blocks = [block for section in front_of(runs[0]) for block in section.blocks]
    assert Blanks(labels=("Name", "Date", "Signature")) in blocks
    assert not [block for block in blocks if isinstance(block, Plot)]


def test_the_code_holds_the_digits_that_stand_beside_it(runs):
    code = report_document(content_of(runs[0]), seal=Seal(results_sha512=DIGITS)).code
    assert "".join(code.digits.groups) == DIGITS
    wanted = segno.make_qr(f"SHA-512 {DIGITS.upper()}", error="m")
    assert wanted.mode == "alphanumeric"
    assert [[module == "1" for module in row] for row in code.matrix] == [
        [bool(module) for module in row] for row in wanted.matrix
    ]
    # Four light modules around it, or no camera finds it.
    side = len(code.matrix) + 8
    assert f'viewBox="0 0 {side} {side}"' in code.svg()
    assert "M4 4h1v1h-1z" in code.svg()


def test_the_first_page_of_the_pdf_is_whole(tmp_path):
    document = golden.document()
    (tmp_path / "p.pdf").write_bytes(pdf_of(document))
    pages = [" ".join(page.split()) for page in words_in(tmp_path / "p.pdf").split("\f")][:-1]
    rows, _ = table_of(document.front)
    assert len(rows) > 10
    for title, value, limit, verdict in rows:
        for words in (title, value, limit, verdict):
            assert words in pages[0], words
    for words in ("Failed", "What to mend", "Name", "Date", "Signature", "come first"):
        assert words in pages[0]
    assert "Carrier and modulation" not in pages[0]
    for page in pages:
        assert " ".join(document.code.digits.groups) in page
        assert f"of {len(pages)}" in page


def test_a_step_that_was_repeated_shows_both(runs):
    run = runs[0]
    first = run.findings[0]
    before = replace(first, readings=tuple(replace(r, value=r.value - 1.0) for r in first.readings))
    step = {"name": "c", "procedure": "carrier", "title": "Carrier", "state": "done"}
    later = {"name": "s", "procedure": "squelch", "title": "Squelch", "state": "not reached"}
    step |= {"findings": [0], "earlier": [{"begun_utc": "", "findings": [0]}]}
    photo = {"path": "photos/case.jpg", "format": "jpeg", "sha512": "ef" * 64}
    run = replace(
        run,
        earlier=(before,),
        session={
            "plan": {"name": "mine", "title": "Mine", "steps": [step, later]},
            "photos": [photo],
            "operator": "A. Hand",
        },
    )
    document = report_document(content_of(run))
    tables = {
        section.title: [
            [cell.text for cell in row.cells] + [line for cell in row.cells for line in cell.small]
            for block in section.blocks
            if isinstance(block, Table)
            for row in block.rows
        ]
        for section in document.sections
    }
    carrier, squelch = tables["Steps of the plan"]
    assert carrier[:3] == ["Carrier", "done", "pass"]
    assert "Carrier power: 35.05 ± 0.12 dBm, then 36.05 ± 0.12 dBm (the last counts)" in carrier
    assert squelch[:3] == ["Squelch", "not reached", "not measured"]
    assert tables["Notes made at the bench"] == [["photos/case.jpg", "ef" * 64]]
    assert ("Plan", "Mine") in document.particulars
    assert ("Measured by", "A. Hand") in document.particulars
