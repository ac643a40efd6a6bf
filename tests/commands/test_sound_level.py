"""A sound card's voltage scale, and the audio level in volts, on sines made from their formula.

A card whose full scale is ``FULL_SCALE_V`` (root mean square of a sine that just reaches it) turns
a sine of v volts root mean square into one of amplitude v / FULL_SCALE_V.
"""

import json
from datetime import UTC, datetime

import numpy as np
import pytest
import soundfile

from harness.describe import load_bench, load_calibration
from harness.errors import BadInput
from harness.measure.sound_level import calibrate_sound
from harness.readings import UNCALIBRATED
from tests.truth.files import write_pair

FULL_SCALE_V = 1.234
RATE_HZ = 48000
VOLTS = (1.0, 0.3, 0.1)


def samples(volts, *, seconds=2.0, tone_hz=1000.0, noise_v=1e-4, offset=0.01, draw=1):
    n = np.arange(round(seconds * RATE_HZ))
    sine = volts * np.sqrt(2.0) * np.sin(2.0 * np.pi * tone_hz * n / RATE_HZ + 0.7)
    noise = noise_v * np.random.default_rng([draw, 5]).standard_normal(len(n))
    return np.clip((sine + noise) / (FULL_SCALE_V * np.sqrt(2.0)) + offset, -1.0, 32767 / 32768)


def heard(folder, name, volts, suffix=".wav", **more):
    path = folder / f"{name}{suffix}"
    soundfile.write(path, samples(volts, **more), RATE_HZ, subtype="PCM_16")
    return path


@pytest.mark.parametrize("suffix", [".wav", ".flac"])
def test_the_voltage_of_full_scale(tmp_path, suffix) -> None:
    paths = [heard(tmp_path, f"v{n}", v, suffix) for n, v in enumerate(VOLTS)]
    found = calibrate_sound(paths, VOLTS, 0.05)
    # 1e-4: noise at 1e-4 V over 96 000 samples, 5 sigma at 0.1 V is 2e-5; steps of 16 bit less.
    assert found.full_scale_v == pytest.approx(FULL_SCALE_V, rel=1e-4)
    assert found.residuals_db == pytest.approx((0.0, 0.0, 0.0), abs=1e-3)
    assert found.standard_uncertainty_db == pytest.approx(0.05, rel=0.02)
    assert found.tone_hz == pytest.approx(1000.0, abs=0.02)


def test_bent_levels_are_the_linearity(tmp_path) -> None:
    """By hand: scatter of +0.2, 0, -0.2 dB is 0.2; with sqrt(1 + 1/3) and t at 2 degrees, 4.53."""
    paths = [heard(tmp_path, f"v{n}", v) for n, v in enumerate(VOLTS)]
    bent = [v * 10.0 ** (b / 20.0) for v, b in zip(VOLTS, (0.2, 0.0, -0.2), strict=True)]
    found = calibrate_sound(paths, bent, 0.0)
    assert found.residuals_db == pytest.approx((0.2, 0.0, -0.2), abs=1e-3)
    # t at 95.45 % and 2 degrees of freedom: 4.53 (JCGM 100 table G.2, from memory).
    expected = 4.53 / 2.0 * 0.2 * np.sqrt(4.0 / 3.0)
    assert found.standard_uncertainty_db == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(
    ("volts", "more", "line"),
    [
        (1.3, {}, "clipped"),
        (0.5, {"seconds": 0.8}, "too short"),
        (0.5, {"noise_v": 0.1}, "% of other audio"),
        (1e-5, {"noise_v": 0.1}, "tone"),
        (0.5, {"tone_hz": 50.0}, "steady tone of 1 kHz"),
    ],
)
def test_what_no_scale_can_rest_on(tmp_path, volts, more, line) -> None:
    path = heard(tmp_path, "one", volts, **more)
    with pytest.raises(BadInput, match=line) as refused:
        calibrate_sound([path], [volts], 0.1)
    assert "\n" not in str(refused.value)


def test_numbers_and_recordings_that_do_not_fit(tmp_path) -> None:
    path = heard(tmp_path, "one", 0.5)
    with pytest.raises(BadInput, match="2 voltages are given for 1"):
        calibrate_sound([path], [0.5, 0.1], 0.1)
    with pytest.raises(BadInput, match="0 or less"):
        calibrate_sound([path], [-0.5], 0.1)
    radio = write_pair(tmp_path / "iq", [np.zeros(1000, complex)], "cu8", 250e3, 153e6)
    with pytest.raises(BadInput, match="is a radio recording"):
        calibrate_sound([radio], [0.5], 0.1)


BENCH = """
name = "made"
{place}
[sound]
source = "recording"
input_device = "line in"
calibration = "c.toml"
"""
RECORDED = datetime(2026, 6, 21, 4, 30, tzinfo=UTC)


@pytest.fixture
def calibrated(tmp_path, typed):
    """A calibration file made by the command, of a recording that bears a date."""
    paths = [
        write_pair(
            tmp_path / f"v{n}",
            [samples(v)],
            "ri16_le",
            RATE_HZ,
            None,
            fields={"role": "audio"},
            start=RECORDED,
        )
        for n, v in enumerate(VOLTS)
    ]
    shown = typed(
        "calibrate", "sound", *paths, "--serial", "line in", "--out", tmp_path / "c.toml",
        "--volts", "1,0.3,0.1", "--uncertainty", 0.05, "--temperature", 20,
    )  # fmt: skip
    assert shown.status == 0, shown.err
    assert "A sine of full scale is 1.234 V" in shown.out
    return tmp_path


@pytest.mark.parametrize(
    ("volts", "start", "place", "word"),
    [
        (0.5, RECORDED, "", ""),
        (0.5, datetime(2027, 6, 22, tzinfo=UTC), "", "valid until 2027-06-21"),
        (0.05, RECORDED, "", "0.05 V is outside the calibrated range, 0.1 to 1 V"),
        # 0.095 V is 0.45 dB below the range.
        (0.095, RECORDED, "", ""),
        (0.5, RECORDED, "temperature_degc = -5", "calibration was made at 20 degC"),
    ],
)
def test_the_audio_level_in_volts(calibrated, typed, volts, start, place, word) -> None:
    (calibrated / "bench.toml").write_text(BENCH.format(place=place), encoding="utf-8")
    path = write_pair(
        calibrated / "heard", [samples(volts, draw=3)], "ri16_le", RATE_HZ, None,
        fields={"role": "audio"}, start=start,
    )  # fmt: skip
    shown = typed("measure", "audio", path, "--bench", calibrated / "bench.toml", "--json")
    assert shown.status == 0, shown.err
    found = json.loads(shown.out)
    level = next(one for one in found["readings"] if one["name"] == "audio_level")
    # Noise of 1e-4 V adds 2e-6 at 0.05 V; 16 bit less; 1e-3 is 0.01 dB.
    assert level["value"] == pytest.approx(volts, rel=1e-3)
    # 0.05 dB, twice: 1.16 %.
    assert level["expanded_uncertainty"] == pytest.approx(0.01157 * volts, rel=0.05)
    assert level["note"] == f"{20.0 * np.log10(volts / 0.7746):+.2f} dBu"
    assert (UNCALIBRATED in level["flags"]) == bool(word)
    told = [one for one in found["cautions"] if "calibrat" in one]
    assert bool(told) == bool(word)
    assert all(word in one for one in told)


def test_an_audio_file_bears_no_date(calibrated, typed) -> None:
    (calibrated / "bench.toml").write_text(BENCH.format(place=""), encoding="utf-8")
    path = heard(calibrated, "plain", 0.5)
    shown = typed("measure", "audio", path, "--bench", calibrated / "bench.toml")
    assert shown.status == 0, shown.err
    words = " ".join(shown.out.split())
    assert "Audio level" in words
    assert "it bears no date" in words
    without = typed("measure", "audio", path)
    assert "Audio level" not in without.out


def test_the_file_and_the_bench_are_held_together(calibrated) -> None:
    held = load_calibration(calibrated / "c.toml").of_sound("line in")
    assert held is not None
    assert held.full_scale_v == pytest.approx(FULL_SCALE_V, rel=1e-4)
    assert (held.lowest_v, held.highest_v, held.temperature_degc) == (0.1, 1.0, 20.0)
    for old, new, line in (
        ('input_device = "line in"\n', "", "calibration and no input_device"),
        ('"line in"', '"mic"', 'no .*sound.* with input_device = "mic"'),
        ("c.toml", "d.toml", "there is no such file"),
    ):
        text = BENCH.format(place="").replace(old, new)
        (calibrated / "bench.toml").write_text(text, encoding="utf-8")
        with pytest.raises(BadInput, match=line):
            load_bench(calibrated / "bench.toml")
