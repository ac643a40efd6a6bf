"""``harness calibrate`` as typed: what it writes, shows and refuses.

The truths are what the receiver was made with (tests/truth).
"""

import pytest

from harness.describe import load_calibration
from tests.measure.test_bessel_null import SHOWN_HZ, settings
from tests.measure.test_calibrate import CARRIER_HZ, FULL_SCALE_DBM, made


@pytest.fixture
def words(tmp_path):
    return ("--serial", "00000101", "--out", tmp_path / "c.toml")


def test_level_then_frequency_stand_in_one_file(tmp_path, typed, words, left) -> None:
    paths = [made(tmp_path, f"l{n}", -10.0 * n, 12.0, gain_db=20.0) for n in (1, 2)]
    known = ",".join(f"{FULL_SCALE_DBM - 10.0 * n:.1f}" for n in (1, 2))
    at = ("--frequency", CARRIER_HZ)
    level = ("calibrate", "level", *paths, *words, *at, f"--level={known}", "--uncertainty", 0.3)
    shown = typed(*level, "--temperature", 21.5)
    assert shown.status == 0, shown.err
    assert "linearity" in shown.out
    assert "-31.70 dBm" in shown.out
    found = typed("calibrate", "frequency", paths[0], *words, *at, "--uncertainty", 1)
    assert found.status == 0, found.err
    held = load_calibration(tmp_path / "c.toml").of("00000101")
    (scale,) = held.level
    assert scale.full_scale_dbm == pytest.approx(FULL_SCALE_DBM, abs=0.03)
    assert (scale.gain_db, scale.temperature_degc) == (20.0, 21.5)
    assert (scale.lowest_dbm, scale.highest_dbm) == (-41.7, -31.7)
    # The recording was made on 2026-06-21; 365 days on.
    assert str(scale.valid_until) == "2027-06-21"
    assert held.clock is not None
    assert held.clock.clock_error_ppm == pytest.approx(12.0, abs=0.5 / 153.825)
    before = left(tmp_path)
    typed(*level).is_one_plain_line()
    assert left(tmp_path) == before
    again = typed(*level, "--again", "--valid-days", 10)
    assert again.status == 0, again.err
    held = load_calibration(tmp_path / "c.toml").of("00000101")
    assert str(held.level[0].valid_until) == "2026-07-01"
    assert held.clock is not None


def test_deviation_stands_beside_the_receivers(tmp_path, typed, words) -> None:
    path = made(tmp_path, "clock", -10.0)
    at = ("--frequency", CARRIER_HZ)
    clock = typed("calibrate", "frequency", path, *words, *at, "--uncertainty", 1)
    assert clock.status == 0, clock.err
    paths = settings(tmp_path, 1.013)
    given = ("--deviation", ",".join(f"{one:g}" for one in SHOWN_HZ))
    mine = ("--serial", "generator 1", "--out", tmp_path / "c.toml")
    shown = typed("calibrate", "deviation", *paths, *mine, *given, *at)
    assert shown.status == 0, shown.err
    assert "The discriminator agrees" in shown.out
    assert "level calibration" not in shown.out
    held = load_calibration(tmp_path / "c.toml")
    assert held.of("00000101").clock is not None
    (scale,) = held.of_generator("generator 1").deviation
    assert scale.deviation_scale == pytest.approx(1.013, rel=5e-4)
    assert (scale.lowest_hz, scale.highest_hz) == (2200.0, 2550.0)
    assert scale.tone_hz == pytest.approx(1000.0, abs=0.05)
    once_more = typed("calibrate", "deviation", *paths, *mine, *given)
    once_more.is_one_plain_line()
    assert "--again" in once_more.err


@pytest.mark.parametrize(
    ("what", "more", "line"),
    [
        ("volume", (), "no calibration 'volume'"),
        ("level", (), "the known level is missing"),
        ("level", ("--level=-30", "--deviation", 2400), "--deviation: is not for a level"),
        ("deviation", (), "--uncertainty: is not for a deviation"),
        ("level", ("--level=x",), "no row of numbers"),
        ("level", ("--level=-30,-40",), "2 levels are given for 1 recordings"),
        ("level", ("--level=-30",), "no recording tells its gain"),
        ("frequency", (), "the known frequency is missing"),
        ("frequency", ("--level=-30", "--frequency", CARRIER_HZ), "is not for a frequency"),
        ("frequency", ("--frequency", "153.825"), "153.825 MHz is 153.825e6"),
        ("frequency", ("--frequency", "nan"), "--frequency"),
        ("level", ("--level=900", "--gain", 20), "is outside -150 to 60 dBm"),
        ("level", ("--level=-30", "--gain", "nan"), "not a finite number"),
        ("frequency", ("--frequency", CARRIER_HZ, "--temperature", "nan"), "not a finite number"),
        ("frequency", ("--frequency", CARRIER_HZ, "--valid-days", 0), "Give 1 to 36525"),
    ],
)
def test_what_cannot_be_is_one_line(tmp_path, typed, words, what, more, line) -> None:
    path = made(tmp_path, "one", -10.0)
    shown = typed("calibrate", what, path, *words, *more, "--uncertainty", 0.3)
    shown.is_one_plain_line()
    assert line in shown.err
    assert not (tmp_path / "c.toml").exists()


def test_a_known_carrier_without_its_uncertainty(tmp_path, typed, words) -> None:
    path = made(tmp_path, "one", -10.0)
    for what, more in (("level", ("--level=-30",)), ("frequency", ("--frequency", CARRIER_HZ))):
        shown = typed("calibrate", what, path, *words, *more)
        shown.is_one_plain_line()
        assert "the uncertainty of what is known is missing" in shown.err


def test_audio_is_no_carrier(tmp_path, typed, words) -> None:
    path = made(tmp_path, "heard", -10.0, role="audio", gain_db=20.0)
    shown = typed("calibrate", "level", path, *words, "--level=-30", "--uncertainty", 0.3)
    shown.is_one_plain_line()
    assert "its role is audio" in shown.err


def test_what_the_measurement_says_is_passed_on(tmp_path, typed, words) -> None:
    path = made(tmp_path, "one", -10.0, gain_db=20.0)
    shown = typed("calibrate", "level", path, *words, "--level=-30", "--uncertainty", 0.3)
    assert shown.status == 0, shown.err
    assert "the strongest emission" in " ".join(shown.out.split())
    assert "No level calibration" not in shown.out


def test_another_file_is_not_written_over(tmp_path, typed, words) -> None:
    path = made(tmp_path, "one", -10.0)
    (tmp_path / "c.toml").write_text('name = "a bench"\n', encoding="utf-8")
    more = ("--frequency", CARRIER_HZ, "--uncertainty", 1)
    typed("calibrate", "frequency", path, *words, *more).is_one_plain_line()
    assert (tmp_path / "c.toml").read_text(encoding="utf-8") == 'name = "a bench"\n'
