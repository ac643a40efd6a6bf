"""The table of truth, got and goal says what it was given, and says so when a goal is missed."""

import pytest

from benchmarks.accuracy.__main__ import coverage_row, first_row, page
from benchmarks.accuracy.trial import Outcome, Truth


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


def test_a_page_holds_both_tables():
    text = page(2, ["frequency_drift"])
    assert text.count("| frequency_drift (Hz) |") == 6
    assert "outside" not in text.split("How often")[0]
