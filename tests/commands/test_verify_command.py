"""``harness report --pdf`` and ``harness verify``, as typed."""

import pytest

from harness.results import write_run
from tests.advice.knob_runs import run_of, seen, sensitivity


@pytest.fixture
def results(tmp_path):
    path = tmp_path / "results.h5"
    write_run(path, run_of(seen("12:00", 0, 0.05, -118.0), sensitivity(-117.0)))
    return path


def test_a_pdf_of_it_is_verified(typed, results, tmp_path):
    done = typed("report", results, "--pdf")
    pdf = results.with_suffix(".pdf")
    assert (done.status, str(pdf) in done.out) == (0, True)
    assert pdf.read_bytes().startswith(b"%PDF")
    done = typed("verify", results, pdf)
    assert (done.status, done.err) == (0, "")
    assert "Everything matches." in done.out
    assert all(len(line) <= 80 for line in done.out.splitlines())
    # An earlier PDF of ours goes, and nothing else.
    assert typed("report", results, "--out", pdf).status == 0
    pdf.write_bytes(pdf.read_bytes()[:-1] + b"x")
    done = typed("verify", results, pdf)
    assert done.status == 4
    assert "Not everything matches: 1 differs." in done.out
    pdf.write_bytes(b"%PDF-1.7 my own")
    typed("report", results, "--pdf").is_one_plain_line()


def test_what_was_left_out_is_said(typed, results):
    done = typed("verify", results, "--no-recordings")
    assert done.status == 0
    assert "The recordings were left out." in done.out


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("verify", "none.h5"), "none.h5: no such file"),
        (("verify", "{}", "none.pdf"), "none.pdf: there is no such file"),
        (("verify", "{}", "--recordings", "none"), "none: there is no such folder"),
        (
            ("verify", "{}", "--no-recordings", "--recordings", "x"),
            "--no-recordings: goes without --recordings",
        ),
        (("report", "{}", "--pdf", "--lid-card"), "--lid-card: goes without --pdf"),
        (("report", "{}", "--pdf", "--out", "page.html"), "page.html: does not end in .pdf"),
        (("report", "{}", "--out", "page.ps"), "page.ps: the page is HTML or PDF"),
    ],
)
def test_what_is_refused(typed, results, words, line):
    done = typed(*(str(results) if word == "{}" else word for word in words))
    done.is_one_plain_line()
    assert done.err.startswith(line)
