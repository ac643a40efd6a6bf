"""The runner: RF is off and what was recorded is kept, whatever way a procedure ends.

What must hold is DESIGN section 7 and the house style's section 8; there are no numbers to look up.
"""

import os
import signal
from dataclasses import replace

import pytest

from harness.describe import example_path, load_bench, load_unit
from harness.errors import BadInput, HardwareFault
from harness.procedures.journal import Journal
from harness.procedures.runner import LOG_NAME, Runner
from harness.procedures.steps import (
    EnableTransmitter,
    HoldKey,
    Keep,
    Log,
    Record,
    Say,
    Stimulus,
    TurnKnob,
)
from harness.procedures.unfinished import set_aside
from harness.readings import Findings
from harness.recordings import open_recording, read_log

UNIT = load_unit(example_path("frost-watch-2.toml"))
BENCH = load_bench(example_path("packing-shed.toml"))
KEYED = Stimulus(duration_s=1.0, level_port_dbm=-80.0)


def record(take="one", leave_on=True):
    return Record(take=take, title=take, stimuli=(KEYED,), roles=("output",), leave_on=leave_on)


@pytest.fixture
def ran(notebook, tmp_path):
    """Run a procedure on a fresh notebook; give the notebook and what came out of it."""

    def run(procedure, on_read=lambda: None, bench=None):
        bench = bench or notebook.Notebook(on_read)
        runner = Runner(bench.devices(), UNIT, BENCH, tmp_path, notebook.Quiet())
        error = None
        try:
            runner.run(procedure)
        except BaseException as ended:
            error = ended
        return bench, error

    return run


def plain_end():
    yield record()


def error_between_steps():
    yield record()
    raise ValueError("a defect in a procedure")


def no_such_step():
    yield record()
    yield Log(row={"no column": 1.0})


def silent():
    raise HardwareFault("no samples for 1 s", "dongle", "Plug it in.")


def ctrl_c():
    os.kill(os.getpid(), signal.SIGINT)


def full_memory():
    raise MemoryError


@pytest.mark.parametrize(
    ("procedure", "on_read", "ended"),
    [
        (plain_end, lambda: None, type(None)),
        (error_between_steps, lambda: None, ValueError),
        (no_such_step, lambda: None, ValueError),
        (plain_end, silent, HardwareFault),
        (plain_end, ctrl_c, KeyboardInterrupt),
        (plain_end, full_memory, MemoryError),
    ],
    ids=["end", "defect", "bad row", "hardware", "SIGINT", "memory"],
)
def test_rf_is_off_on_every_way_out(procedure, on_read, ended, ran) -> None:
    bench, error = ran(procedure(), on_read)
    assert type(error) is ended
    assert "level" in bench.told, "it was never keyed: the test would show nothing"
    assert not bench.rf
    assert bench.told[-1] == "off"
    assert not bench.taking


def test_rf_is_off_when_the_procedure_was_closed_early(ran) -> None:
    steps = plain_end()
    steps.close()
    bench, error = ran(steps)
    assert error is None
    assert bench.told[-1] == "off"


def test_rf_is_off_when_the_generator_cannot_be_set(notebook, ran) -> None:
    class Stuck(notebook.Notebook):
        def set_frequency(self, frequency_hz):
            self.rf = True
            raise HardwareFault("does not answer", "generator", "Switch it on.")

    bench, error = ran(plain_end(), bench=Stuck())
    assert isinstance(error, HardwareFault)
    assert not bench.rf


def test_what_a_procedure_cleans_up_is_done_with_rf_off(notebook, ran) -> None:
    bench = notebook.Notebook(silent)
    seen = []

    def procedure():
        try:
            yield record()
        finally:
            seen.append(bench.rf)

    ran(procedure(), bench=bench)
    # The error is not thrown into the procedure: it is closed, after RF went off.
    assert seen == [False]


def test_rf_stays_on_between_steps_only_where_asked(notebook, ran) -> None:
    bench, seen = notebook.Notebook(), []

    def procedure():
        for leave_on in (True, False):
            yield record(f"take-{leave_on}", leave_on)
            seen.append(bench.rf)

    ran(procedure(), bench=bench)
    assert seen == [True, False]


@pytest.mark.parametrize("fault", [silent, ctrl_c], ids=["hardware", "SIGINT"])
def test_what_was_recorded_before_an_early_end_is_a_recording(fault, ran, tmp_path) -> None:
    reads = []

    def on_read():
        reads.append(1)
        if len(reads) == 3:
            fault()

    ran(plain_end(), on_read)
    recording = open_recording(tmp_path / "recordings" / "one-output.sigmf-meta")
    # Two reads of a quarter of a second each.
    assert recording.sample_count == 125_000
    assert not list((tmp_path / "recordings").glob("*.part"))


def test_a_second_run_overwrites_no_recording_and_no_log(ran, tmp_path) -> None:
    def procedure():
        yield Log(row={"time_s": 0.0, "power_dbm": 36.0})
        yield record()

    assert ran(procedure())[1] is None
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert len(before) == 3
    for again in (procedure, plain_end):
        bench, error = ran(again())
        assert isinstance(error, BadInput)
        assert "level" not in bench.told, "keyed although there was nowhere to record to"
        assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == before


def test_rows_logged_before_an_error_are_in_the_log(ran, tmp_path) -> None:
    def procedure():
        for number in range(3):
            yield Log(row={"time_s": 300.0 * number, "power_dbm": 36.0 - number})
        raise ValueError("a defect")

    ran(procedure())
    table = read_log(tmp_path / LOG_NAME)
    assert list(table.time_s) == [0.0, 300.0, 600.0]


def test_steps_are_done_in_order_and_labels_say_what_was_set(ran, tmp_path) -> None:
    def procedure():
        yield Say(text="hello")
        yield TurnKnob(position="3:30")
        yield Record(
            take="steps",
            title="steps",
            stimuli=(Stimulus(duration_s=0.5, level_port_dbm=None), KEYED),
            roles=("output",),
        )

    bench, _ = ran(procedure())
    assert bench.told == ["frequency", "knob 3:30", "off", "modulation", "level", "off", "off"]
    marks = open_recording(tmp_path / "recordings" / "steps-output.sigmf-meta").annotations
    assert [(m.start_sample, m.sample_count, m.label, m.level_dbm, m.knob) for m in marks] == [
        (0, 125_000, "no signal", None, "3:30"),
        (125_000, 250_000, None, -80.0, "3:30"),
    ]


def off_and_held():
    yield EnableTransmitter(enabled=False)
    yield HoldKey(held=True)
    yield record()


def put_back():
    yield from off_and_held()
    yield HoldKey(held=False)
    yield EnableTransmitter(enabled=True)


@pytest.mark.parametrize(("procedure", "is_left"), [(off_and_held, True), (put_back, False)])
def test_how_the_transmitter_was_left_is_told(procedure, is_left, notebook, tmp_path) -> None:
    bench, watcher = notebook.Notebook(), notebook.Quiet()
    Runner(bench.devices(), UNIT, BENCH, tmp_path, watcher).run(procedure())
    assert [told for told in bench.told if told.startswith(("enabled", "held"))][:2] == [
        "enabled False",
        "held True",
    ]
    assert any("still be held" in text for text in watcher.said) == is_left
    assert any("still disabled" in text for text in watcher.said) == is_left


def test_how_the_transmitter_was_is_put_back_before_a_run_goes_on(notebook, tmp_path) -> None:
    """Ended in the second take: begun again, nothing is recorded before it is disabled again."""

    def procedure():
        yield EnableTransmitter(enabled=False)
        yield HoldKey(held=True)
        yield record("one", leave_on=False)
        yield Keep(findings=Findings(kind="audio"))
        yield record("two", leave_on=False)

    ends = iter((*[False] * 6, True))

    def on_read():
        if next(ends, False):
            raise HardwareFault("gone", "dongle", "Plug it in.")

    for resumes in (False, True):
        journal = (Journal.of if resumes else Journal.new)(tmp_path, {"unit": "one"})
        journal.begin({})
        bench = notebook.Notebook(on_read)
        runner = Runner(bench.devices(), UNIT, BENCH, tmp_path, notebook.Quiet(), journal=journal)
        if resumes:
            set_aside(tmp_path, journal.takes, [])
            runner.run(procedure())
        else:
            with pytest.raises(HardwareFault):
                runner.run(procedure())
    assert bench.told[:3] == ["frequency", "enabled False", "held True"]
    assert bench.told.count("level") == 1, "the first take is done"
    assert runner.findings == [Findings(kind="audio")]


def test_the_annotation_says_how_the_transmitter_was(notebook, tmp_path) -> None:
    def procedure():
        yield Record(
            take="one",
            title="one",
            stimuli=(replace(KEYED, transmitter="off"), KEYED),
            roles=("output",),
        )

    runner = Runner(notebook.Notebook().devices(), UNIT, BENCH, tmp_path, notebook.Quiet())
    runner.run(procedure())
    recording = open_recording(tmp_path / "recordings" / "one-output.sigmf-meta")
    assert [each.transmitter for each in recording.annotations] == ["off", None]
