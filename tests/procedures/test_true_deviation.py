"""A generator whose deviation scale is known is set so that the true deviation is what is asked."""

from datetime import UTC, date, datetime

import pytest

from harness.describe import DeviationCalibration, load_bench
from harness.errors import BadInput
from harness.instruments.true_deviation import TrueDeviation
from harness.procedures.wiring import open_instruments
from tests.instruments.scpi_responder import Responder
from tests.procedures.test_bench_of_instruments import by_scpi


def scale(tone_hz=1000.0, deviation_scale=1.013, until=date(2035, 1, 1)):
    return DeviationCalibration(
        made_utc=datetime(2026, 6, 21, tzinfo=UTC),
        valid_until=until,
        tone_hz=tone_hz,
        deviation_scale=deviation_scale,
        deviation_scale_uncertainty=0.0005,
        lowest_hz=2200.0,
        highest_hz=2550.0,
    )


class Noted:
    """A generator that keeps what it is told."""

    def __init__(self):
        self.told = []

    def __getattr__(self, name):
        return lambda *values: self.told.append((name, *values))


@pytest.mark.parametrize(
    ("tone_hz", "asked_hz", "set_hz"),
    [
        (1000.0, 1500.0, 1481.0),  # 1500 / 1.013 = 1480.75
        (1004.0, 2500.0, 2468.0),  # 2467.92
        (1000.0, 0.0, 0.0),
        (400.0, 1500.0, 1500.0),  # nothing known at this tone
        (3000.0, 1500.0, 1531.0),  # 1500 / 0.98 = 1530.6
    ],
)
def test_what_is_set_and_what_is_passed_on(tone_hz, asked_hz, set_hz) -> None:
    behind = Noted()
    made = TrueDeviation(behind, [scale(), scale(3000.0, 0.98)])
    made.set_frequency(158.425e6)
    made.set_modulation(tone_hz, asked_hz)
    made.set_level(-80.0)
    made.rf_off()
    assert behind.told == [
        ("set_frequency", 158.425e6),
        ("set_modulation", tone_hz, set_hz),
        ("set_level", -80.0),
        ("rf_off",),
    ]


def test_it_says_what_it_corrects_and_when_it_is_old() -> None:
    made = TrueDeviation(Noted(), [scale(until=date(2026, 7, 1))])
    (only,) = made.cautions(date(2026, 7, 1))
    assert "1.0130 ± 0.0010" in only
    assert "2200 to 2550 Hz" in only
    assert "was valid until 2026-07-01" in made.cautions(date(2026, 7, 2))[1]


def test_the_real_generator_shows_what_makes_the_true_deviation() -> None:
    with Responder() as responder:
        plain = by_scpi(responder)
        known = plain.generator.calibrated((scale(),))
        for bench, shown_hz in (
            (plain, 1500.0),
            (plain.model_copy(update={"generator": known}), 1481.0),
        ):
            with open_instruments(bench) as opened:
                opened.generator.set_modulation(1000.0, 1500.0)
                assert responder.state["deviation"] == pytest.approx(shown_hz, abs=1e-6)
                assert any("deviation is corrected" in one for one in opened.cautions) == (
                    shown_hz != 1500.0
                )


FILE = """
[[generator]]
serial = "one"
[[generator.deviation]]
made_utc = 2026-06-01T12:00:00Z
valid_until = 2027-06-01
tone_hz = 1000.0
deviation_scale = 1.013
deviation_scale_uncertainty = 0.0005
lowest_hz = 2200.0
highest_hz = 2550.0
"""
BENCH = """
name = "made"
[generator]
source = "by hand"
serial = "one"
calibration = "c.toml"
"""


@pytest.mark.parametrize(
    ("file", "bench", "line"),
    [
        (("tone_hz = 1000.0", "tone_hz = 1000.0"), ("", ""), ""),
        (("1.013", "1.3"), ("", ""), "deviation_scale = 1.3 is outside 0.8 to 1.25"),
        (("lowest_hz = 2200.0", "lowest_hz = 2600.0"), ("", ""), "above highest_hz"),
        (("tone_hz = 1000.0", "tone = 1000.0"), ("", ""), "tone"),
        (('serial = "one"', 'serial = "two"'), ("", ""), 'no generator with serial = "one"'),
        (("", ""), ('serial = "one"\n', ""), "calibration and no serial"),
        (("", ""), ("c.toml", "d.toml"), "there is no such file"),
    ],
)
def test_bench_and_calibration_file(tmp_path, file, bench, line) -> None:
    (tmp_path / "c.toml").write_text(FILE.replace(*file), encoding="utf-8")
    (tmp_path / "bench.toml").write_text(BENCH.replace(*bench), encoding="utf-8")
    if line:
        with pytest.raises(BadInput, match=line):
            load_bench(tmp_path / "bench.toml")
        return
    generator = load_bench(tmp_path / "bench.toml").generator
    assert [one.deviation_scale for one in generator.deviation_calibrations] == [1.013]
