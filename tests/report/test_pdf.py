"""The PDF: nothing in a run is taken for markup, nothing leaves the paper, the same bytes again."""

import re
from dataclasses import replace

import pytest

from harness.compare import compare_runs
from harness.errors import BadInput
from harness.readings import RecordingUsed
from harness.report import pdf
from harness.report.content import content_of
from harness.report.document import Document, Heading, Section
from harness.report.pages import comparison_document, report_document
from harness.report.pdf import page_json, pdf_of
from harness.report.seal import Seal
from harness.report.write import write_report
from tests.report.printed import has_reader, words_in

BAD = '#panic("x") *b* _i_ $x$ `c` @l <t> \\ // /* "" = - + 中文 😀'
SEAL = Seal(results_sha512="ab" * 64, drawn="0" * 16)


@pytest.fixture(scope="module")
def runs(sample):
    return sample.sample_run(), sample.other_run()


def text_of(data, folder):
    (folder / "p.pdf").write_bytes(data)
    return words_in(folder / "p.pdf")


def joined(text):
    return "".join(text.replace(pdf.BREAK, "").split())


def test_what_looks_like_markup_stays_text(runs, tmp_path):
    part = runs[0].findings[4]
    part = replace(
        part,
        recordings=(RecordingUsed(path=BAD, role=BAD, sha512="cd" * 64),),
        cautions=(BAD,),
        series=tuple(replace(s, conditions={"knob": BAD.partition(" 中")[0]}) for s in part.series),
    )
    run = replace(
        runs[0],
        title=BAD,
        notes=BAD,
        unit={"name": BAD},
        software={BAD: BAD},
        findings=(part,),
        source=BAD,
    )
    data = pdf_of(report_document(content_of(run), seal=SEAL))
    if has_reader():
        # What no font has may be read back otherwise: up to there.
        assert joined(text_of(data, tmp_path)).count(joined(BAD.partition("中")[0])) >= 5


def test_a_very_long_word_stays_on_the_paper(runs, tmp_path):
    word = "W" * 400
    run = replace(runs[0], findings=(), limits=(), notes=word, unit={"name": word}, title=word)
    data = pdf_of(report_document(content_of(run)))
    if has_reader():
        # What runs over the edge of the paper is not read back by a reader that crops.
        text = text_of(data, tmp_path)
        assert max(len(line) for line in text.replace(pdf.BREAK, "").splitlines()) < 200
        assert joined(text).count("W") >= 3 * 400


def test_the_comparison_is_drawn_too(runs, tmp_path):
    comparison = compare_runs(*runs, "Frost Watch 2", "Frost Watch 1")
    data = pdf_of(comparison_document(comparison, *runs))
    assert data.startswith(b"%PDF")
    if has_reader():
        words = " ".join(text_of(data, tmp_path).split())
        assert "−0.850 ± 0.028 dB" in words
        assert "What stands in one run only" in words


def test_numbers_are_tied_to_their_units_and_names_are_not_touched():
    document = Document(kicker="", title="12 dB", sections=(Section(title="5 Hz", blocks=()),))
    told = page_json(document)
    assert '"title": "5\N{NO-BREAK SPACE}Hz"' in told
    assert '"metadata": "12 dB"' in told


def test_what_cannot_be_laid_out_is_one_line(monkeypatch):
    monkeypatch.setattr(pdf, "_template", lambda: b"#panic()")
    with pytest.raises(BadInput, match=r"cannot be drawn as PDF .* Take HTML instead"):
        pdf_of(Document(kicker="", title="t", sections=(Section(title="", blocks=()),)))


def test_an_unknown_block_is_no_blank(monkeypatch):
    block = Heading(text="x")
    object.__setattr__(block, "kind", "nothing")
    with pytest.raises(BadInput, match="unknown kind"):
        pdf_of(Document(kicker="", title="t", sections=(Section(title="", blocks=(block,)),)))


def test_nothing_comes_from_outside_and_nothing_runs(runs):
    data = pdf_of(report_document(content_of(runs[0]), seal=SEAL))
    for word in (b"/JavaScript", b"/JS", b"/Launch", b"/EmbeddedFile", b"/URI"):
        assert word not in data
    assert set(re.findall(rb"https?://[\w.]+", data)) <= {
        b"http://www.w3.org",
        b"http://purl.org",
        b"http://ns.adobe.com",
        b"http://www.aiim.org",
    }


def test_an_earlier_pdf_of_ours_is_replaced_and_nothing_else(runs, tmp_path):
    run = replace(runs[0], findings=())
    path = tmp_path / "r.pdf"
    write_report(path, run)
    write_report(path, replace(run, title="Another"))
    path.write_bytes(b"%PDF-1.7 mine")
    with pytest.raises(BadInput, match="is there already, and no page of this program"):
        write_report(path, run)
    assert path.read_bytes() == b"%PDF-1.7 mine"
