"""``harness devices`` and ``harness record`` on dongles that are not there."""

import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from harness.describe import example_path
from harness.recordings import open_recording, open_take

BENCH = """
name = "shed"
[output]
source = "rtlsdr"
serial = "00000102"
gain_db = 26.0
clock_error_ppm = 38.6
clock_uncertainty_ppm = 0.05
full_scale_dbm = 0.0
full_scale_uncertainty_db = 0.2
[[output.path]]
element = "30 dB pad"
loss_db = 30.0
uncertainty_db = 0.1
[input]
source = "rtlsdr"
serial = "00000101"
gain_db = 0.0
"""
UNIT = example_path("frost-watch-2.toml")


@pytest.fixture
def shed(dongles, counting, tmp_path):
    """A bench file of two dongles; gives a function that says what they do, and its path."""
    path = dongles.stream(counting)

    def plugged(*lines, bench=BENCH):
        for index in (0, 1):
            dongles.plug_in(index, f"stream {path}", "repeat 1", *lines)
        file = tmp_path / "shed.toml"
        file.write_text(bench, encoding="utf-8")
        return file

    return plugged


def samples(recording):
    codes = np.concatenate([block.samples for block in recording.blocks()]).astype(int)
    return codes[:, 0] + 256 * codes[:, 1]


def test_devices_are_listed_with_what_to_write(dongles, typed) -> None:
    dongles.plug_in(0)
    dongles.plug_in(1, "strings -3", "open -3")
    shown = typed("devices")
    assert (shown.status, shown.err) == (0, "")
    assert "Stand-in receiver, R820T" in shown.out
    assert 'serial = "00000101"' in shown.out
    assert "Stand-in receiver, no permission" in shown.out
    assert "not told" in shown.out


def test_no_device_is_said(dongles, typed) -> None:
    shown = typed("devices")
    assert (shown.status, shown.err) == (0, "")
    assert "No RTL-SDR dongles found." in shown.out


def test_a_take_of_two_dongles_is_what_they_gave(shed, typed, dongles, tmp_path) -> None:
    take = tmp_path / "one"
    shown = typed("record", take, "--bench", shed(), "--unit", UNIT, "--seconds", "0.6")
    assert shown.status == 0, shown.err
    recordings = open_take(take).recordings
    assert set(recordings) == {"input", "output"}
    for role, recording in recordings.items():
        assert f"{take}-{role}.sigmf-meta: 0.6" in shown.out
        assert (np.diff(samples(recording)) % 65_536 == 1).all()
    output = recordings["output"]
    # 0.6 s of a clock that is 38.6 ppm fast: 150006.
    assert output.sample_count == 150_006
    assert output.hardware == "RTL-SDR dongle 00000102, R820T"
    assert output.gain_db == 26.0
    assert output.full_scale_dbm == 0.0
    assert output.port_offset_db == 30.0
    assert output.clock_error_ppm == 38.6
    assert recordings["input"].full_scale_dbm is None
    # Frost Watch 2: 153.825 and 158.425 MHz, 40 kHz above the dongles.
    assert dongles.told(1)[-3:] == ["centre 153785000", "stream 16384", "close"]
    assert dongles.told(0)[-3:] == ["centre 158385000", "stream 16384", "close"]


def test_level_clipping_and_loss_are_shown(shed, typed, tmp_path) -> None:
    take = tmp_path / "one"
    shown = typed(
        *("record", take, "--bench", shed("drop 1507328 49152"), "--role", "output"),
        *("--output-centre", "150e6", "--seconds", "3"),
    )
    assert shown.status == 0, shown.err
    lines = " ".join(shown.err.split())
    # The low byte goes through all 256 codes, the high one through part: some at the rails.
    assert "dBm at the port" in lines
    assert "% clipped" in lines
    recording = open_recording(f"{take}-output.sigmf-meta")
    (gap,) = [b.lost_before for b in recording.blocks() if b.lost_before]
    # Three buffers of 8192; 5 ms of the computer's punctuality.
    assert abs(gap - 24_576) <= 1250
    assert f"{gap} lost" in shown.out
    assert "0 clipped" not in shown.out
    assert not list(tmp_path.glob("one.sigmf-collection"))


@pytest.mark.parametrize(
    ("lines", "fault"),
    [
        (("silent 1500000",), "no samples for 1.0 s at"),
        (("vanish 1500000 -4",), "its stream ended at"),
    ],
)
def test_unplugged_what_came_is_kept_as_a_take(lines, fault, shed, typed, tmp_path) -> None:
    take = tmp_path / "one"
    shown = typed("record", take, "--bench", shed(*lines), "--unit", UNIT, "--seconds", "20")
    assert shown.status == 3
    assert shown.out == ""
    assert fault in shown.err.splitlines()[-1]
    for recording in open_take(take).recordings.values():
        assert samples(recording)[-1] == 749_999 % 65_536
    assert not list(tmp_path.glob("*.part"))


def test_silence_in_the_last_read_is_no_success(shed, typed, tmp_path) -> None:
    # The stand-in gives 0.9 s or less of what is asked for.
    words = ("--bench", shed("silent 450000"), "--unit", UNIT, "--look", "0", "--seconds", "0.95")
    shown = typed("record", tmp_path / "one", *words)
    assert shown.status == 3
    assert "unplugged?" in shown.err.splitlines()[-1]


@pytest.mark.parametrize(
    ("words", "bench", "line"),
    [
        ((), BENCH, "shed: [input]: its frequency is not known. Give the unit file, or"),
        (("--unit", UNIT, "--seconds", "0"), BENCH, "--seconds: 0 s is no length."),
        (("--unit", UNIT, "--role", "audio"), BENCH, "--role: no role 'audio'."),
        (
            ("--unit", UNIT, "--role", "input"),
            BENCH[: BENCH.index("[input]")],
            "shed: has no receiver [input].",
        ),
        (
            ("--unit", UNIT, "--role", "input"),
            BENCH.replace("gain_db = 0.0", ""),
            "shed: [input]: gain_db is missing. A dongle's gain is set by hand only",
        ),
        (
            ("--unit", UNIT),
            BENCH.replace("gain_db = 26.0", "gain_db = 26.0\nsample_rate_hz = 500e3"),
            "dongle 00000102: cannot sample at 500000 Hz.",
        ),
        (("--unit", UNIT), 'name = "shed"', "shed: has no receiver [output]."),
    ],
)
def test_what_cannot_be_recorded_is_one_line_and_nothing_is_made(
    words, bench, line, shed, typed, tmp_path
) -> None:
    shown = typed("record", tmp_path / "one", "--bench", shed(bench=bench), *words)
    shown.is_one_plain_line()
    assert shown.err.startswith(line)
    assert not list(tmp_path.glob("one*"))


@pytest.mark.parametrize("taken", ["one-output.sigmf-data", "one.sigmf-collection"])
def test_nothing_is_written_over(taken, shed, typed, tmp_path, dongles) -> None:
    (tmp_path / taken).write_text("mine")
    shown = typed("record", tmp_path / "one", "--bench", shed(), "--unit", UNIT, "--seconds", "1")
    shown.is_one_plain_line()
    assert (tmp_path / taken).read_text() == "mine"
    assert len(list(tmp_path.glob("one*"))) == 1
    assert dongles.told(0) == []


@pytest.mark.parametrize(
    ("seconds", "status", "last"),
    [(("--seconds", "60"), 130, "stopped; what was recorded is kept"), ((), 0, "")],
)
def test_ctrl_c_keeps_a_whole_take(seconds, status, last, shed, tmp_path) -> None:
    take = tmp_path / "one"
    words = ["record", str(take), "--bench", str(shed()), "--unit", str(UNIT), *seconds]
    run = subprocess.Popen(
        [sys.executable, "-m", "harness", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    try:
        part = tmp_path / "one-output.sigmf-data.part"
        while run.poll() is None and not (part.exists() and part.stat().st_size > 100_000):
            time.sleep(0.02)
        run.send_signal(signal.SIGINT)
        out, err = run.communicate()
    finally:
        if run.poll() is None:
            run.kill()
    assert run.returncode == status, err
    assert "Traceback" not in err
    assert not last or err.splitlines()[-1] == last
    assert ("stopped" in err) == bool(last)
    assert bool(out) == (status == 0)
    for recording in open_take(take).recordings.values():
        assert (np.diff(samples(recording)) % 65_536 == 1).all()


def test_the_simulated_bench_can_be_recorded_too(typed, tmp_path) -> None:
    bench = example_path("packing-shed.toml")
    shown = typed("record", tmp_path / "one", "--bench", bench, "--seconds", "0.5")
    assert shown.status == 0, shown.err
    assert set(open_take(tmp_path / "one").recordings) == {"input", "output"}
