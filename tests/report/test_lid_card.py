"""The card for inside the lid: whole, on one page, traced to its results, nothing from outside.

All values are invented.
"""

import hashlib
import re
from dataclasses import replace

import pytest

from harness.advice import advise
from harness.errors import BadInput
from harness.report.lid_card import write_lid_card
from harness.results import fingerprint_of, write_run
from tests.advice.knob_runs import keyed, run_of, seen, sensitivity
from tests.report.printed import printed, words_in
from tests.report.test_report import Page

FINGERPRINT = "0123456789abcdef" * 8
RUN = replace(
    run_of(
        keyed("9:00"),
        seen("12:00", 0, 3.2, -118.0),
        seen("3:30", 0, 0.05, -114.0),
        sensitivity(-117.0),
    ),
    unit={
        "name": "Frost Watch 2",
        "serial": "FW-0117",
        "knob_positions": ["9:00", "12:00", "3:30"],
    },
    bench={"name": "packing-shed bench", "operator": "M. Ortiz", "place": "shed 2"},
    software={"harness": "0.1.0"},
)


def card_of(tmp_path, run=RUN, advice=None):
    path = tmp_path / "card.html"
    write_lid_card(path, run, FINGERPRINT, advice)
    return path.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "words",
    [
        "Set the knob to 12:00",
        "Frost Watch 2",
        "serial FW-0117",
        "measured 2026-03-14",
        "Simulated: no radio was measured.",
        "By M. Ortiz. At shed 2. On packing-shed bench. harness 0.1.0.",
        "Results file 0123456789abcdef.",
        "Load or antenna on the port before power.",
        "Local rules and licensed practice come first.",
        "Limit of false keying: 1 per hour, chosen by this program",
        "measure again after service",
    ],
)
def test_what_stands_on_it(tmp_path, words):
    page = Page(card_of(tmp_path))
    assert words.lower() in page.words.lower()
    assert page.loose == []


def test_each_position_has_its_row(tmp_path):
    rows = Page(card_of(tmp_path)).rows
    assert rows[1] == "9:00 – – – – always keyed"
    assert rows[2] == "► 12:00 −118.00 ± 0.63 −121.00 ± 0.63 ≤ 0.94 +1.00 ± 0.28 proven"
    assert rows[3] == "3:30 −114.00 ± 0.63 −117.00 ± 0.63 ≤ 60 −3.00 ± 0.28 unproven"


def test_the_limit_that_is_asked_for_stands_on_it(tmp_path):
    words = Page(card_of(tmp_path, advice=advise(RUN, 0.5))).words
    assert "No setting is proven yet; 12:00 is the one to watch longer" in words
    assert "0.5 per hour, as asked for" in words
    assert "Set the knob to" not in words


def test_nothing_comes_from_outside_and_the_drawing_can_be_read_aloud(tmp_path):
    html = card_of(tmp_path)
    page = Page(html)
    namespaces = {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert set(re.findall(r"https?://[^\"'\s<>)]*", html)) <= namespaces
    assert not {tag for tag, _ in page.tags} & {"script", "link", "iframe", "img", "form"}
    (drawing,) = [attributes for tag, attributes in page.tags if tag == "svg"]
    assert all(name in page.ids for name in drawing["aria-labelledby"].split())
    heads = [attributes for tag, attributes in page.tags if tag == "th"]
    assert all(head.get("scope") in ("row", "col") for head in heads)


def test_hostile_names_stay_text(tmp_path):
    bad = '<script>alert("x")</script>&amp;'
    run = replace(
        run_of(seen(bad, 0, 5.0, -118.0), order=(bad,)),
        title=bad,
        unit={"name": bad, "serial": bad, "knob_positions": [bad]},
        bench={"name": bad, "operator": bad, "place": bad},
    )
    page = Page(card_of(tmp_path, run))
    assert "script" not in {tag for tag, _ in page.tags}
    assert page.loose == []
    assert f"Set the knob to {bad}" in page.words


def test_without_a_squelch_there_is_no_card(tmp_path):
    with pytest.raises(BadInput, match="no reading of the squelch"):
        card_of(tmp_path, run_of(sensitivity(-117.0)))
    assert not list(tmp_path.iterdir())


def test_another_page_is_not_lost(tmp_path):
    (tmp_path / "card.html").write_text("<p>my notes</p>")
    with pytest.raises(BadInput, match="no page of this program"):
        card_of(tmp_path)


def test_the_fingerprint_is_what_any_program_for_sha512_gives(tmp_path):
    write_run(tmp_path / "a.h5", RUN)
    first = fingerprint_of(tmp_path / "a.h5")
    assert first == hashlib.sha512((tmp_path / "a.h5").read_bytes()).hexdigest()
    write_run(tmp_path / "b.h5", replace(RUN, notes="another"))
    assert fingerprint_of(tmp_path / "b.h5") != first
    with pytest.raises(BadInput, match="no such file"):
        fingerprint_of(tmp_path / "d.h5")


MANY = tuple(f"{hour}:{minute}" for hour in (9, 10, 11, 12) for minute in ("00", "30"))
CROWDED = replace(
    run_of(
        *(seen(knob, 1, 4.0, -121.0 + 0.7 * n) for n, knob in enumerate(MANY[:-1])),
        seen(MANY[-1], 0, 4.0, -124.0),
        seen("13:00", 0, 4.0),
        sensitivity(-117.0),
        order=MANY,
    ),
    bench=RUN.bench,
)


@pytest.mark.parametrize("run", [RUN, CROWDED], ids=["three positions", "nine, contradicting"])
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_browser_prints_it_on_one_page(tmp_path, paper, run):
    text = words_in(printed(card_of(tmp_path, run), paper, tmp_path))
    assert text.count("\f") == 1
    assert "Results file 0123456789abcdef" in text
    assert "limit 1 per hour" in text
