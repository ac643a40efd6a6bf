"""``harness demo``, and ``compare`` and ``report`` on what it leaves, as typed.

The demonstration runs whole, but with smaller units (one knob position, no battery) and with
fewer keyings, sweeps and levels: U is wider, the way through is the same. What must hold is
DESIGN sections 5 and 6 and the issue's list of what the demonstration leaves.
"""

import functools

import pytest

import harness.describe
from harness.commands import demo as command
from harness.describe import load_plan, load_unit
from harness.procedures.journal import JOURNAL_NAME
from harness.results import read_run

pytestmark = pytest.mark.slow(reason="two units are accepted, at sample level, once for all")
LITTLE = (
    load_plan("short")
    .doing(["battery"])
    .altered(
        keyings=2, search_dbm=(-122.0, -114.0), quiet_s=0.5, sweeps=1, levels_dbm=(-116.0, -113.0)
    )
)
SMALLER = {"knob_positions": ("12:00",), "battery": None}
TAKES = ("carrier", "sensitivity", "squelch-1200", "squelch-1200-search", "timing")


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """Run it once, and give the folder and what was typed and printed."""
    folder = tmp_path_factory.mktemp("demo") / "out"
    return {"folder": folder}


@pytest.fixture
def little(monkeypatch):
    """Make the demonstration small."""

    def smaller(path):
        return load_unit(path).model_copy(update=SMALLER)

    monkeypatch.setattr(harness.describe, "load_unit", smaller)
    shortened = functools.partial(_demonstrate, command.demonstrate)
    monkeypatch.setattr(command, "demonstrate", shortened)


def _demonstrate(real, folder, _extent):
    real(folder, LITTLE)


@pytest.fixture
def demo(done, little, typed):
    """Give the folder, and what was printed when it was filled."""
    if "typed" not in done:
        done["typed"] = typed("demo", "--out", done["folder"])
    return done["folder"], done["typed"]


def test_it_leaves_recordings_results_and_a_report(demo, left) -> None:
    folder, printed = demo
    assert printed.status == 0, printed.err
    files = set(left(folder))
    wanted = {"report.html", "frost-watch-1/report.html"}
    for unit in ("frost-watch-1", "frost-watch-2"):
        wanted |= {f"{unit}/results.h5", f"{unit}/{JOURNAL_NAME}"}
        for take in TAKES:
            wanted.add(f"{unit}/recordings/{take}.sigmf-collection")
            wanted |= {
                f"{unit}/recordings/{take}-{role}.sigmf-{part}"
                for role in ("input", "output")
                for part in ("meta", "data")
            }
    assert files == wanted
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "Acceptance of Frost Watch 2" in page
    assert "Frost Watch 2 against Frost Watch 1" in page


def test_the_terminal_says_what_was_found_at_80_columns(demo) -> None:
    folder, printed = demo
    lines = printed.out.splitlines()
    assert all(len(line) <= 80 for line in lines if str(folder) not in line), printed.out
    for name in ("frost-watch-2", "frost-watch-1"):
        run = read_run(folder / name / "results.h5")
        assert f"{run.title}: {run.verdict.upper()}" in lines
    # No number stands apart from its unit at the end of a line.
    assert not [line for line in lines if line.split() and line.split()[-1] in ("±", "−")]
    # Where everything is, in one piece, to be copied.
    for path in (
        "report.html",
        "frost-watch-1/report.html",
        "frost-watch-2/results.h5",
        "frost-watch-1/results.h5",
    ):
        assert any(line.endswith(str((folder / path).resolve())) for line in lines), path
    # The attack time that one of two ways cannot give is no news: the other gave it.
    assert "not seen in the output" not in printed.out
    # No limit of a unit without a battery is left unsaid.
    assert "Not measured: Run time: no step measured it." in lines


def test_a_failure_of_the_second_unit_is_told_to_be_meant(demo) -> None:
    folder, printed = demo
    assert read_run(folder / "frost-watch-1" / "results.h5").verdict == "fail"
    words = " ".join(printed.out.split())
    assert "Frost Watch 1 is made to fail, to show what that looks like." in words
    assert "The demonstration itself worked: the exit status is 0." in words
    assert printed.status == 0


def test_progress_and_cautions_go_to_the_other_stream(demo) -> None:
    _, printed = demo
    assert "simulated and invented" in printed.err
    assert "Local rules and licensed practice come first." in printed.err
    assert "output path: 30 dB pad: 36.0 dBm, 10 W continuous" in printed.err
    assert printed.err.count("Attack and hang, 2 keyings") == 2
    assert "Unit 1 of 2: Frost Watch 2" in printed.err
    assert "Unit 2 of 2: Frost Watch 1" in printed.err
    assert all(len(line) <= 80 for line in printed.err.splitlines())


def test_what_was_keyed_before_a_take_is_not_held_against_it(demo) -> None:
    """The unit still hangs from the take before when that of the times begins."""
    folder, _ = demo
    run = read_run(folder / "frost-watch-2" / "results.h5")
    timing = [part for part in run.findings if part.kind == "timing"]
    edges = next(s for part in timing for s in part.series if s.name == "output_keying")
    assert edges.values[0] < 0, "it begins keyed"
    (hang,) = (
        r for r in timing[1].readings if r.name == "hang_time" and r.conditions.get("method")
    )
    assert hang.count == LITTLE.step("keying").keyings
    assert timing[1].cautions == ()


def test_the_truth_of_the_simulated_units_is_printed_nowhere(demo) -> None:
    from harness.simulator import simulated_unit

    folder, printed = demo
    page = (folder / "report.html").read_text(encoding="utf-8")
    for name in ("frost-watch-1", "frost-watch-2"):
        unit = simulated_unit(name)
        for number in (unit.transmitter.crystal_error_ppm, unit.receiver.noise_figure_db):
            assert f"{number:g} ppm" not in printed.out + printed.err + page
            assert f"noise figure {number:g}" not in printed.out + printed.err + page


def test_a_folder_with_something_in_it_is_refused(demo, typed, left) -> None:
    folder, _ = demo
    before = left(folder)
    typed("demo", "--out", folder).is_one_plain_line()
    assert left(folder) == before


@pytest.mark.parametrize("where", ["file", "file/below"])
def test_a_place_that_is_no_folder_is_refused(where, little, typed, tmp_path, left) -> None:
    (tmp_path / "file").write_text("mine")
    typed("demo", "--out", tmp_path / where).is_one_plain_line()
    assert left(tmp_path) == {"file": b"mine"}


@pytest.fixture
def runs(demo):
    folder, printed = demo
    assert printed.status == 0, printed.err
    return folder / "frost-watch-2" / "results.h5", folder / "frost-watch-1" / "results.h5"


def test_compare_says_the_difference_and_its_en(runs, typed, tmp_path, left) -> None:
    shown = typed("compare", *runs)
    assert shown.status == 0
    assert shown.err == ""
    lines = shown.out.splitlines()
    assert all(len(line) <= 80 for line in lines), shown.out
    (row,) = (line for line in lines if line.startswith("Frequency error"))
    # The units differ by some 340 Hz of their crystals; the dongle's own error is shared.
    assert row.endswith("differ")
    assert "+33" in row
    assert "Frost Watch 2 against Frost Watch 1" not in shown.out
    assert left(tmp_path) == {}
    page = tmp_path / "c.html"
    assert typed("compare", *runs, "--out", page).status == 0
    assert "Frost Watch 2 against Frost Watch 1" in page.read_text(encoding="utf-8")


def test_a_run_is_not_compared_with_itself(runs, typed) -> None:
    shown = typed("compare", runs[0], runs[0])
    shown.is_one_plain_line()
    assert "it takes two to compare" in shown.err


def test_report_makes_the_page_beside_the_results(runs, typed, tmp_path, left) -> None:
    run = tmp_path / "run.h5"
    run.write_bytes(runs[0].read_bytes())
    shown = typed("report", run)
    assert shown.status == 0
    assert set(left(tmp_path)) == {"run.h5", "run.html"}
    assert "against Frost" not in (tmp_path / "run.html").read_text(encoding="utf-8")
    assert run.read_bytes() == runs[0].read_bytes()
    other = tmp_path / "other.html"
    assert typed("report", run, "--against", runs[1], "--out", other).status == 0
    assert "against Frost Watch 1" in other.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["compare", "report"])
@pytest.mark.parametrize("kind", ["none", "text", "cut", "folder"])
def test_what_is_no_results_file_gets_one_plain_line(
    name, kind, runs, typed, tmp_path, left
) -> None:
    bad = tmp_path / "bad.h5"
    if kind == "text":
        bad.write_text("reading,value\n")
    elif kind == "cut":
        bad.write_bytes(runs[0].read_bytes()[:5000])
    elif kind == "folder":
        bad.mkdir()
    before = left(tmp_path)
    page = tmp_path / "page.html"
    words = ("compare", runs[0], bad) if name == "compare" else ("report", bad)
    typed(*words, "--out", page).is_one_plain_line()
    assert left(tmp_path) == before


def test_a_page_that_cannot_be_written_gets_one_plain_line(runs, typed, tmp_path, left) -> None:
    typed("report", runs[0], "--out", tmp_path / "none" / "r.html").is_one_plain_line()
    typed("compare", *runs, "--out", tmp_path / "none" / "c.html").is_one_plain_line()
    assert left(tmp_path) == {}


@pytest.mark.parametrize(
    "words", [("report",), ("compare", "--as"), ("report", "--out"), ("reports", "a.h5"), ("--no",)]
)
def test_bad_usage_gets_one_plain_line(words, typed) -> None:
    shown = typed(*words)
    shown.is_one_plain_line()
    assert "--help" in shown.err
