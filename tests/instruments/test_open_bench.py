"""``open_bench`` on dongles, with a generator and a meter by SCPI or by hand: RF is off at the end.

Every way out of an open bench, and of the program itself at a pseudo-terminal.
"""

import os
import pty
import signal
import threading
import time

import pytest

from harness.describe import bench_from, load_bench, load_unit
from harness.errors import HardwareFault, Stopped
from harness.procedures.runner import Runner
from harness.procedures.steps import ReadSupply, Record, Stimulus, TurnKnob
from harness.procedures.wiring import open_bench
from harness.recordings import open_recording
from tests.instruments.dongle_bench import DongleBench
from tests.instruments.scpi_responder import GREETING, Responder


@pytest.fixture
def responder():
    with Responder() as made:
        yield made


class Typist:
    """Types what stands in a list; may do something at a question first."""

    def __init__(self, *lines, doing=lambda question: None):
        self.lines, self.doing = list(lines), doing
        self.asked, self.told = [], []

    def ask(self, question):
        self.asked.append(question)
        self.doing(question)
        if not self.lines:
            raise EOFError
        return self.lines.pop(0)

    def say(self, text):
        self.told.append(text)


class Quiet:
    """A watcher; ``at_progress`` is called once a take is on its way."""

    def __init__(self, at_progress=lambda: None):
        self.at_progress = at_progress

    def step(self, title):
        pass

    def progress(self, share):
        if share > 0.5:
            self.at_progress()

    def say(self, text):
        pass


def one_take():
    yield TurnKnob(position="12:00")
    yield Record(
        take="one",
        title="one",
        stimuli=(
            Stimulus(duration_s=0.3, level_port_dbm=None),
            Stimulus(duration_s=0.7, level_port_dbm=-80.0),
        ),
    )
    yield ReadSupply()


def raising(error):
    def does():
        raise error

    return does


def interrupted():
    os.kill(os.getpid(), signal.SIGINT)


WAYS_OUT = {
    "done": (lambda: None, None),
    "fault": (raising(HardwareFault("broken", "x", "Mend it.")), HardwareFault),
    "defect": (raising(ZeroDivisionError()), ZeroDivisionError),
    "SIGINT": (interrupted, KeyboardInterrupt),
    "exit": (raising(SystemExit(3)), SystemExit),
}


def described(dongles, tmp_path, resource, meter):
    made = DongleBench(dongles, tmp_path, resource)
    unit, bench = load_unit(made.unit), load_bench(made.bench)
    return unit, bench_from({**bench.plain(), "meter": meter})


@pytest.mark.parametrize("way", WAYS_OUT)
def test_with_instruments_by_scpi(way, dongles, responder, tmp_path) -> None:
    does, error = WAYS_OUT[way]
    meter = {"source": "scpi", "resource": responder.resource}
    unit, bench = described(dongles, tmp_path, responder.resource, meter)
    operator = Typist("")
    # What somebody has left on is off as soon as the bench is open.
    assert responder.state["rf"] is True
    seen = []

    def at_progress():
        seen.append(responder.state["rf"])
        does()

    def run():
        with open_bench(bench, operator, unit=unit) as opened:
            assert responder.state["rf"] is False
            assert set(opened.source.streams) == {"input", "output"}
            assert opened.identities == {"generator": GREETING, "meter": GREETING}
            Runner(opened, unit, bench, tmp_path, Quiet(at_progress)).run(one_take())

    if error is None:
        run()
    else:
        with pytest.raises(error):
            run()
    # It was on when the way out was taken.
    assert seen[-1] is True
    assert responder.state["rf"] is False
    assert responder.state["level"] == pytest.approx(-20.0)
    for _ in range(100):
        if not responder.open_connections:
            break
        time.sleep(0.02)
    assert not responder.open_connections
    recording = open_recording(tmp_path / "recordings" / "one-output.sigmf-meta")
    assert recording.hardware.startswith("RTL-SDR dongle 00000102")
    # Both dongles are free again: they can be opened anew.
    with open_bench(bench, Typist(), unit=unit):
        pass
    assert responder.state["rf"] is False


@pytest.mark.parametrize("way", WAYS_OUT)
def test_with_a_generator_by_hand_the_operator_is_told(way, dongles, responder, tmp_path) -> None:
    does, error = WAYS_OUT[way]
    meter = {"source": "by hand", "reads_current": False}
    unit, bench = described(dongles, tmp_path, None, meter)
    # Knob; RF off before the first step; the level; RF off after the take; the meter.
    operator = Typist("", "", "", "", "12,5 V")
    passed = []

    def at_progress():
        passed.append(True)
        if len(operator.asked) == 3:
            does()

    with open_bench(bench, operator, unit=unit) as opened:
        runner = Runner(opened, unit, bench, tmp_path, Quiet(at_progress))
        if error is None:
            runner.run(one_take())
        else:
            with pytest.raises(error):
                runner.run(one_take())
    assert operator.asked[1].startswith("Switch the generator's RF off.")
    assert operator.asked[2].startswith("Set the generator: ")
    told = operator.told.count("Switch the generator's RF off now.")
    if error is None:
        assert operator.asked[3].startswith("Switch the generator's RF off.")
        assert told == 0
    else:
        # Nobody is waited for on the way out.
        assert len(operator.asked) == 3
        assert told == 1


def test_nobody_answers_and_ctrl_c_at_a_question(dongles, tmp_path) -> None:
    unit, bench = described(dongles, tmp_path, None, {"source": "by hand"})
    for doing, error in ((lambda question: None, Stopped), (interrupt_at_level, KeyboardInterrupt)):
        operator = Typist("", "", doing=doing)
        folder = tmp_path / error.__name__
        with open_bench(bench, operator, unit=unit) as opened, pytest.raises(error):
            Runner(opened, unit, bench, folder, Quiet()).run(one_take())
        assert operator.told[-1] == "Switch the generator's RF off now."


def interrupt_at_level(question):
    if question.startswith("Set the generator"):
        interrupted()


ENTERS = b"\n\n\n"
"""At the knob, at the first "RF off", and at the level."""


@pytest.mark.slow(reason="the program itself, at a pseudo-terminal, in real time")
def test_at_a_terminal_ctrl_c_says_to_switch_rf_off(dongles, tmp_path) -> None:
    made = DongleBench(dongles, tmp_path, None)
    ours, theirs = pty.openpty()
    os.write(ours, ENTERS)
    with made.start("--out", tmp_path / "run", stdin=theirs) as process:
        os.close(theirs)
        heard = []
        listener = threading.Thread(target=lambda: heard.extend(process.stderr))
        listener.start()
        part = tmp_path / "run" / "recordings" / "carrier-output.sigmf-data.part"
        deadline_s = time.monotonic() + 120.0
        while not part.exists() or part.stat().st_size < 1_000_000:
            assert time.monotonic() < deadline_s, "".join(heard)
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 130
        listener.join()
    os.close(ours)
    text = "".join(heard)
    assert "Set the generator: " in text
    assert "Switch the generator's RF off now." in text
    assert text.splitlines()[-1] == "stopped; what was recorded is kept"
