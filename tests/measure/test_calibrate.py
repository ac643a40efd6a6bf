"""Calibration against receivers made by construction, and readings held against it.

Every truth is what the maker was set to; the makers import nothing of the program. Combination by
hand after JCGM 100 5.1.2 and G.4.1 (clauses from memory), t from its table G.2 (memory).
"""

import math
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness.describe import load_bench, load_calibration, write_calibration
from harness.errors import BadInput
from harness.measure.calibrate import calibrate_frequency, calibrate_level
from harness.measure.run import measure_recordings
from harness.readings import UNCALIBRATED, Limit, judged
from tests.truth.files import write_pair
from tests.truth.signals import Carrier, Dongle

RATE_HZ = 250e3
CENTRE_HZ = 153.785e6
CARRIER_HZ = 153.825e6
FULL_SCALE_DBM = -21.7
RECORDED = datetime(2026, 6, 21, 4, 30, tzinfo=UTC)


def made(
    folder: Path, name: str, level_dbfs: float, truth_ppm: float = 0.0, start=RECORDED, **own
) -> Path:
    dongle = Dongle(
        sample_rate_hz=RATE_HZ,
        centre_hz=CENTRE_HZ,
        clock_error_ppm=truth_ppm,
        noise_dbfs_hz=-110.0,
        carriers=(Carrier(frequency_hz=CARRIER_HZ, level_dbfs=level_dbfs),),
    )
    chunks = dongle.chunks(round(2 * RATE_HZ))
    return write_pair(
        folder / name, chunks, "ci16_le", RATE_HZ, CENTRE_HZ, fields=own or None, start=start
    )


def test_level_scale_and_linearity(tmp_path) -> None:
    """Known levels are 0.2 dB off the line in turn, so the residuals are known as well."""
    bent_db = (0.2, -0.2, 0.2, -0.2)
    dbfs = (-10.0, -20.0, -30.0, -40.0)
    paths = [made(tmp_path, f"l{n}", level, gain_db=20.0) for n, level in enumerate(dbfs)]
    known = [FULL_SCALE_DBM + a + b for a, b in zip(dbfs, bent_db, strict=True)]
    found = calibrate_level(paths, known, 0.3, at_hz=CARRIER_HZ)
    # 0.03 dB: noise at 30 dB in the channel, 5 sigma over 2 s, is below 0.01; goal 0.1 dB.
    assert found.full_scale_dbm == pytest.approx(FULL_SCALE_DBM, abs=0.03)
    assert found.residuals_db == pytest.approx(bent_db, abs=0.03)
    assert found.gain_db == 20.0
    scatter = math.sqrt(4 * 0.2**2 / 3) * math.sqrt(1 + 1 / 4)
    standard = math.hypot(0.3, scatter)
    freedom = standard**4 / (scatter**4 / 3)
    # t at 95.45 %: 2.17 at 16, 2.16 at 17 degrees of freedom (table G.2, from memory), each
    # to half of its last digit; 1 % for the noise in the scatter that was found.
    assert 16 < freedom < 17
    assert 0.99 * 2.155 < 2 * found.standard_uncertainty_db / standard < 1.01 * 2.175


def test_what_the_recording_says_of_its_scale_is_taken_out(tmp_path) -> None:
    path = made(tmp_path, "own", -15.0, full_scale_dbm=-3.0, port_offset_db=40.0)
    found = calibrate_level([path], [FULL_SCALE_DBM - 15.0], 0.25, at_hz=CARRIER_HZ)
    assert found.full_scale_dbm == pytest.approx(FULL_SCALE_DBM, abs=0.03)
    # One level: the declared part, and a repeatability far below it.
    assert found.standard_uncertainty_db == pytest.approx(0.25, rel=0.02)


@pytest.mark.parametrize("declared", [None, 10.0])
@pytest.mark.parametrize("truth_ppm", [38.6, -12.5, 0.0])
def test_clock_error_is_positive_when_fast(tmp_path, truth_ppm, declared) -> None:
    own = {} if declared is None else {"clock_error_ppm": declared}
    path = made(tmp_path, "clock", -10.0, truth_ppm, **own)
    found = calibrate_frequency(path, CARRIER_HZ, 1.5)
    # DESIGN: frequency error 0.5 Hz, here 0.00325 ppm.
    assert found.clock_error_ppm == pytest.approx(truth_ppm, abs=0.5 / 153.825)
    assert found.standard_uncertainty_ppm == pytest.approx(1.5 / 153.825, rel=0.05)


def test_no_calibration_rests_on_what_is_unfit(tmp_path) -> None:
    clipped = made(tmp_path, "clipped", 3.0)
    one, other = (made(tmp_path, f"g{n}", -10.0, gain_db=n) for n in (10.0, 20.0))
    with pytest.raises(BadInput, match="clipped"):
        calibrate_level([clipped], [-20.0], 0.3, at_hz=CARRIER_HZ)
    with pytest.raises(BadInput, match="different gains"):
        calibrate_level([one, other], [-20.0, -20.0], 0.3, at_hz=CARRIER_HZ)
    with pytest.raises(BadInput, match="2 levels are given for 1"):
        calibrate_level([one], [-20.0, -30.0], 0.3)
    with pytest.raises(BadInput, match="no carrier"):
        calibrate_frequency(one, CENTRE_HZ - 60e3, 1.0)


FILE = f"""
[[receiver]]
serial = "00000101"
[[receiver.level]]
gain_db = 20.0
full_scale_dbm = {FULL_SCALE_DBM}
full_scale_uncertainty_db = 0.3
lowest_dbm = -60.0
highest_dbm = -30.0
made_utc = 2026-06-01T12:00:00Z
valid_until = 2026-07-01
[receiver.clock]
clock_error_ppm = 5.0
clock_uncertainty_ppm = 0.01
frequency_hz = 153.825e6
made_utc = 2026-06-01T12:00:00Z
valid_until = 2026-07-01
temperature_degc = 21.5
"""
BENCH = """
name = "made"
[output]
source = "recording"
serial = "00000101"
gain_db = 20.0
calibration = "c.toml"
path = [{element = "pad", loss_db = 40.0, uncertainty_db = 0.1}]
"""


@pytest.fixture
def bench(tmp_path):
    (tmp_path / "c.toml").write_text(FILE, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    return load_bench(tmp_path / "bench.toml")


LATE = datetime(2026, 7, 2, 0, 0, tzinfo=UTC)
LAST = datetime(2026, 7, 1, 23, 59, tzinfo=UTC)


@pytest.mark.parametrize(
    ("level_dbfs", "start", "own", "power", "frequency", "word"),
    [
        (-20.0, RECORDED, {"gain_db": 20.0}, False, False, ""),
        (-20.0, LAST, {}, False, False, ""),
        (-20.0, LATE, {}, True, True, "valid until 2026-07-01"),
        (-20.0, RECORDED, {"gain_db": 30.0}, True, False, "gain of 30 dB"),
        (-3.0, RECORDED, {}, True, False, "outside the calibrated range"),
        (-45.0, RECORDED, {}, True, False, "outside the calibrated range"),
        # -29.8 dBm at the connector: beyond the range, within the 0.5 dB of its edge.
        (-8.1, RECORDED, {}, False, False, ""),
    ],
)
def test_readings_outside_say_so(
    tmp_path, bench, level_dbfs, start, own, power, frequency, word
) -> None:
    path = made(tmp_path, "unit", level_dbfs, 5.0, start=start, **own)
    findings = measure_recordings("carrier", [path], bench=bench, at_hz=CARRIER_HZ)
    limits = (Limit(reading="carrier_power", unit="dBm", minimum=-100.0, source="chosen"),)
    readings = {one.name: one for one in judged(findings.readings, limits)}
    assert readings["carrier_power"].value == pytest.approx(
        FULL_SCALE_DBM + level_dbfs + 40.0, abs=0.05
    )
    assert readings["frequency_error"].value == pytest.approx(0.0, abs=0.5)
    assert (UNCALIBRATED in readings["carrier_power"].flags) == power
    assert (UNCALIBRATED in readings["frequency_error"].flags) == frequency
    assert readings["carrier_power"].verdict == ("undecided" if power else "pass")
    told = [one for one in findings.cautions if "calibrat" in one]
    assert bool(told) == bool(word)
    assert all(word in one for one in told)


def test_the_file_comes_back_as_it_was_written(tmp_path, bench) -> None:
    held = load_calibration(tmp_path / "c.toml")
    write_calibration(tmp_path / "d.toml", held)
    assert load_calibration(tmp_path / "d.toml") == held
    assert not list(tmp_path.glob("*.new"))
    assert {c.source for c in bench.output.clock_contributions("made")} == {"calibration file"}


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("full_scale_dbm", "full_scale_db", 'did you mean "full_scale_dbm"'),
        ("gain_db = 20.0", "gain_db = nan", "not a finite number"),
        ("lowest_dbm = -60.0", "lowest_dbm = -20.0", "above highest_dbm"),
        ("valid_until = 2026-07-01", "valid_until = 2026-05-01", "lies before made_utc"),
        ("12:00:00Z", "12:00:00", "no time zone"),
        ("temperature_degc = 21.5", "temperature_degc = 400", "outside -60 to 100"),
        ('serial = "00000101"', 'serial = "00000102"', "no receiver with serial"),
        ("gain_db = 20.0", "gain_db = 30.0", "not calibrated"),
        ("[[receiver]]", "[[receivers]]", "receiver"),
    ],
)
def test_hostile_files_are_refused(tmp_path, bench, old, new, line) -> None:
    (tmp_path / "c.toml").write_text(FILE.replace(old, new), encoding="utf-8")
    with pytest.raises(BadInput, match=line) as refused:
        load_bench(tmp_path / "bench.toml")
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("gain_db = 20.0", "gain_db = 20.0\nfull_scale_dbm = -20\nfull_scale_uncertainty_db = 1",
         "has full_scale_dbm, and so has its calibration"),
        ("gain_db = 20.0", "gain_db = 20.0\nclock_error_ppm = 1\nclock_uncertainty_ppm = 1",
         "has clock_error_ppm, and so has its calibration"),
        ("gain_db = 20.0", "", "calibration and no gain_db"),
        ('serial = "00000101"', "", "calibration and no serial"),
        ("c.toml", "missing.toml", "there is no such file"),
    ],
)  # fmt: skip
def test_a_bench_file_that_does_not_fit(tmp_path, bench, old, new, line) -> None:
    (tmp_path / "bench.toml").write_text(BENCH.replace(old, new), encoding="utf-8")
    with pytest.raises(BadInput, match=line):
        load_bench(tmp_path / "bench.toml")
