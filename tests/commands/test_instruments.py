"""``harness instruments``: by SCPI against a responder, by hand at a pseudo-terminal, and its ends.

The program runs as people start it, in a process of its own; signals go to that.
"""

import os
import pty
import re
import select
import signal
import subprocess
import sys
import time

import pytest

from tests.instruments.scpi_responder import GREETING, Fault, Responder

PATIENCE_S = 60
AT = ("--at", "158.425e6")


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "COLUMNS": "80", "TERM": "dumb"}


def command(*words: object) -> list[str]:
    return [sys.executable, "-m", "harness", "instruments", *map(str, words)]


@pytest.fixture
def responder():
    with Responder() as made:
        yield made


@pytest.fixture
def bench(responder, tmp_path):
    """A bench file with the responder for generator and meter, behind 60 dB."""
    path = tmp_path / "bench.toml"
    path.write_text(
        f"""
        name = "loopback"
        [generator]
        source = "scpi"
        resource = "{responder.resource}"
        maximum_dbm = 10.0
        timeout_s = 2.0
        [[generator.path]]
        element = "60 dB pad"
        loss_db = 60.0
        uncertainty_db = 0.1
        [meter]
        source = "scpi"
        resource = "{responder.resource}"
        current_resource = "{responder.resource}"
        timeout_s = 2.0
        """
    )
    return path


def test_by_scpi_it_sets_reads_and_leaves_rf_off(bench, responder, typed) -> None:
    shown = typed("instruments", bench, *AT, "--levels=-112:-110:1", "--hold", 0)
    assert shown.status == 0, shown.err
    assert f"generator: {GREETING}" in shown.err
    assert re.search(r"supply, reading 3 +12\.53 V, 1\.42 A", shown.out)
    set_to = [
        float(text.split()[1]) for text in responder.sent("SOURce:POWer:LEVel") if "DBM" in text
    ]
    assert set_to == [-52.0, -51.0, -50.0]
    assert responder.state["rf"] is False
    assert responder.rf_seen_on == 1


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ((), "--at: is needed for the generator. Write it like 158.425e6."),
        (("--at", "158.425"), "--at: 158.425 Hz is no radio frequency of this bench"),
        ((*AT, "--levels=-112"), "--levels: '-112' is no row of levels."),
        ((*AT, "--levels=-112:-110:0"), "--levels: '-112:-110:0' is no row of levels."),
        ((*AT, "--levels=-140:0:0.001"), "--levels: 140001 levels are asked for."),
        ((*AT, "--levels=-50:-40:10"), "cannot give -40.00 dBm at the unit's port."),
        ((*AT, "--hold", -1), "--hold: -1 s is no time to hold a level."),
        ((*AT, "--entries", "no-folder/e.csv"), "no-folder: there is no such folder."),
    ],
)
def test_what_cannot_be_is_one_line_and_rf_is_off(words, line, bench, responder, typed) -> None:
    shown = typed("instruments", bench, "--hold", 0, *words)
    assert shown.status == 2
    assert line in shown.err.splitlines()[-1]
    # Nothing was asked of it, or RF is off again.
    assert responder.log == [] or responder.state["rf"] is False


def test_a_generator_that_does_not_follow_is_a_hardware_fault(bench, responder, typed) -> None:
    responder.faults.append(Fault("SOURce:FREQ", "other", 99e6))
    shown = typed("instruments", bench, *AT, "--hold", 0)
    assert shown.status == 3
    assert "was set to 158425000 Hz of frequency and says 99000000 Hz" in shown.err
    assert responder.state["rf"] is False


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("answers", ["well", "late"])
def test_killed_with_rf_on_it_switches_rf_off(number, answers, bench, responder) -> None:
    """Also in the middle of a question: the answer that was still to come does no harm."""
    if answers == "late":
        responder.faults.append(
            Fault("SOURce:POWer:LEVel:IMMediate:AMPLitude?", "late", 1.0, after=3)
        )
    run = subprocess.Popen(
        command(bench, *AT, "--hold", 60 if answers == "well" else 0),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(),
    )
    try:
        while (run.poll() is None and not responder.state["rf"]) or not responder.rf_seen_on:
            time.sleep(0.01)
        if answers == "late":
            # The second level is asked back, and the answer is under way.
            while len(responder.sent("SOURce:POWer:LEVel:IMMediate:AMPLitude?")) < 4:
                time.sleep(0.01)
        seen = len(responder.log)
        run.send_signal(number)
        out, err = run.communicate(timeout=PATIENCE_S)
    finally:
        if run.poll() is None:
            run.kill()
    assert run.returncode == 128 + number
    assert out == ""
    assert "stopped" in err.splitlines()[-1]
    assert "Traceback" not in err
    assert "OUTPut:STATe OFF" in responder.log[seen:]
    assert responder.state["rf"] is False


BY_HAND = """
name = "notebook"
[generator]
source = "by hand"
maximum_dbm = 10.0
[[generator.path]]
element = "60 dB pad"
loss_db = 60.0
uncertainty_db = 0.1
[meter]
source = "by hand"
"""


class Terminal:
    """The program at a pseudo-terminal, and somebody who waits for a question before he types."""

    def __init__(self, *words):
        self.master, slave = pty.openpty()
        self.run = subprocess.Popen(
            command(*words),
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env=environment(),
            start_new_session=True,
            # Ctrl-C goes to whoever holds the terminal.
            preexec_fn=lambda: __import__("fcntl").ioctl(0, __import__("termios").TIOCSCTTY, 0),
        )
        os.close(slave)
        self.seen = ""
        self._read = 0

    def wait_for(self, text: str) -> str:
        """Read on until the text is there; give what came since the last wait."""
        deadline = time.monotonic() + PATIENCE_S
        while (at := self.seen.find(text, self._read)) < 0:
            ready, _, _ = select.select([self.master], [], [], 1.0)
            assert time.monotonic() < deadline, self.seen
            if ready:
                try:
                    chunk = os.read(self.master, 4096)
                except OSError:
                    chunk = b""
                assert chunk, f"ended without {text!r}: {self.seen}"
                self.seen += chunk.decode()
        got = self.seen[self._read : at + len(text)]
        self._read = at + len(text)
        return got

    def answer(self, question: str, typed: str) -> str:
        """Wait for a question, type a line."""
        got = self.wait_for(question)
        self.wait_for("] " if question.startswith(("Set", "Switch")) else ": ")
        os.write(self.master, typed.encode())
        return got

    def end(self) -> int:
        """Read to the end; give the exit status."""
        while True:
            try:
                chunk = os.read(self.master, 4096)
            except OSError:
                break
            if not chunk:
                break
            self.seen += chunk.decode()
        os.close(self.master)
        return self.run.wait(PATIENCE_S)


@pytest.fixture
def at_terminal(tmp_path):
    (tmp_path / "hand.toml").write_text(BY_HAND)
    started = []

    def start(*words):
        started.append(
            Terminal(tmp_path / "hand.toml", *AT, "--levels=-112:-111:1", "--hold", 0, *words)
        )
        return started[-1]

    yield start
    for terminal in started:
        if terminal.run.poll() is None:
            terminal.run.kill()
            terminal.run.wait()


def test_by_hand_at_a_terminal(at_terminal, tmp_path) -> None:
    entries = tmp_path / "entries.csv"
    terminal = at_terminal("--entries", entries)
    terminal.answer("Set the generator: 158.425000 MHz, FM 1000 Hz, deviation 1500 Hz, -52", "\n")
    # Back: the level before is asked for again, whole.
    terminal.answer("Set the generator: -51.00 dBm (-111.00 dBm at the unit).", "b\n")
    again = "Set the generator: 158.425000 MHz, FM 1000 Hz, deviation 1500 Hz, -52.00 dBm, RF on"
    terminal.answer(again, "\n")
    terminal.answer("Set the generator: -51.00 dBm", "\n")
    terminal.answer("Switch the generator's RF off.", "\n")
    terminal.answer("Read the meter on the supply, volts", "12,53\n")
    terminal.wait_for("Taken as 12.53 V.")
    terminal.answer("Read the current, amperes", "1,4 V\n")
    terminal.wait_for("1,4 V is not in A.")
    terminal.answer("Read the current, amperes", "b\n")
    terminal.answer("Read the meter on the supply, volts", "12.61\n")
    terminal.answer("Read the current, amperes", "1.4\n")
    for volts, amps in (("12.6", "1.39"), ("12.59", "1380 mA")):
        terminal.answer("Read the meter on the supply, volts", f"{volts}\n")
        terminal.answer("Read the current, amperes", f"{amps}\n")
    assert terminal.end() == 0
    assert re.search(r"supply, reading 1 +12\.61 V, 1\.4 A", terminal.seen)
    assert re.search(r"supply, reading 3 +12\.59 V, 1\.38 A", terminal.seen)
    assert entries.read_text().count("\n") == 1 + 7


@pytest.mark.parametrize("key", ["\x03", "\x04"], ids=["Ctrl-C", "Ctrl-D"])
def test_an_end_keeps_what_was_typed_and_the_next_start_goes_on(key, at_terminal, tmp_path) -> None:
    entries = tmp_path / "entries.csv"
    terminal = at_terminal("--entries", entries)
    for _ in range(2):
        terminal.answer("Set the generator:", "\n")
    terminal.answer("Switch the generator's RF off.", "\n")
    terminal.answer("Read the meter on the supply, volts", "12.5\n")
    terminal.answer("Read the current, amperes", key)
    assert terminal.end() == 130
    last = terminal.seen.splitlines()[-1]
    assert last.endswith("start the same command again and it goes on from there.")
    assert str(entries) in last
    assert "Traceback" not in terminal.seen
    assert "12.5 V" in entries.read_text()
    again = at_terminal("--entries", entries)
    for _ in range(2):
        again.answer("Set the generator:", "\n")
    again.answer("Switch the generator's RF off.", "\n")
    again.wait_for("Read the meter on the supply, volts: 12.5 V, typed before.")
    again.answer("Read the current, amperes", "1.4\n")
    for volts in ("12.4", "12.3"):
        again.answer("Read the meter on the supply, volts", f"{volts}\n")
        again.answer("Read the current, amperes", "1.4\n")
    assert again.end() == 0
    assert re.search(r"supply, reading 1 +12\.5 V, 1\.4 A", again.seen)


def test_stopped_with_rf_on_it_says_to_switch_it_off(at_terminal) -> None:
    terminal = at_terminal()
    terminal.answer("Set the generator:", "\n")
    terminal.answer("Set the generator: -51", "\x03")
    assert terminal.end() == 130
    assert "Switch the generator's RF off now." in terminal.seen


def test_a_rehearsal_on_the_simulated_bench(tmp_path) -> None:
    from harness.describe import example_path

    text = example_path("packing-shed.toml").read_text()
    for part in ("[generator]\nsource = ", "[meter]\nsource = "):
        assert part + '"simulated"' in text
        text = text.replace(part + '"simulated"', part + '"by hand"')
    (tmp_path / "bench.toml").write_text(text)
    terminal = Terminal(tmp_path / "bench.toml", *AT, "--levels=-112:-112:1", "--hold", "0.5")
    terminal.answer("Set the generator:", "\n")
    terminal.answer("Switch the generator's RF off.", "\n")
    for _ in range(3):
        got = terminal.wait_for(" A.\r\n")
        volts = re.search(r"The simulated meter shows (\d+\.\d\d) V", got)
        assert 11.0 < float(volts[1]) < 13.5
        terminal.answer("Read the meter on the supply, volts", volts[1] + "\n")
        terminal.answer("Read the current, amperes", "0.1\n")
    assert terminal.end() == 0


def test_a_real_generator_beside_a_simulated_unit_is_refused(tmp_path, typed) -> None:
    from harness.describe import example_path

    text = example_path("packing-shed.toml").read_text()
    wrong = '[generator]\nsource = "scpi"\nresource = "TCPIP::127.0.0.1::1::SOCKET"'
    (tmp_path / "b.toml").write_text(text.replace('[generator]\nsource = "simulated"', wrong))
    shown = typed("instruments", tmp_path / "b.toml")
    shown.is_one_plain_line()
    assert 'source = "scpi" beside [simulated]; a bench is simulated as a whole' in shown.err
