"""The golden run: what a report says of one run of the simulated bench, word by word.

    PYTHONPATH=. .venv/bin/python tests/report/golden.py            # the words anew, to be read
    PYTHONPATH=. .venv/bin/python tests/report/golden.py --measure  # the run too (half a minute)
    PYTHONPATH=. .venv/bin/python tests/report/golden.py --picture  # docs/report-page.png too

The run is a much shortened acceptance of Frost Watch 1, the invented unit that is made to fail,
without a battery and at one position of the knob; its series keep every so many points, which
the plots are thinned to anyway. The words are those of the HTML page and those that the PDF is
laid out from. Look at the difference before you keep it.
"""

import argparse
import json
import tempfile
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

from harness.describe import example_path, load_bench, load_plan, load_unit
from harness.procedures.accept import accept
from harness.readings import Axis
from harness.report.content import content_of
from harness.report.pages import report_document
from harness.report.pdf import BREAK, page_json, pictures_of
from harness.report.seal import Seal
from harness.report.thin import thin
from harness.report.write import drawn
from harness.results import fingerprint_of, read_run, write_run

DATA = Path(__file__).resolve().parents[1] / "data" / "results"
RUN, HTML_WORDS, PDF_WORDS = (DATA / f"golden-run{end}" for end in (".h5", "-html.txt", "-pdf.txt"))
LITTLE = (
    load_plan("short")
    .doing(["battery"])
    .altered(
        keyings=2, search_dbm=(-122.0, -114.0), quiet_s=0.5, sweeps=1, levels_dbm=(-116.0, -113.0)
    )
)
SMALLER = {"knob_positions": ("12:00",), "battery": None}
MOST_POINTS = 120
UNREAD = (
    "svg",
    "kind",
    "style",
    "verdict",
    "author",
    "keywords",
    "subject",
    "described",
    "metadata",
)
NAME = "frost-watch-1"
PICTURE = Path(__file__).resolve().parents[2] / "docs" / "report-page.png"


class Words(HTMLParser):
    """The words of a page, a line for each element that stands by itself."""

    ENDS = frozenset("p h1 h2 h3 li tr dt dd caption figcaption text desc title strong".split())

    def __init__(self, html):
        super().__init__()
        self.lines, self.line, self.silent = [], [], False
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attributes):
        self.silent = self.silent or tag == "style"
        if tag in self.ENDS:
            self.end()

    def handle_endtag(self, tag):
        self.silent = self.silent and tag != "style"
        if tag in self.ENDS:
            self.end()
        elif tag in ("th", "td"):
            self.line.append("|")

    def handle_data(self, data):
        if not self.silent:
            self.line.append(data)

    def end(self):
        line = " ".join(" ".join(self.line).split()).strip(" |")
        if line:
            self.lines.append(line)
        self.line = []


@cache
def document():
    """Lay out the report of the golden run."""
    # What the code that draws is called changes with every change of it: it is no word.
    seal = Seal(results_sha512=fingerprint_of(RUN), drawn="0" * 16)
    return report_document(content_of(read_run(RUN)), seal=seal)


def html_words():
    """Give the words of the HTML page, with those of its plots."""
    return "\n".join(Words(drawn(document(), ".html").decode("utf-8")).lines) + "\n"


def pdf_words():
    """Give the words that the PDF is laid out from, in its order; drawings left out."""
    lines = []

    def walk(held, key=""):
        if isinstance(held, dict):
            for name, value in held.items():
                walk(value, name)
        elif isinstance(held, list):
            if key == "groups":
                held = [" ".join(held)]
            for value in held:
                walk(value, key)
        elif isinstance(held, str) and held and key not in UNREAD:
            lines.append(" ".join(held.replace(BREAK, "").split()))

    walk(json.loads(page_json(document())))
    return "\n".join(lines) + "\n"


def measure():
    """Measure the run anew on the simulated bench."""
    unit = load_unit(example_path(f"{NAME}.toml")).model_copy(update=SMALLER)
    bench = load_bench(example_path("packing-shed.toml")).with_simulated_unit(NAME)
    with tempfile.TemporaryDirectory() as folder:
        done = accept(unit, bench, Path(folder) / "run", Silent(), LITTLE)
        small = tuple(
            replace(part, series=tuple(map(smaller, part.series))) for part in done.run.findings
        )
        RUN.unlink(missing_ok=True)
        write_run(RUN, replace(done.run, findings=small))


def smaller(series):
    """Keep of a long curve what a plot shows."""
    if len(series.axes) != 1 or len(series.values) <= MOST_POINTS:
        return series
    x, y = thin(series.axes[0].values, series.values, MOST_POINTS)
    axis = Axis(name=series.axes[0].name, unit=series.axes[0].unit, values=x)
    return replace(series, axes=(axis,), values=y)


class Silent:
    """Says nothing."""

    def __getattr__(self, name):
        return lambda *_, **__: None


def main():
    """Write what is asked for."""
    asked = argparse.ArgumentParser(description="The golden run's words, written anew.")
    asked.add_argument("--measure", action="store_true", help="measure the run anew first")
    asked.add_argument("--picture", action="store_true", help="draw the first page for the README")
    wanted = asked.parse_args()
    if wanted.measure:
        measure()
    if wanted.picture:
        PICTURE.write_bytes(pictures_of(document(), 110.0)[0])
    HTML_WORDS.write_text(html_words(), encoding="utf-8")
    PDF_WORDS.write_text(pdf_words(), encoding="utf-8")


if __name__ == "__main__":
    main()
