"""``harness compare`` of several runs: which way it goes, what it prints, its page and its JSON.

What is reckoned is in tests/compare; here all rows are exact.
"""

import functools
import json
import re
from datetime import timedelta

import numpy as np
import pytest

from harness.commands import runs_to_compare
from harness.results import index, read_run, write_run
from tests.compare.made_runs import SHARED, START, made, reading, state
from tests.results.many_runs import write_small

READ = functools.cache(read_run)
"""Each file once: reading is tested elsewhere, and takes most of the time here."""
LATER = START + timedelta(days=3)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A fleet of seven, six years of one of them, and a repair."""
    folder = tmp_path_factory.mktemp("many")
    rng = np.random.default_rng(1)
    for number in range(7):
        deaf = 5.0 if number == 3 else 0.0
        levels = [
            reading("sinad", 20.0 + level, 0.1, conditions={"input_level_port_dbm": -110.0 + level})
            for level in range(10)
        ]
        write_run(
            _place(folder / "fleet", number),
            made(
                f"Frost Watch {number}",
                reading("sensitivity_12db_sinad", -118.2 + 0.4 * rng.normal() + deaf, 0.1, SHARED),
                reading("carrier_power", 36.0, 0.1, SHARED),
                state("chatters" if number == 2 else "normal"),
                *levels,
                unit={"rated_power_w": 25.0 if number == 6 else 4.0},
            ).run,
        )
    for number in range(6):
        write_run(
            _place(folder / "years", number),
            made(
                "Frost Watch 9",
                reading("carrier_power", 36.0 - 0.2 * number + 0.01 * rng.normal(), 0.05, SHARED),
                reading("hang_time", 1.2 + 0.01 * rng.normal(), 0.01),
                when=START + timedelta(days=365.25 * number),
                verdict="fail" if number == 5 else "pass",
            ).run,
        )
    write_run(
        folder / "before.h5",
        made("A", reading("sinad", 10.0, 0.1), state("chatters"), verdict="fail").run,
    )
    write_run(
        folder / "after.h5",
        made("A", reading("sinad", 20.0, 0.1), state("normal"), when=LATER).run,
    )
    return folder


def _place(folder, number):
    folder.mkdir(exist_ok=True)
    return folder / f"{number}.h5"


@pytest.fixture(autouse=True)
def here(folder, monkeypatch, tmp_path):
    monkeypatch.setattr(index, "index_path", lambda: tmp_path / "cache" / "runs.sqlite")
    monkeypatch.setattr(runs_to_compare, "read_run", lambda path: READ(path.resolve()))
    monkeypatch.chdir(folder)


def test_a_fleet(typed, tmp_path):
    page = tmp_path / "fleet.html"
    shown = typed("compare", "fleet", "--out", page)
    assert (shown.status, shown.err) == (0, "")
    assert "What stands out in" in shown.out
    assert "Frost Watch 3 in Sensitivity, 12 dB SINAD" in shown.out
    assert "chatters: Frost Watch 2" in shown.out
    assert "the units are not rated alike (rated_power_w)" in shown.out
    # Ten levels are a sentence, not ten rows.
    assert len(re.findall("^SINAD", shown.out, re.MULTILINE)) == 0
    assert "SINAD is compared under 10 conditions" in shown.out
    html = page.read_text(encoding="utf-8")
    assert "Frost Watch 3, stands out" in html
    assert html.count("<figure>") == 1
    assert "<script" not in html
    assert 'role="img" aria-labelledby' in html


def test_years(typed, tmp_path):
    page = tmp_path / "years.html"
    shown = typed("compare", "years", "--expect", "2026-03-14", "--out", page)
    assert (shown.status, shown.err) == (0, "")
    words = " ".join(shown.out.split())
    assert "6 runs from 2020-03-14 to 2025-03-14." in words
    assert "Of 2 readings 1 move by more than the uncertainties: Carrier power" in words
    assert "expected 2026-03-14" in words
    assert "the calibration that all runs share, ± 0.60 dB, is left out of the line" in words
    assert page.read_text(encoding="utf-8").count("<figure>") == 2


def test_a_repair(typed, tmp_path):
    page = tmp_path / "repair.html"
    shown = typed("compare", "--before", "before.h5", "--after", "after.h5", "--out", page)
    assert (shown.status, shown.err) == (0, "")
    words = " ".join(shown.out.split())
    assert (
        "Of 2 quantities 0 became worse and 2 better, 0 changed otherwise, 0 did not change as far"
        " as can be seen. The verdict was fail and is pass." in words
    )
    assert "SINAD 10.00 ± 0.20 dB 20.00 ± 0.20 dB +10.00 ± 0.28 dB +35" in words
    assert "<figure>" in page.read_text(encoding="utf-8")


def test_two_runs_have_their_differences_drawn(typed, tmp_path):
    page = tmp_path / "two.html"
    shown = typed("compare", "before.h5", "after.h5", "--out", page)
    assert (shown.status, shown.err) == (0, "")
    html = page.read_text(encoding="utf-8")
    assert "SINAD, differ (En +35)" in html
    assert html.count("<figure>") == 1


def way(typed, *words):
    shown = typed("compare", *words, "--json")
    assert (shown.status, shown.err) == (0, "")
    told = json.loads(shown.out)
    assert told["schema"] == 1
    return told


@pytest.mark.parametrize(
    ("words", "expected", "count"),
    [
        (("before.h5", "after.h5"), "two", 2),
        (("years/0.h5", "years/1.h5"), "two", 2),
        (("years/0.h5", "years/1.h5", "years/2.h5"), "years", 3),
        (("fleet/0.h5", "fleet/1.h5", "before.h5"), "fleet", 3),
        (("fleet/0.h5", "fleet/1.h5", "--as", "fleet"), "fleet", 2),
        (("years", "--until", "2021-12-31", "--as", "years"), "years", 2),
        # The newest of each unit.
        (("years", "fleet"), "fleet", 8),
        ((".", "--unit", "frost watch 9"), "years", 6),
        ((".", "--unit", "frost watch 9", "--verdict", "pass"), "years", 5),
        ((".", "--unit", "frost watch 9", "--since", "2023-01-01"), "years", 3),
    ],
)
def test_the_way_is_that_of_the_runs(typed, words, expected, count):
    told = way(typed, *words)
    assert told["way"] == expected
    runs = [told["a"], told["b"]] if expected == "two" else told["runs"]
    assert len(runs) == count


def test_json_of_two_is_what_is_printed(typed):
    told = way(typed, "before.h5", "after.h5")
    assert (told["a"]["verdict"], told["b"]["verdict"]) == ("fail", "pass")
    row, words = told["quantities"]
    assert (row["name"], row["difference"], row["better"]) == ("sinad", 10.0, "b")
    assert row["en"] == pytest.approx(10.0 / row["expanded_uncertainty"], rel=1e-12)
    assert (words["difference"], words["agrees"]) == (None, False)


def test_json_of_a_repair_has_a_change_for_each(typed):
    told = way(typed, "--before", "before.h5", "--after", "after.h5")
    (unit,) = told["units"]
    assert [row["change"] for row in unit["quantities"]] == ["better", "better"]


def test_json_of_a_fleet_and_of_years(typed):
    fleet = way(typed, "fleet")
    sensitivity = next(q for q in fleet["quantities"] if q["name"] == "sensitivity_12db_sinad")
    apart = [one["run"] for one in sensitivity["units"] if one["stands_out"]]
    assert [fleet["runs"][place]["unit"] for place in apart] == ["Frost Watch 3"]
    years = way(typed, "years")
    power = next(q for q in years["quantities"] if q["name"] == "carrier_power")
    assert power["trend"]["is_told"]
    assert power["trend"]["slope_per_year"] == pytest.approx(-0.2, abs=0.02)


def test_a_copy_counts_once_and_what_cannot_be_read_is_said(typed, folder, tmp_path):
    copies = tmp_path / "copies"
    copies.mkdir()
    for number in (0, 1, 2):
        (copies / f"{number}.h5").write_bytes((folder / "years" / f"{number}.h5").read_bytes())
    (copies / "again.h5").write_bytes((copies / "0.h5").read_bytes())
    (copies / "junk.h5").write_text("junk")
    shown = typed("compare", copies)
    assert shown.status == 0
    assert "1 file is a copy of another and counted once." in shown.out
    assert f"{copies}/junk.h5: is no results file" in shown.out
    assert "3 runs from 2020-03-14" in shown.out
    copy, junk = way(typed, copies)["notices"]
    assert "no results file" in junk + copy
    assert "counted once" in junk + copy


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ((), "harness compare: no run, and it takes two to compare."),
        (("before.h5",), "before.h5: one run only, and it takes two to compare."),
        (("before.h5", "before.h5"), "before.h5, before.h5: one run only"),
        (("fleet", "--unit", "none"), "fleet: no run, and it takes two to compare."),
        (
            ("before.h5", "after.h5", "--unit", "A"),
            "--unit, --since, --until, --verdict: no folder is given to choose runs from.",
        ),
        (("years", "--as", "two"), "--as two: 6 runs are given. Give two."),
        (("years", "--as", "fleet"), "--as fleet: all runs are of one unit."),
        (("fleet", "--as", "years"), "Frost Watch 0, Frost Watch 1"),
        (("fleet", "--as", "best"), "--as: no way 'best'. Choose one of two, fleet, years."),
        (("fleet", "--expect", "2027-01-01"), "--expect: is for one unit over years."),
        (("years", "--expect", "soon"), "--expect: 'soon' is no day. Write 2026-03-14."),
        (("--before", "before.h5"), "--after: no run of A."),
        (
            ("years", "--before", "before.h5", "--after", "after.h5"),
            "years: goes without --before and --after. Leave it out.",
        ),
        (("fleet", "--out", "page.txt"), "page.txt: the page is HTML"),
    ],
)
def test_what_is_refused(typed, words, line):
    shown = typed("compare", *words)
    shown.is_one_plain_line()
    assert shown.err.startswith(line)


def test_a_run_without_readings_has_nothing_to_compare(typed, tmp_path):
    for number in range(3):
        write_small(tmp_path / "small" / f"{number}.h5", when=START + timedelta(days=number))
    shown = typed("compare", tmp_path / "small")
    assert shown.status == 0
    assert "no trend can be told" in shown.out
