"""``harness calibrate`` as typed: what it writes, shows and refuses.

The truths are what the receiver was made with (tests/truth).
"""

import json
from dataclasses import replace

import pytest

from harness.describe import load_calibration
from harness.measure import bessel_null
from harness.readings import UNCALIBRATED
from tests.measure.test_bessel_null import SHOWN_HZ, settings
from tests.measure.test_calibrate import BENCH, CARRIER_HZ, FILE, FULL_SCALE_DBM, LATE, made


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
    assert scale.lowest_hz == scale.highest_hz == 153.785e6
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


def test_a_discriminator_that_does_not_agree_is_said(tmp_path, typed, monkeypatch) -> None:
    real = bessel_null.calibrate_deviation

    def off_by_one_percent(*asked, **more):
        found = real(*asked, **more)
        return replace(found, read_scale=found.read_scale * 1.01)

    monkeypatch.setattr(bessel_null, "calibrate_deviation", off_by_one_percent)
    shown = typed(
        "calibrate", "deviation", *settings(tmp_path, 1.0), "--serial", "generator 1",
        "--out", tmp_path / "c.toml", "--frequency", CARRIER_HZ,
        "--deviation", ",".join(f"{one:g}" for one in SHOWN_HZ),
    )  # fmt: skip
    assert shown.status == 0, shown.err
    words = " ".join(shown.out.split())
    assert "Caution: the discriminator does not agree; it reads +0.99" in words


@pytest.mark.parametrize(
    ("what", "more", "line"),
    [
        ("volume", (), "no calibration 'volume'"),
        ("level", (), "the known level is missing"),
        ("level", ("--level=-30", "--deviation", 2400), "--deviation: is not for level"),
        ("deviation", (), "--uncertainty: is not for deviation"),
        ("level", ("--level=x",), "no row of numbers"),
        ("level", ("--level=-30,-40",), "2 levels are given for 1 recordings"),
        ("level", ("--level=-30",), "no recording tells its gain"),
        ("frequency", (), "the known frequency is missing"),
        ("frequency", ("--level=-30", "--frequency", CARRIER_HZ), "is not for frequency"),
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


@pytest.mark.parametrize(
    ("scale", "place", "power", "frequency", "word"),
    [
        ("lowest_hz = 150e6\nhighest_hz = 156e6", "", False, False, ""),
        # 153.785 MHz is 9 % above 141, 11 % above 138.5; 9 % below 169, 11 % below 173.
        ("lowest_hz = 140e6\nhighest_hz = 141e6", "", False, False, ""),
        ("lowest_hz = 130e6\nhighest_hz = 138.5e6", "", True, False, "138.500 MHz"),
        ("lowest_hz = 169e6\nhighest_hz = 180e6", "", False, False, ""),
        ("lowest_hz = 173e6\nhighest_hz = 180e6", "", True, False, "173.000 to 180.000"),
        ("", "temperature_degc = 5", False, True, "clock calibration was made at 21.5 degC"),
        ("", "temperature_degc = 31.5", False, False, ""),
        ("temperature_degc = 10", "temperature_degc = 20.1", True, False, "level calib"),
        ("temperature_degc = 10", "temperature_degc = -20", True, True, "is at -20 degC"),
        # Nobody says how warm the bench is.
        ("temperature_degc = 10", "", False, False, ""),
    ],
)
def test_tuning_and_temperature(tmp_path, typed, scale, place, power, frequency, word) -> None:
    """To the very command: what is flagged, what the user reads."""
    held = FILE.replace("valid_until = 2026-07-01\n[receiver.clock]",
                        f"valid_until = 2026-07-01\n{scale}\n[receiver.clock]")  # fmt: skip
    (tmp_path / "c.toml").write_text(held, encoding="utf-8")
    named = BENCH.replace('name = "made"', f'name = "made"\n{place}')
    (tmp_path / "bench.toml").write_text(named, encoding="utf-8")
    path = made(tmp_path, "unit", -20.0, 5.0)
    line = ("measure", "carrier", path, "--bench", tmp_path / "bench.toml", "--at", CARRIER_HZ)
    shown = typed(*line, "--json")
    assert shown.status == 0, shown.err
    found = json.loads(shown.out)
    flags = {one["name"]: one["flags"] for one in found["readings"]}
    assert (UNCALIBRATED in flags["carrier_power"]) == power
    assert (UNCALIBRATED in flags["frequency_error"]) == frequency
    told = [one for one in found["cautions"] if "calibrat" in one]
    assert bool(told) == bool(word)
    assert not word or any(word in one for one in told)
    # The table may fold between the two words.
    assert (UNCALIBRATED in " ".join(typed(*line).out.split())) == bool(word)


@pytest.mark.parametrize(
    ("level_dbfs", "own", "word"),
    [
        (-20.0, {"start": LATE}, "valid until 2026-07-01"),
        (-20.0, {"gain_db": 30.0}, "gain of 30 dB"),
        (-3.0, {}, "outside the calibrated range"),
    ],
)
def test_date_gain_and_level_reach_the_user(tmp_path, typed, level_dbfs, own, word) -> None:
    (tmp_path / "c.toml").write_text(FILE, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    path = made(tmp_path, "unit", level_dbfs, 5.0, **own)
    shown = typed(
        "measure", "carrier", path, "--bench", tmp_path / "bench.toml", "--at", CARRIER_HZ
    )
    assert shown.status == 0, shown.err
    words = " ".join(shown.out.split())
    assert UNCALIBRATED in words
    assert word in words
