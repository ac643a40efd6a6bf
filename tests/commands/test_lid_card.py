"""``harness report --lid-card``: where the card goes, and what it does not go with."""

import pytest

from harness.results import fingerprint_of, write_run
from tests.advice.knob_runs import run_of, seen, sensitivity


@pytest.fixture
def results(tmp_path):
    path = tmp_path / "results.h5"
    write_run(path, run_of(seen("12:00", 0, 0.05, -118.0), sensitivity(-117.0)))
    return path


def test_the_card_lies_beside_the_results(typed, results):
    done = typed("report", results, "--lid-card")
    assert done.status == 0
    card = results.with_name("results-lid-card.html")
    assert str(card) in done.out
    page = card.read_text(encoding="utf-8")
    assert fingerprint_of(results)[:16] in page
    assert "No setting is proven yet" in page
    assert not results.with_suffix(".html").exists()


@pytest.mark.parametrize("more", [(), ("--lid-card",)])
def test_another_limit(typed, results, tmp_path, more):
    page = tmp_path / "page.html"
    assert typed("report", results, *more, "--out", page, "--false-keying", "60").status == 0
    assert "Set the knob to 12:00" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("more", [(), ("--lid-card",)])
def test_the_sensitivity_of_another_run(typed, results, tmp_path, more):
    other, page = tmp_path / "accepted.h5", tmp_path / "page.html"
    write_run(other, run_of(sensitivity(-115.0)))
    done = typed("report", results, *more, "--out", page, "--sensitivity", other)
    assert done.status == 0
    assert "−115.00" in page.read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    done = typed("report", results, *more, "--out", page, "--sensitivity", tmp_path / "none.h5")
    assert (done.status, done.out) == (2, "")


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("--lid-card", "--against", "other.h5"), "--lid-card: goes without --against."),
        (("--false-keying", "0"), "--false-keying: 0 per hour cannot be proven"),
        (("--false-keying", "nan"), "--false-keying: nan per hour cannot be proven"),
        (("--lid-card", "--out", "card.pdf"), "card.pdf: the page is HTML."),
    ],
)
def test_what_is_refused(typed, results, words, line):
    done = typed("report", results, *words)
    assert (done.status, done.out) == (2, "")
    assert done.err.startswith(line)
