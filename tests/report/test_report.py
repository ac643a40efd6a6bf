"""The report: every reading in it with its U, nothing from outside, the same for the same run."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from harness.compare import compare_runs
from harness.errors import BadInput
from harness.readings import Axis, Findings, RecordingUsed, Series, sentence
from harness.report import in_words
from harness.report.wording import conditions_in_words, limit_in_words, title_of
from harness.report.write import write_comparison, write_report
from harness.results import read_run, write_run
from tests.report.printed import has_reader, printed, words_in

VOID = {"meta", "col", "br", "link", "img", "hr", "input"}


class Page(HTMLParser):
    """Text, table rows, tags and ids of a page; notes tags that do not close."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.ids, self.rows, self.text, self.open, self.loose = [], [], [], [], [], []
        self.feed(html)
        self.close()
        self.words = " ".join("".join(self.text).split())
        self.rows = [" ".join("".join(row).split()) for row in self.rows]

    def handle_starttag(self, tag, attributes):
        attributes = dict(attributes)
        self.tags.append((tag, attributes))
        if "id" in attributes:
            self.ids.append(attributes["id"])
        if tag == "tr":
            self.rows.append([])
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.handle_starttag(tag, attributes)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.loose.append(tag)

    def handle_data(self, data):
        if "style" in self.open or "script" in self.open:
            return
        self.text.append(f"{data} ")
        if "tr" in self.open:
            self.rows[-1].append(f"{data} ")


@pytest.fixture(scope="module")
def runs(sample):
    return sample.sample_run(), sample.other_run()


@pytest.fixture(scope="module")
def html(runs, tmp_path_factory):
    path = tmp_path_factory.mktemp("report") / "report.html"
    comparison = compare_runs(*runs, "Frost Watch 2", "Frost Watch 1")
    write_report(path, runs[0], comparison=comparison, other=runs[1])
    return path.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def page(html):
    return Page(html)


def test_each_reading_stands_in_a_row_with_its_uncertainty(runs, page):
    readings = [reading for part in runs[0].findings for reading in part.readings]
    assert len(readings) > 20
    for reading in readings:
        if reading.value is None:
            # Not among the readings: by its reason, with others of the same.
            rows = [row for row in page.rows if title_of(reading.name) in row]
            assert any(sentence(reading.note) in row for row in rows), reading
            continue
        rows = [
            row
            for row in page.rows
            if row.startswith(title_of(reading.name)) and in_words(reading) in row
        ]
        rows = [row for row in rows if conditions_in_words(reading.conditions) in row]
        assert rows, reading
        if reading.verdict:
            assert any(row.endswith(reading.verdict) for row in rows), reading


def test_each_limit_stands_with_its_source(runs, page):
    for limit in runs[0].limits:
        assert any(limit_in_words(limit) in row and limit.source in row for row in page.rows), limit


@pytest.mark.parametrize(
    "words",
    [
        "Incomplete",
        "Simulated.",
        "No radio was measured.",
        "Frost Watch 2, serial FW-0117",
        "packing-shed bench",
        "harness 0.1.0",
        "36.05 ± 0.12 dBm",
        "4.03 ± 0.11 W",  # 36.05 dBm; 0.12 dB is 2.8 %
        "0.285 ± 0.011 µV",  # -117.90 dBm across 50 ohm
        "0.783 ± 0.050 ppm",
        "20.30 ± 0.29 ms",
        "11 h 29 min 50 s ± 6 s",
        "0 (0 to 11) per hour",
        "The power did not fall so far in this run.",
        "but this run holds no reading for it",
        "262144 samples was lost",
        "Local rules and licensed practice come first",
        "What was not measured, and why",
        "Frost Watch 2 is the better",
        "not in Frost Watch 2 under the same conditions (knob)",
        "the other run: acceptance of frost watch 1",
    ],
)
def test_what_a_customer_looks_for(page, words):
    assert words.lower() in page.words.lower()


@pytest.mark.parametrize(
    ("verdict", "headline"), [("pass", "Passed"), ("fail", "Failed"), ("undecided", "Undecided")]
)
def test_the_verdict_is_a_word(runs, tmp_path, verdict, headline):
    write_report(tmp_path / "r.html", replace(runs[0], verdict=verdict))
    read = Page((tmp_path / "r.html").read_text(encoding="utf-8"))
    assert read.words.index(headline) < read.words.index("Carrier and modulation")


def test_what_failed_is_named_at_the_top(runs, tmp_path):
    write_report(tmp_path / "r.html", runs[1])
    read = Page((tmp_path / "r.html").read_text(encoding="utf-8"))
    top = read.words[: read.words.index("Carrier and modulation")]
    assert "Failed: Frequency error −612.5 ± 7.7 Hz; limit within ± 384.6 Hz." in top


def test_nothing_comes_from_outside_and_nothing_runs(html, page):
    tags = {tag for tag, _ in page.tags}
    assert not tags & {"script", "link", "iframe", "object", "embed", "img", "form", "base"}
    namespaces = {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert set(re.findall(r"https?://[^\"'\s<>)]*", html)) <= namespaces
    assert "@import" not in html
    for _, attributes in page.tags:
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("href", "xlink:href", "src"):
            assert attributes.get(name, "#").startswith("#")
    assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)\)", html))


def test_it_is_well_formed(page):
    assert page.loose == []
    assert page.open == []
    assert len(page.ids) == len(set(page.ids))


def test_tables_and_plots_can_be_read_aloud(page):
    heads = [attributes for tag, attributes in page.tags if tag == "th"]
    assert heads
    assert all(head.get("scope") in ("row", "col") for head in heads)
    drawings = [attributes for tag, attributes in page.tags if tag == "svg"]
    plots = [drawing for drawing in drawings if drawing.get("role") == "img"]
    assert len(plots) == 6
    for plot in plots:
        assert all(name in page.ids for name in plot["aria-labelledby"].split())
    assert all(d.get("aria-hidden") == "true" or d.get("role") == "img" for d in drawings)


def test_the_plots_mark_what_they_should(html):
    plots = re.findall(r'<svg role="img".*?</svg>', html, flags=re.DOTALL)
    texts = [" ".join(re.findall(r"<text[^>]*>([^<]*)</text>", plot)) for plot in plots]
    spectrum, sinad, keying, squelch, run, knob = texts
    assert "Offset from the nominal frequency, kHz" in spectrum
    assert "12 dB" in sinad
    assert "−117.90 ± 0.34 dBm" in sinad
    assert "attack 20.30 ± 0.29 ms" in keying
    assert "hang 1.20310 ± 0.00057 s" in keying
    assert "Knob at 12:00" in squelch
    assert "50 %" in squelch
    assert "−115.2" in squelch
    assert "−1 dB" in run
    assert "Voltage, V" in run
    assert "always keyed" in knob


def test_checksums_stand_in_full(runs, html):
    for part in runs[0].findings:
        for used in part.recordings:
            assert used.sha512 in html


def test_the_same_run_gives_the_same_page(runs, html, tmp_path):
    write_run(tmp_path / "run.h5", runs[0])
    again = read_run(tmp_path / "run.h5")
    comparison = compare_runs(again, runs[1], "Frost Watch 2", "Frost Watch 1")
    write_report(tmp_path / "again.html", again, comparison=comparison, other=runs[1])
    assert (tmp_path / "again.html").read_text(encoding="utf-8") == html


def test_hostile_names_stay_text(runs, tmp_path):
    bad = '<script>alert("x")</script><img src=x onerror=y>&amp;'
    findings = (
        replace(
            runs[0].findings[4],
            recordings=(RecordingUsed(path=bad, role="output", sha512=bad),),
            cautions=(bad,),
            series=tuple(
                replace(series, conditions={"knob": bad}) for series in runs[0].findings[4].series
            ),
        ),
    )
    run = replace(
        runs[0], title=bad, notes=bad, unit={"name": bad}, software={bad: bad}, findings=findings
    )
    comparison = compare_runs(run, run, bad, "other")
    write_report(tmp_path / "r.html", run, comparison=comparison, other=run)
    read = Page((tmp_path / "r.html").read_text(encoding="utf-8"))
    assert not {tag for tag, _ in read.tags} & {"script", "img"}
    assert read.loose == []
    assert bad in read.words


def test_formulas_and_dollars_in_a_knob_position_are_drawn_as_they_are(runs, tmp_path):
    part = runs[0].findings[4]
    part = replace(
        part, series=tuple(replace(s, conditions={"knob": "$\\frac$_5"}) for s in part.series)
    )
    write_report(tmp_path / "r.html", replace(runs[0], findings=(part,)))
    assert "$\\frac$_5" in (tmp_path / "r.html").read_text(encoding="utf-8")


def only(*series, kind):
    return Findings(kind=kind, series=series)


def line(name, x, y, unit="dB", axis="time"):
    axes = (Axis(name=axis, unit="s", values=np.asarray(x, float)),)
    return Series(name=name, unit=unit, axes=axes, values=np.asarray(y, float))


@pytest.mark.parametrize(
    "part",
    [
        only(line("output_envelope", [0, 1, 2], [0, 0, 0]), kind="timing"),
        only(line("spectrum", [0.0], [np.nan]), kind="carrier"),
        only(line("power", [], []), kind="discharge"),
        only(line("power", [0, 1, 2], [np.nan] * 3), kind="discharge"),
        only(line("sinad_against_level", [-120.0], [3.0]), kind="audio"),
        only(line("opening_fraction", [], [], "1"), kind="squelch"),
        only(line("unheard_of", [1], [1]), kind="spectrum"),
        Findings(kind="carrier"),
    ],
    ids=["output only", "one NaN", "empty", "all gap", "one point", "no sweep", "unknown", "none"],
)
def test_poor_findings_still_give_a_page(runs, tmp_path, part):
    write_report(tmp_path / "r.html", replace(runs[0], findings=(part,)))
    assert Page((tmp_path / "r.html").read_text(encoding="utf-8")).loose == []


def test_a_page_that_cannot_be_written_is_one_line(runs, tmp_path):
    with pytest.raises(BadInput, match="cannot be written"):
        write_report(tmp_path / "none" / "r.html", replace(runs[0], findings=()))


@pytest.mark.parametrize("name", ["r.ps", "r", "r.html.txt"])
def test_only_a_page_is_called_a_page(runs, tmp_path, name):
    run = replace(runs[0], findings=())
    comparison = compare_runs(run, run, "A", "B")
    with pytest.raises(BadInput, match=r"the page is HTML or PDF. Give a name"):
        write_report(tmp_path / name, run)
    with pytest.raises(BadInput, match=r"the page is HTML or PDF. Give a name"):
        write_comparison(tmp_path / name, comparison, run, run)
    assert not list(tmp_path.iterdir())


def test_a_page_of_ours_is_written_anew_and_nothing_else_is_lost(runs, tmp_path):
    run = replace(runs[0], findings=())
    comparison = compare_runs(run, run, "A", "B")
    path = tmp_path / "r.html"
    write_report(path, run)
    write_comparison(path, comparison, run, run)
    write_report(path, replace(run, title="Another"))
    assert "Another" in path.read_text(encoding="utf-8")
    for mine in (b"<!DOCTYPE html><p>my notes</p>", b"", b"\x89HDF\r\n"):
        path.write_bytes(mine)
        with pytest.raises(BadInput, match="is there already, and no page of this program"):
            write_report(path, run)
        with pytest.raises(BadInput, match="is there already, and no page of this program"):
            write_comparison(path, comparison, run, run)
        assert path.read_bytes() == mine
        assert list(tmp_path.iterdir()) == [path]


def test_a_comparison_alone(runs, tmp_path):
    comparison = compare_runs(*runs, "Frost Watch 2", "Frost Watch 1")
    write_comparison(tmp_path / "c.html", comparison, *runs)
    read = Page((tmp_path / "c.html").read_text(encoding="utf-8"))
    row = next(row for row in read.rows if row.startswith("Carrier power"))
    # 35.20 - 36.05 dB; the pad is shared, 2 * 0.01 * sqrt(2) is left.
    assert "−0.850 ± 0.028 dB" in row
    assert read.loose == []


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_browser_prints_it(html, tmp_path, paper):
    """On both papers: its size, the words on it, and the number of each page."""
    pdf = printed(html, paper, tmp_path)
    data = pdf.read_bytes()
    assert data.startswith(b"%PDF")
    width = {"A4": b"/MediaBox [0 0 59", "Letter": b"/MediaBox [0 0 612"}[paper]
    assert width in data
    if not has_reader():
        return
    text = words_in(pdf)
    assert "36.05 ± 0.12 dBm" in text
    pages = text.count("\f")
    assert f"{pages} of {pages}" in text
