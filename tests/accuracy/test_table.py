"""The table of truth, got and goal says what it was given, and says so when a goal is missed."""

import json

import pytest

from benchmarks.accuracy.__main__ import coverage_row, first_row, page, summary, trials
from benchmarks.accuracy.kept import Kept, digests
from benchmarks.accuracy.trial import Outcome, Trial, Truth


def got(value, half, truth=20.0, goal=0.2):
    return Outcome(
        truth=Truth(reading="sinad", value=truth, goal=goal),
        value=value,
        lower=value - half,
        upper=value + half,
        expanded_uncertainty=half,
    )


@pytest.mark.parametrize(
    ("value", "within"), [(20.19, "yes"), (20.21, "no"), (19.81, "yes"), (19.79, "no")]
)
def test_within_the_goal_or_not(value, within):
    cells = [cell.strip() for cell in first_row("a signal", got(value, 0.1)).strip("|").split("|")]
    assert cells[:4] == ["sinad (dB)", "a signal", "20.0000", f"{value:.4f}"]
    assert cells[6] == f"{value - 20.0:+.4f}"
    assert cells[7] == within


@pytest.mark.parametrize(
    ("holding", "share", "said"),
    [
        (18, "90.0 %", ""),
        (17, "85.0 %", "outside 90 to 99 %"),
        (20, "100.0 %", "outside 90 to 99 %"),
    ],
)
def test_coverage_is_counted(holding, share, said):
    outcomes = [got(20.05, 0.06 if n < holding else 0.04) for n in range(20)]
    cells = [cell.strip() for cell in coverage_row("a signal", outcomes).split("|")][1:-1]
    assert cells[2] == share
    assert cells[3] == "+0.05000"
    assert cells[7] == said


def test_what_was_not_measured_counts_as_missed():
    missing = Outcome(truth=Truth(reading="sinad", value=20.0, goal=0.2), value=None)
    assert first_row("a signal", missing).endswith("| no |")
    cells = [cell.strip() for cell in coverage_row("a signal", [missing, missing]).split("|")]
    assert cells[3] == "0.0 %"
    assert cells[7] == "0 %"


def test_a_page_holds_both_tables(tmp_path, monkeypatch):
    monkeypatch.setattr("benchmarks.accuracy.kept.FOLDER", tmp_path)
    text = page(2, ["frequency_drift"])
    rows = sum(t.reading == "frequency_drift" for *_, one in trials() for t in one.truths_of(1))
    assert text.count("| frequency_drift (Hz) |") == 2 * rows
    assert text.index("rows, ") < text.index("## Truth")
    assert "## How often" in text


def trial(**more):
    return Trial(signal="a signal", truths=(), measure=lambda draw, folder: None, **more)


def test_the_summary_counts_and_says_why():
    inside = [got(20.05, 0.06 if n < 19 else 0.04) for n in range(20)]
    outside = [got(20.05, 0.06) for _ in range(20)]
    rows = [(trial(), inside), (trial(), outside), (trial(why={"sinad": "because"}), outside)]
    text = summary(rows)
    assert text.startswith("Of 3 rows, 1 (33 %)")
    assert "(by chance of 83.2 to 100.0 %); so many draws do not tell it from 99 %." in text
    # Clopper and Pearson for 20 of 20: 0.025 to the power of 1/20 is 0.832.
    assert "100.0 % (by chance of 83.2 to 100.0 %); because." in text
    assert "Outside" not in summary(rows[:1])


def test_a_share_that_chance_does_not_explain_is_called_so():
    # 15 of 20 may come from 51 to 91 %, 8 of 20 from 19 to 64 % (Clopper and Pearson).
    some = [got(20.05, 0.06 if n < 15 else 0.04) for n in range(20)]
    few = [got(20.05, 0.06 if n < 8 else 0.04) for n in range(20)]
    text = summary([(trial(), some), (trial(), few)])
    assert "75.0 % (by chance of 50.9 to 91.3 %); so many draws do not tell it from 90 %." in text
    assert "40.0 % (by chance of 19.1 to 63.9 %); not explained." in text


def test_every_reading_has_five_signals():
    held = {}
    for *_, one in trials():
        for name in {truth.reading for truth in one.truths_of(1)}:
            held.setdefault(name, set()).add(one.signal)
    few = {name: len(signals) for name, signals in held.items() if len(signals) < 5}
    assert set(few) == {"subaudible_deviation"}  # stands beside the tone that it belongs to


NOW = {"harness/a.py": "1", "harness/b.py": "2", "harness/data/t.csv": "3"}


def test_outcomes_are_kept_and_come_back_alike(tmp_path):
    columns = [
        [got(20.05, 0.06), Outcome(truth=Truth(reading="sinad", value=1.0, goal=0.2), value=None)]
    ]
    kept = Kept(NOW, tmp_path)
    assert kept.read("a signal", 2) is None
    kept.write("a signal", 2, columns, ["harness/a.py"])
    assert Kept(NOW, tmp_path).read("a signal", 2) == columns
    assert kept.read("a signal", 3) is None
    assert kept.read("another", 2) is None


@pytest.mark.parametrize(
    ("change", "is_kept"),
    [
        ({"harness/a.py": "9"}, False),
        ({"harness/b.py": "9"}, True),  # not loaded
        ({"harness/data/t.csv": "9"}, False),  # tables are read, not loaded
        ({"harness/data/new.csv": "9"}, False),
        ({"harness/c.py": "9"}, True),  # nothing that was loaded names it
    ],
)
def test_other_code_discards_what_was_kept(tmp_path, change, is_kept):
    Kept(NOW, tmp_path).write("a signal", 1, [[got(20.05, 0.06)]], ["harness/a.py"])
    assert (Kept(NOW | change, tmp_path).read("a signal", 1) is not None) is is_kept
    assert Kept(NOW, tmp_path).read("a signal", 1) is not None


def test_a_file_that_is_gone_discards_what_was_kept(tmp_path):
    Kept(NOW, tmp_path).write("a signal", 1, [[got(20.05, 0.06)]], ["harness/a.py"])
    assert Kept({"harness/data/t.csv": "3"}, tmp_path).read("a signal", 1) is None


@pytest.mark.parametrize("change", ["bytes", "name", "new"])
def test_any_change_of_a_file_is_another_code(tmp_path, change):
    (tmp_path / "harness" / "data").mkdir(parents=True)
    path = tmp_path / "harness" / "data" / "table.csv"
    path.write_text("1,2\n")
    before = digests(tmp_path, ("harness",))
    assert digests(tmp_path, ("harness",)) == before
    if change == "bytes":
        path.write_text("1,3\n")
    elif change == "name":
        path.rename(path.with_name("other.csv"))
    else:
        path.with_name("new.csv").write_text("")
    assert digests(tmp_path, ("harness",)) != before


def test_a_worker_names_the_files_of_its_room_alone(tmp_path, monkeypatch):
    monkeypatch.setattr("benchmarks.accuracy.kept.FOLDER", tmp_path)
    page(1, ["frequency_drift"])
    files = {
        name for each in tmp_path.glob("*.json") for name in json.loads(each.read_text())["files"]
    }
    assert {"harness/measure/discharge.py", "benchmarks/accuracy/discharge.py"} <= files
    assert "harness/measure/audio.py" not in files
