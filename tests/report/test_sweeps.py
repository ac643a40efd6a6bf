"""Readings at many levels: a compact table in the report, a sentence in the comparison.

Rows are exact; a sweep is more than three levels (chosen).
"""

from dataclasses import replace

import numpy as np
import pytest

from harness.compare import compare_runs
from harness.readings import Axis, Findings, Limit, Series, judged, measured, not_measured
from harness.report.compared import compared
from harness.report.content import content_of
from harness.report.figures import figures_of
from harness.report.sweeps import sweep_table
from harness.results import Run
from harness.uncertainty import Contribution
from tests.report.test_report import Page, write_report


def sinad(level_dbm: float, value_db: float):
    return measured(
        "sinad",
        value_db,
        (Contribution(name=f"{level_dbm}", standard_uncertainty=0.1, kind="A", source="chosen"),),
        count=2,
        conditions={"weighting": "flat", "input_level_port_dbm": level_dbm},
    )


def sweep(levels_dbm, measured_dbm=None, above_db=130.0) -> Findings:
    series = Series(
        name="sinad_against_level",
        unit="dB",
        axes=(
            Axis(
                name="input_level_port",
                unit="dBm",
                values=np.sort(np.asarray(levels_dbm if measured_dbm is None else measured_dbm)),
            ),
        ),
        values=np.arange(float(len(levels_dbm))),
    )
    readings = tuple(sinad(level, level + above_db) for level in levels_dbm)
    return Findings(kind="audio", readings=readings, series=(series,))


HANG = measured(
    "hang_time",
    0.6,
    (Contribution(name="hang", standard_uncertainty=0.001, kind="A", source="chosen"),),
    count=2,
)


@pytest.fixture
def run_of(sample):
    def made(*findings: Findings, **more) -> Run:
        return replace(sample.sample_run(), findings=findings, limits=(), **more)

    return made


FIVE = (-110.0, -112.0, -114.0, -116.0, -118.0)


def test_many_levels_are_one_compact_table(run_of, tmp_path) -> None:
    write_report(tmp_path / "r.html", run_of(sweep(FIVE)))
    page = Page((tmp_path / "r.html").read_text(encoding="utf-8"))
    rows = [row for row in page.rows if "± 0.20 dB" in row]
    assert rows == [f"−{-level:.1f} dBm {level + 130:.2f} ± 0.20 dB" for level in FIVE]
    assert not [row for row in page.rows if row.startswith("SINAD") and "±" in row]
    assert "Level SINAD, flat weighting" in page.rows


def test_three_levels_stay_readings(run_of) -> None:
    (section,) = content_of(run_of(sweep(FIVE[:3]))).sections
    assert [line.title for line in section.lines] == ["SINAD"] * 3
    assert section.sweeps == ()


def test_what_a_limit_judges_stays_a_reading(run_of) -> None:
    limit = Limit(
        reading="sinad",
        unit="dB",
        source="chosen",
        minimum=5.0,
        where={"input_level_port_dbm": (-111.0, -109.0)},
    )
    part = sweep((*FIVE, -120.0))
    part = replace(part, readings=judged(part.readings, (limit,)))
    (section,) = content_of(run_of(part)).sections
    assert [(line.value, line.verdict) for line in section.lines] == [("20.00 ± 0.20 dB", "pass")]
    assert [row[0] for row in section.sweeps[0].rows] == [f"−{-n:.1f} dBm" for n in part_levels()]


def part_levels() -> tuple[float, ...]:
    return (*FIVE[1:], -120.0)


@pytest.mark.parametrize(
    ("off_db", "headings", "words"),
    [
        (0.0, ("Level",), "levels from −118 dBm to −110 dBm, as set;"),
        (0.24, ("Level set", "Level measured"), "from −117.8 dBm to −109.8 dBm, as measured;"),
    ],
)
def test_figure_and_table_say_whose_levels_they_show(off_db, headings, words) -> None:
    part = sweep(FIVE, [level + off_db for level in FIVE])
    table = sweep_table(part)
    assert table.headings[:-1] == headings
    if off_db:
        assert table.rows[0][:2] == ("−110.0 dBm", "−109.76 dBm")
    (figure,) = figures_of("audio", (part,))
    assert words in figure.description


def test_where_the_levels_do_not_belong_together_nothing_is_said_of_them() -> None:
    part = replace(sweep(FIVE), readings=(sinad(-80.0, 40.0),))
    (figure,) = figures_of("audio", (part,))
    assert "as set" not in figure.description
    assert "as measured" not in figure.description


def test_the_comparison_folds_a_sweep_into_a_sentence(run_of) -> None:
    error = not_measured("frequency_error", "no carrier")
    one = run_of(sweep(FIVE), Findings(kind="carrier", readings=(error,)))
    other = run_of(sweep(FIVE, above_db=128.0))
    words = compared(compare_runs(one, other, "A", "B"))
    assert words.lines == ()
    assert words.sweeps == (
        "SINAD (flat weighting) at 5 levels from −118 dBm to −110 dBm: B minus A is −2.00 dB to"
        " −2.00 dB; at 5 of 5 levels they differ by more than their uncertainties.",
    )
    assert words.summary == "There is nothing that both runs can answer for."


def test_another_take_at_its_own_level_is_no_part_of_a_sweep(run_of) -> None:
    """The reading at a strong signal stands in a row, though it is judged by no limit."""
    strong, other = sweep((-80.0,)), Findings(kind="timing", readings=(HANG,))
    one = run_of(strong, other, sweep(FIVE))
    words = compared(compare_runs(one, one, "A", "B"))
    assert [(line.title, line.conditions) for line in words.lines] == [
        ("SINAD", "flat weighting, −80 dBm at the input"),
        ("Hang time", ""),
    ]
    assert "at 5 levels" in words.sweeps[0]


def test_units_that_give_the_runs_their_names_are_not_told_apart_once_more(run_of) -> None:
    one = run_of(unit={"name": "Frost Watch 2"})
    other = run_of(unit={"name": "Frost Watch 1"})
    named = compared(compare_runs(one, other, "Frost Watch 2", "Frost Watch 1"))
    assert not [remark for remark in named.remarks if "unit" in remark]
    dated = compared(compare_runs(one, other, "A", "B"))
    assert "The unit is not the same: Frost Watch 2 in A, Frost Watch 1 in B." in dated.remarks


def test_a_sweep_in_one_run_only_is_one_row(run_of) -> None:
    words = compared(compare_runs(run_of(sweep(FIVE)), run_of(), "A", "B"))
    assert len(words.unmatched) == 1
    assert words.unmatched[0][:3] == ("SINAD", "flat weighting", "A: at 5 levels")
