"""The sound card on a PulseAudio null sink and its monitor: what is played is what is heard.

A daemon of our own, with its own folder and socket, so that no sound server of the computer is
touched. The programs run as people start them; what they record is measured by the harness.
"""

import ctypes.util
import itertools
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile

from harness.errors import BadInput, HardwareFault
from harness.instruments import sound_card
from harness.recordings import open_audio, open_recording

pytestmark = pytest.mark.slow(reason="what is played takes as long as it sounds")
PATIENCE_S = 60
NEEDED = "apt-get install pulseaudio libportaudio2 libasound2-plugins"


def missing(what: str) -> None:
    """Skip where sound cannot be played here; in CI it has to be."""
    reason = f"{what} is not there ({NEEDED})"
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="module")
def surroundings(tmp_path_factory):
    """Start a sound server with one null sink; give the environment to find it in."""
    if shutil.which("pulseaudio") is None:
        missing("pulseaudio")
    if ctypes.util.find_library("portaudio") is None:
        missing("libportaudio2")
    home = tmp_path_factory.mktemp("pulse")
    home.chmod(0o700)
    socket = home / "socket"
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(sys.path),
        "COLUMNS": "80",
        "HOME": str(home),
        "XDG_RUNTIME_DIR": str(home),
        "PULSE_RUNTIME_PATH": str(home),
        "PULSE_SERVER": f"unix:{socket}",
        "PULSE_SINK": "cable",
        "PULSE_SOURCE": "cable.monitor",
    }
    # As root too: no idle time, no configuration of the computer's, one socket.
    words = ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no"]
    words += ["--disable-shm=yes", "--realtime=no", "--high-priority=no"]
    for module in (
        f"module-native-protocol-unix socket={socket} auth-anonymous=1",
        "module-null-sink sink_name=cable rate=48000 format=float32le channels=2",
    ):
        words += ["-L", module]
    server = {key: value for key, value in environment.items() if key != "PULSE_SERVER"}
    with open(home / "log", "wb") as log:
        daemon = subprocess.Popen(words, env=server, stdout=log, stderr=log)
    try:
        deadline = time.monotonic() + PATIENCE_S
        while not socket.exists():
            told = (home / "log").read_text()
            assert daemon.poll() is None, told
            assert time.monotonic() < deadline, told
            time.sleep(0.05)
        yield environment
    finally:
        daemon.terminate()
        daemon.wait(PATIENCE_S)


@pytest.fixture
def bench(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(
        'name = "sound bench"\n[sound]\nsource = "sound card"\n'
        'input_device = "pulse"\noutput_device = "pulse"\n'
    )
    return path


def start(environment, *words):
    return subprocess.Popen(
        [sys.executable, "-m", "harness", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
    )


def done(process, status=0):
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == status, err
    return out, err


def begun(process):
    """Wait until the first samples have come."""
    assert process.stderr.readline() == "listening to pulse\n"


def heard(environment, bench, path, *played):
    """Record while something is played, to its end; give what both said."""
    listening = start(environment, "listen", path, "--bench", bench)
    try:
        begun(listening)
        out, _ = done(start(environment, "play", *played, "--bench", bench))
        # What is on its way from the player arrives.
        time.sleep(0.5)
        listening.send_signal(signal.SIGINT)
        _, err = done(listening, 130)
    finally:
        if listening.poll() is None:
            listening.kill()
            listening.communicate()
    assert err.splitlines()[-1] == f"stopped by the operator. What came is in {path}."
    assert "ran dry" not in out
    return out


def where_it_sounds(path):
    """Give the span of the file in which something is heard, in s, and its samples."""
    samples, rate_hz = soundfile.read(path)
    loud = np.flatnonzero(np.abs(samples) > 1e-5)
    return loud[0] / rate_hz, loud[-1] / rate_hz, samples, rate_hz


def measured(path, *words):
    out = subprocess.run(
        [sys.executable, "-m", "harness", "measure", "audio", str(path), "--json", *words],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    ).stdout
    return json.loads(out)


def test_a_tone_arrives_as_it_was_played(surroundings, bench, tmp_path) -> None:
    path = tmp_path / "tone.flac"
    out = heard(surroundings, bench, path, "tone", "--seconds", 4, "--level=-20")
    assert out == "played tone for 4 s on pulse\n"
    begin_s, end_s, samples, rate_hz = where_it_sounds(path)
    # Whole: 5 ms of edge stay below what counts as sound for less than a millisecond.
    assert end_s - begin_s == pytest.approx(4.0, abs=0.002)
    middle = samples[round((begin_s + 1) * rate_hz) : round((end_s - 1) * rate_hz)]
    assert np.abs(middle).max() == pytest.approx(0.1, rel=1e-4)
    found = measured(path, "--span", f"{begin_s + 0.5:.3f}:{end_s - 0.5:.3f}")
    by_name = {reading["name"]: reading for reading in found["readings"]}
    # DESIGN's goal for the frequency. No analogue part is in the way: 24 bits at -20 dBFS leave
    # 126 dB, and a single lost sample some 30.
    assert by_name["tone_frequency"]["value"] == pytest.approx(1000.0, abs=0.02)
    assert by_name["sinad"]["value"] > 100.0
    assert not any("missing" in caution for caution in found["cautions"])
    assert open_audio(path).lost == ()


@pytest.mark.parametrize("signal_name", ["multitone", "stepped", "sweep"])
def test_a_response_is_flat_over_a_wire(signal_name, surroundings, bench, tmp_path) -> None:
    path = tmp_path / f"{signal_name}.wav"
    heard(surroundings, bench, path, signal_name, "--seconds", 6)
    begin_s, end_s, _, _ = where_it_sounds(path)
    found = measured(path, "--span", f"{begin_s + 0.1:.3f}:{end_s - 0.1:.3f}")
    (response,) = [series for series in found["series"] if series["name"] == "audio_response"]
    values = [value for value in response["values"] if value is not None]
    assert len(values) >= 8
    # DESIGN's goal for the response: 0.2 dB.
    assert max(map(abs, values)) < 0.2


def test_a_ramp_rises_as_it_was_asked(surroundings, bench, tmp_path) -> None:
    path = tmp_path / "ramp.flac"
    words = ("--seconds", 4, "--from-level=-40", "--level=-10")
    heard(surroundings, bench, path, "ramp", *words)
    begin_s, _, samples, rate_hz = where_it_sounds(path)
    for at_s in (1.0, 2.0, 3.0):
        first = round((begin_s + at_s) * rate_hz)
        rms = np.sqrt((samples[first - 240 : first + 240] ** 2).mean())
        # The beginning is known to a millisecond or so: 0.0075 dB.
        expected_dbfs = -40.0 + 30.0 * at_s / 4.0
        assert 20 * np.log10(rms * np.sqrt(2)) == pytest.approx(expected_dbfs, abs=0.05)


def test_a_sigmf_recording_carries_its_label_and_device(surroundings, bench, tmp_path) -> None:
    path = tmp_path / "audio.sigmf-meta"
    words = ("--seconds", 1.5, "--label", "swept tone", "--note", "knob at 3:30")
    out, _ = done(start(surroundings, "listen", path, "--bench", bench, *words))
    assert out == f"{path}: 72000 samples, 1.5 s at 48000 Hz\n"
    recording = open_recording(path)
    assert (recording.role, recording.datatype) == ("audio", "rf32_le")
    assert recording.hardware == "sound card pulse"
    assert recording.note == "knob at 3:30"
    assert [(note.label, note.sample_count) for note in recording.annotations] == [
        ("swept tone", 72000)
    ]
    recording.verify()


def test_a_kill_keeps_what_came(surroundings, bench, tmp_path) -> None:
    path = tmp_path / "killed.wav"
    listening = start(surroundings, "listen", path, "--bench", bench)
    begun(listening)
    time.sleep(0.5)
    listening.send_signal(signal.SIGTERM)
    _, err = done(listening, 143)
    assert err.splitlines()[-1] == "stopped; what was recorded is kept"
    assert open_audio(path).sample_count > 10_000
    assert not list(tmp_path.glob("*.part"))


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("play", "tone"), 'sound card: no output device is called "cellar"'),
        (
            ("listen", "a.wav"),
            'sound card: no input device is called "cellar"',
        ),
    ],
)
def test_a_device_that_is_not_there_is_named_with_those_that_are(
    words, line, surroundings, bench, tmp_path
) -> None:
    bench.write_text(bench.read_text().replace("pulse", "cellar"))
    words = [tmp_path / word if word.endswith(".wav") else word for word in words]
    process = start(surroundings, *words, "--bench", bench)
    out, err = done(process, 2)
    assert out == ""
    assert not (tmp_path / "a.wav").exists()
    assert re.fullmatch(line + r'. There is: .*"pulse".*\n', err), err


def test_an_underrun_is_counted(surroundings) -> None:
    """A computer that is held up for a second: the card runs dry, and that is said."""
    code = (
        "import time\n"
        "import numpy as np\n"
        "from harness.instruments.sound_card import play\n"
        "from harness.instruments.tones import TestTones\n"
        "calls = []\n"
        "def at(time_s):\n"
        "    calls.append(0)\n"
        "    if len(calls) == 8:\n"
        "        time.sleep(1.5)\n"
        "    return 0.1 * np.sin(6283.0 * time_s)\n"
        "tones = TestTones(label='', duration_s=2.0, at=at)\n"
        "print(play(tones, 'pulse', sample_rate_hz=48000.0).underruns)\n"
    )
    process = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=surroundings
    )
    assert int(process.stdout) >= 1


def test_without_portaudio_the_package_is_named(tmp_path, bench) -> None:
    code = (
        "import ctypes.util, sys\n"
        "ctypes.util.find_library = lambda name: None\n"
        f"sys.argv = ['harness', 'play', 'tone', '--bench', {str(bench)!r}]\n"
        "from harness.commands.app import main\n"
        "main()\n"
    )
    process = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert process.returncode == 2
    assert process.stdout == ""
    assert process.stderr == (
        "sound card: the library PortAudio is not there. Install the system's package"
        " libportaudio2.\n"
    )


class Stamps:
    """When the first sample of a call was taken, on the card's own clock."""

    def __init__(self, at_s):
        self.inputBufferAdcTime = at_s


@pytest.fixture
def deaf(monkeypatch):
    """A sound input that nobody calls but the test; the flags are those of the library."""
    if ctypes.util.find_library("portaudio") is None:
        missing("libportaudio2")
    monkeypatch.setattr(sound_card, "_named", lambda device, direction: device)
    monkeypatch.setattr(sound_card, "SILENT_S", 0.05)
    return sound_card.SoundInput("deaf", sample_rate_hz=48000.0)


CALL = np.arange(480, dtype=np.float32)[:, None] / 480
OVERFLOW = 0x2
"""paInputOverflow in portaudio.h, as sounddevice has it too."""


def flags(value):
    import sounddevice

    return sounddevice.CallbackFlags(value)


def test_an_overrun_becomes_a_gap_as_long_as_the_card_was_late(deaf) -> None:
    # 10 ms a call; before the third 25 ms are missing, before the fourth nobody knows how much.
    for at_s, flag in ((1.0, 0), (1.01, 0), (1.045, OVERFLOW), (1.055, OVERFLOW), (1.065, 0)):
        deaf._take(CALL, 480, Stamps(at_s), flags(flag))
    blocks = list(deaf.blocks(3361 / 48000))
    assert [(block.start, block.lost_before) for block in blocks] == [
        (0, 0),
        (480, 0),
        (960 + 1200, 1200),
        (960 + 1200 + 480 + 1, 1),
        (960 + 1200 + 960 + 1, 0),
    ]
    assert (deaf.overruns, deaf.lost) == (2, 1201)
    assert deaf.flags.input_overflow


def test_what_nobody_takes_in_time_is_a_gap(deaf) -> None:
    for number in range(sound_card.QUEUE_BLOCKS + 3):
        deaf._take(CALL, 480, Stamps(1.0 + 0.01 * number), flags(0))
    taken = list(itertools.islice(deaf.blocks(), sound_card.QUEUE_BLOCKS))
    assert not any(block.lost_before for block in taken)
    deaf._take(CALL, 480, Stamps(9.0), flags(0))
    after = next(deaf.blocks())
    assert after.lost_before == 3 * 480
    assert after.start == taken[-1].end + 3 * 480


def test_a_block_is_a_copy(deaf) -> None:
    memory = CALL.copy()
    deaf._take(memory, 480, Stamps(1.0), flags(0))
    memory[:] = 0.0
    block = next(deaf.blocks())
    assert np.array_equal(block.samples, CALL[:, 0])
    assert not block.samples.flags.writeable


def test_a_card_that_falls_silent_is_told(deaf) -> None:
    deaf._take(CALL, 480, Stamps(1.0), flags(0))
    blocks = deaf.blocks(1.0)
    next(blocks)
    with pytest.raises(HardwareFault, match=r"sound card deaf: nothing for .* unplugged\?"):
        next(blocks)


@pytest.mark.parametrize("direction", ["input", "output"])
def test_no_device_is_taken_by_itself(direction, monkeypatch) -> None:
    known = (sound_card.SoundDevice(name="a", inputs=1, outputs=1),)
    monkeypatch.setattr(sound_card, "sound_devices", lambda: (*known, *known))
    with pytest.raises(BadInput, match=f'Write {direction}_device into .sound. .*: "a"'):
        sound_card._named(None, direction)
    with pytest.raises(BadInput, match='several devices are called "a"'):
        sound_card._named("a", direction)
