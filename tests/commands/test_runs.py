"""``harness runs``: what it prints. All rows are exact."""

import json
from datetime import timedelta

import pytest

from harness.results import index
from tests.results.many_runs import START, write_small


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("runs")
    write_small(folder / "one.h5")
    write_small(
        folder / "b" / "two.h5", "Frost Watch 1", "", START + timedelta(days=1), "not measured"
    )
    (folder / "no.h5").write_text("no results\n")
    return folder


@pytest.fixture
def here(made, monkeypatch):
    monkeypatch.setattr(index, "index_path", lambda: made / "cache" / "runs.sqlite")
    monkeypatch.chdir(made)


def test_a_table(here, typed):
    shown = typed("runs")
    assert (shown.status, shown.err) == (0, "")
    assert shown.out.splitlines() == [
        "began (UTC)       verdict       unit                           file",
        "2026-03-14 07:41  pass          Frost Watch 2, serial FW-0118  one.h5",
        "2026-03-15 07:41  not measured  Frost Watch 1                  b/two.h5",
        "no.h5: is no results file, or is damaged or cut short."
        " Take another copy of it, or measure its recordings again.",
    ]


@pytest.mark.parametrize(
    ("words", "files"),
    [
        ((), ["one.h5", "b/two.h5"]),
        (("b",), ["b/two.h5"]),
        (("--unit", "frost watch 1"), ["b/two.h5"]),
        (("--since", "2026-03-15"), ["b/two.h5"]),
        (("--until", "2026-03-14"), ["one.h5"]),
        (("--verdict", "pass", "--verdict", "fail"), ["one.h5"]),
        (("--verdict", "not measured", "--rebuild"), ["b/two.h5"]),
        (("--unit", "x"), []),
    ],
)
def test_json_of_those_that_are_wanted(here, typed, words, files):
    shown = typed("runs", *words, "--json")
    assert (shown.status, shown.err) == (0, "")
    told = json.loads(shown.out)
    assert [run["path"] for run in told["runs"]] == files
    assert told["schema"] == 1
    assert len(told["unreadable"]) == ("b" not in words)


def test_none(here, typed):
    shown = typed("runs", "b", "--verdict", "fail")
    assert (shown.status, shown.out) == (0, "No run in b is one of these, of 1 that are there.\n")


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("--since", "March"), "--since: 'March' is no day. Write 2026-03-14.\n"),
        (("--until", "9999-12-31"), "--until: '9999-12-31' is no day. Write 2026-03-14.\n"),
        (
            ("--verdict", "good"),
            "--verdict: no verdict 'good'. Choose one of pass, fail, undecided, not measured.\n",
        ),
        (("none",), "none: no such folder. Give a folder that holds results files.\n"),
    ],
)
def test_what_is_refused(here, typed, words, line):
    shown = typed("runs", *words)
    shown.is_one_plain_line()
    assert shown.err == line
