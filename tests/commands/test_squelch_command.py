"""``harness squelch``, as typed, on the simulated bench."""

import pytest

from harness.describe import example_path
from harness.procedures import squelch_depths

UNIT = example_path("frost-watch-2.toml")
BENCH = example_path("packing-shed.toml")


@pytest.fixture
def little(monkeypatch):
    """Fewer sweeps: what is looked at here is what is printed and left."""
    from dataclasses import replace

    quick = replace(squelch_depths.QUICK, keyings=2, sweeps=3, least=3, listening_s=1.0)
    monkeypatch.setitem(squelch_depths.DEPTHS, "quick", quick)


def test_it_says_first_how_long_it_takes_and_leaves_report_and_results(
    typed, left, little, tmp_path
) -> None:
    out = tmp_path / "run"
    words = (
        "squelch", UNIT, BENCH, "--knob", "12:00", "--knob", "9:00", "--quiet", "2s", "--out", out
    )  # fmt: skip
    shown = typed(*words)
    assert shown.status in (0, 4), shown.err
    assert shown.err.startswith("Squelch, quick, at 9:00, 12:00: about")
    assert "of bench time" in shown.err
    assert shown.out.index("Knob at 9:00") < shown.out.index("Knob at 12:00")
    for word in ("always keyed", "Squelch opening", "Hang time", "SINAD at opening", "Report:"):
        assert word in shown.out
    assert (out / "report.html").exists()
    before = left(out)
    typed(*words).is_one_plain_line()
    assert left(out) == before


@pytest.mark.parametrize(
    "words",
    [
        ("--knob", "6:15"),
        ("--quiet", "long"),
        ("--quiet", "0s"),
        ("--quiet", "2w"),
        ("--only-quiet",),
        ("--depth", "deep"),
    ],
    ids=str,
)
def test_bad_input_is_one_plain_line_and_leaves_nothing(words, typed, tmp_path) -> None:
    out = tmp_path / "run"
    typed("squelch", UNIT, BENCH, *words, "--out", out).is_one_plain_line()
    assert not out.exists()
