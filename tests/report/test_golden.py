"""The golden run: its report, compared as text, numbers as written (see ``golden.py``)."""

import pytest

from harness.report.pdf import pdf_of
from harness.report.seal import read_seal
from tests.report import golden
from tests.report.printed import has_reader, words_in


@pytest.mark.parametrize(
    ("kept", "now"), [(golden.HTML_WORDS, golden.html_words), (golden.PDF_WORDS, golden.pdf_words)]
)
def test_it_says_what_it_said(kept, now):
    assert now() == kept.read_text(encoding="utf-8")


def test_both_forms_say_the_same():
    """Each line of the PDF stands in the HTML."""
    html = " ".join(golden.html_words().replace("|", " ").split())
    lines = golden.pdf_words().splitlines()
    assert len(lines) > 300
    assert [line for line in lines if line not in html] == []


def test_the_pdf_says_it(tmp_path):
    data = pdf_of(golden.document())
    assert data == pdf_of(golden.document())
    assert read_seal(data) is not None
    for tagged in (b"/StructTreeRoot", b"/Lang(en-GB)", b"pdfuaid:part"):
        assert tagged in data, tagged
    if not has_reader():
        return
    (tmp_path / "page.pdf").write_bytes(data)
    text = " ".join(words_in(tmp_path / "page.pdf").split())
    first = words_in(tmp_path / "page.pdf").split("\f")[0]
    for words in ("Failed", "451 ± 15 Hz", "not measured", "What to mend", "Signature"):
        assert words in " ".join(first.split())
    for words in ("−114.48 ± 0.52 dBm", "47 CFR 90.213(a)", "Where to set the knob"):
        assert words in text
