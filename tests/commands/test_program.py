"""What holds for every command: help, errors, and an end from outside."""

import os
import re
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile

from harness.commands import app as program
from harness.commands import plain_help
from harness.errors import HardwareFault

COMMANDS = (
    "demo",
    "squelch",
    "discharge",
    "levels",
    "duplexer",
    "field",
    "devices",
    "health",
    "record",
    "measure",
    "import",
    "report",
    "verify",
    "compare",
    "runs",
    "export",
    "instruments",
    "play",
    "listen",
    "self-check",
)


@pytest.mark.parametrize("words", [(), ("--help",), ("-h",)])
def test_help_fits_a_screen_and_names_every_command(words, typed) -> None:
    shown = typed(*words)
    assert (shown.status, shown.err) == (0, "")
    assert len(shown.out.splitlines()) <= 24
    assert all(command in shown.out for command in COMMANDS)
    # A line that folds begins further in.
    listed = shown.out.partition("Commands:\n")[2].splitlines()
    assert all(re.match(r"  [a-z]", line) for line in listed)


def test_commands_share_a_line_only_when_all_of_them_are_there(typed, monkeypatch) -> None:
    rows = ((("play", "listen"), "Both."), (("report", "no-such"), "Never shown."))
    monkeypatch.setattr(plain_help, "TOGETHER", rows)
    shown = typed().out
    assert re.search(r"^  play, listen +Both\.$", shown, re.MULTILINE)
    assert re.search(r"^  report +Write", shown, re.MULTILINE)
    assert "no-such" not in shown


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_has_help_and_refuses_what_it_does_not_know(command, typed) -> None:
    shown = typed(command, "--help")
    assert (shown.status, shown.err) == (0, "")
    typed(command, "--no-such-option").is_one_plain_line()


@pytest.mark.parametrize(
    ("error", "status", "line"),
    [
        (HardwareFault("silent", "dongle 2", "Plug it in."), 3, "dongle 2: silent. Plug it in.\n"),
        (KeyboardInterrupt(), 130, "stopped; what was recorded is kept\n"),
    ],
)
def test_errors_become_a_line_and_a_status(error, status, line, monkeypatch, typed) -> None:
    def broken(**_):
        raise error

    monkeypatch.setattr(program, "app", broken)
    shown = typed("demo")
    shown.is_one_plain_line(status)
    assert shown.err == line


def test_a_defect_is_no_plain_line(monkeypatch) -> None:
    def broken(**_):
        raise ZeroDivisionError

    monkeypatch.setattr(program, "app", broken)
    with pytest.raises(ZeroDivisionError):
        program.main()


def test_it_starts_without_what_only_the_tests_need() -> None:
    """Of the packages beside the standard library, only those that a plain set-up installs."""
    code = (
        "import sys; import harness.commands.app; "
        "print(*sorted({name.partition('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment()
    )
    loaded = set(done.stdout.split())
    assert "typer" in loaded
    assert not loaded & {"click", "pytest", "hypothesis", "scipy", "matplotlib", "h5py"}


def test_measuring_loads_no_driver(tmp_path) -> None:
    """Libraries of devices come with the device, not with a recording that is measured."""
    audio = tmp_path / "tone.wav"
    soundfile.write(audio, np.sin(2.0 * np.pi * np.arange(48000) / 48.0), 48000)
    code = (
        "import sys\n"
        f"sys.argv = ['harness', 'measure', 'audio', {str(audio)!r}, '--json']\n"
        "import harness, harness.procedures.wiring\n"
        "from harness.commands.app import main\n"
        "try:\n    main()\nexcept SystemExit as ended:\n    assert not ended.code\n"
        "print(*sorted({name.partition('.')[0] for name in sys.modules}), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment()
    )
    assert '"sinad"' in done.stdout
    loaded = set(done.stderr.split())
    assert "soundfile" in loaded
    assert not loaded & {"pyvisa", "pyvisa_py", "serial", "usb", "sounddevice"}


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "COLUMNS": "80"}


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_a_run_with_what_was_recorded(number, tmp_path) -> None:
    folder = tmp_path / "out"
    recordings = folder / "frost-watch-2" / "recordings"
    run = subprocess.Popen(
        [sys.executable, "-m", "harness", "demo", "--out", str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(),
    )
    try:
        while run.poll() is None and not list(recordings.glob("carrier-output*")):
            time.sleep(0.02)
        run.send_signal(number)
        out, err = run.communicate()
    finally:
        if run.poll() is None:
            run.kill()
    assert run.returncode == 128 + number
    assert out == ""
    assert err.splitlines()[-1] == "stopped; what was recorded is kept"
    assert "Traceback" not in err
    assert not list(recordings.glob("*.part"))
