"""Procedures with a generator and a meter that are reached by SCPI, and with ones set by hand.

Behind the responder stands the simulated bench: what arrives by SCPI is what its generator is set
to, and its meter is what is read. So the same acceptance gives the same readings either way.
"""

import bisect
import math
import time
from dataclasses import replace

import numpy as np
import pytest

from harness.blocks import Block
from harness.describe import bench_from, example_path, load_bench, load_plan, load_unit
from harness.devices import StreamInfo
from harness.errors import BadInput, HardwareFault, Stopped
from harness.procedures import accept as accepting
from harness.procedures.accept import accept
from harness.procedures.entries import Entries
from harness.procedures.runner import Runner
from harness.procedures.steps import ReadSupply, Record, Stimulus, TurnKnob
from harness.procedures.wiring import live_bench, open_bench, open_instruments
from harness.recordings import open_recording
from harness.results import read_run
from tests.instruments.scpi_responder import GREETING, Fault, Responder

UNIT = load_unit(example_path("frost-watch-2.toml")).model_copy(
    update={"knob_positions": ("12:00",)}
)
BENCH = load_bench(example_path("packing-shed.toml"))
LOSS_DB = 60.0
"""From the generator to the unit's port, as the example bench declares it."""
LITTLE = (
    load_plan("short")
    .doing(["battery"])
    .altered(
        keyings=2,
        search_dbm=(-122.0, -114.0),
        quiet_s=0.5,
        sweeps=1,
        levels_dbm=(-119.0, -114.0),
        interval_s=7200.0,
    )
)


def by_scpi(responder):
    """The example bench with its generator and meter at the end of a socket."""
    table = {
        key: value
        for key, value in BENCH.plain().items()
        if key not in ("simulated", "input", "output")
    }
    reached = {"source": "scpi", "resource": responder.resource, "timeout_s": 5.0}
    table["generator"] |= reached | {
        "path": [{"element": "60 dB pad", "loss_db": LOSS_DB, "uncertainty_db": 0.1}]
    }
    table["meter"] |= {**reached, "current_resource": responder.resource}
    return bench_from(table)


def stand_behind(responder, simulated):
    """Set the simulated bench to what arrives."""

    def on_change(name, value, state):
        if name == "frequency":
            simulated.set_frequency(value)
        elif name in ("tone", "deviation", "fm"):
            simulated.set_modulation(state["tone"], state["deviation"] if state["fm"] else 0.0)
        elif state["rf"]:
            simulated.set_level(state["level"] - LOSS_DB)
        else:
            simulated.rf_off()

    responder.on_change = on_change
    responder.volts = lambda: simulated.read_supply().voltage_v
    responder.amps = lambda: simulated.read_supply().current_a


@pytest.fixture
def responder():
    with Responder() as made:
        yield made


def values(run):
    return {
        (found.kind, reading.name, tuple(sorted(reading.conditions.items())), number): reading
        for found in run.findings
        for number, reading in enumerate(found.readings)
    }


@pytest.mark.slow(reason="a whole acceptance is run twice, battery included")
def test_an_acceptance_by_scpi_reads_what_the_simulated_bench_reads(
    responder, monkeypatch, notebook, tmp_path
) -> None:
    plain = accept(UNIT, BENCH, tmp_path / "plain", notebook.Quiet(), LITTLE).run

    def with_instruments(bench, **more):
        opened = open_bench(bench, **more)
        stand_behind(responder, opened.source)
        reached = open_instruments(by_scpi(responder))
        return replace(
            opened,
            generator=reached.generator,
            meter=reached.meter,
            identities=reached.identities,
            closing=reached.closing,
        )

    monkeypatch.setattr(accepting, "open_bench", with_instruments)
    watcher = notebook.Quiet()
    done = accept(UNIT, BENCH, tmp_path / "scpi", watcher, LITTLE)
    assert f"generator: {GREETING}" in watcher.said
    assert read_run(done.path).bench["instruments"] == {"generator": GREETING, "meter": GREETING}
    assert responder.state["rf"] is False
    # Carrier, two keyings and a return within the hang of each, the squelch's search, its way up
    # and its sweep, sensitivity, battery run.
    assert responder.rf_seen_on == 10
    a, b = values(plain), values(done.run)
    assert a.keys() == b.keys()
    compared = 0
    for key, reading in a.items():
        other = b[key]
        assert type(other.value) is type(reading.value), key
        if isinstance(reading.value, float) and reading.expanded_uncertainty:
            # What is set arrives to 0.001 dB; the meter's noise is drawn in another order.
            assert abs(other.value - reading.value) <= reading.expanded_uncertainty, key
            compared += 1
    assert compared > 20


def test_a_generator_that_fails_in_a_take_ends_the_run_with_rf_off(
    responder, monkeypatch, notebook, tmp_path
) -> None:
    def with_instruments(bench, **more):
        opened = open_bench(bench, **more)
        stand_behind(responder, opened.source)
        reached = open_instruments(by_scpi(responder))
        return replace(opened, generator=reached.generator, closing=reached.closing)

    monkeypatch.setattr(accepting, "open_bench", with_instruments)
    # The level of the first take is set, and the one of the second is not.
    responder.faults.append(Fault("OUTPut:STATe ON", "drop", after=1))
    with pytest.raises(HardwareFault, match=r"does not answer|could not be sent"):
        accept(UNIT, BENCH, tmp_path / "run", notebook.Quiet(), LITTLE)
    assert responder.rf_seen_on == 1
    assert responder.state["rf"] is False
    run = read_run(tmp_path / "run" / "results.h5")
    assert run.notes.startswith("Ended early: ")
    assert {"carrier", "audio"} <= {found.kind for found in run.findings}


class Script:
    """An operator who types what stands in a list, each after a while."""

    resuming = "Start again."

    def __init__(self, *lines, after_s=0.0, doing=lambda question: None):
        self.lines, self.after_s, self.doing = list(lines), after_s, doing
        self.asked, self.told = [], []

    def ask(self, question):
        self.asked.append(question)
        if not self.lines:
            raise EOFError
        time.sleep(self.after_s)
        line = self.lines.pop(0)
        if line != "b":
            self.doing(question)
        return line

    def say(self, text):
        self.told.append(text)


def rehearsal(**parts):
    table = BENCH.plain()
    for part in ("generator", "meter"):
        table[part] = {**table[part], "source": "by hand"}
    return bench_from({**table, **parts})


LEVELS = (-112.0, -111.0, -110.0)


def one_take(roles=("output",)):
    yield Record(
        take="one",
        title="one",
        stimuli=tuple(Stimulus(duration_s=0.5, level_port_dbm=level) for level in LEVELS),
        roles=roles,
    )


def test_a_step_that_was_set_wrong_is_done_again_in_a_rehearsal(notebook, tmp_path) -> None:
    # Back from the first there is nothing; back from the third is the second.
    operator = Script("b", "", "", "b", "", "", "")
    bench = rehearsal()
    opened = open_bench(bench, operator, Entries(tmp_path / "entries.csv"))
    watcher = notebook.Quiet()
    Runner(opened, UNIT, bench, tmp_path, watcher).run(one_take())
    assert watcher.said == ["There is nothing to go back to here."]
    recording = open_recording(tmp_path / "recordings" / "one-output.sigmf-meta")
    marks = [(mark.level_dbm, mark.start_sample) for mark in recording.annotations]
    rate_hz = recording.sample_rate_hz
    assert [level for level, _ in marks] == list(LEVELS)
    # Half a second each; that of the second that was taken back has no mark. A dongle with a
    # clock 39 ppm fast gives a few samples more.
    assert [start / rate_hz for _, start in marks] == pytest.approx([0.0, 1.0, 1.5], abs=1e-3)
    assert recording.duration_s == pytest.approx(2.0, abs=1e-3)


def test_a_reading_by_hand_reaches_the_procedure_and_the_file(notebook, tmp_path) -> None:
    operator = Script("b", "12,5", "1.4")
    bench = rehearsal()
    opened = open_bench(bench, operator, Entries(tmp_path / "entries.csv"))
    got = []

    def procedure():
        got.append((yield ReadSupply()))

    # RF was never switched on: at the end nobody is asked for more than to see to that.
    operator.lines.append("")
    Runner(opened, UNIT, bench, tmp_path, notebook.Quiet()).run(procedure())
    assert (got[0].voltage_v, got[0].current_a) == (12.5, 1.4)
    assert (tmp_path / "entries.csv").read_text().count("\n") == 3


def test_the_end_of_the_input_keeps_what_was_measured_and_typed(notebook, tmp_path) -> None:
    operator = Script("", "")
    folder = tmp_path / "run"
    bench = rehearsal()
    with pytest.raises(Stopped, match="the input ended where an answer was needed"):
        accept(UNIT, bench, folder, notebook.Quiet(), LITTLE, operator)
    assert operator.told[-1] == "Switch the generator's RF off now."
    assert (folder / "recordings" / "carrier-output.sigmf-meta").exists()


def test_by_hand_with_nobody_there_is_refused() -> None:
    with pytest.raises(BadInput, match="done by hand, and nobody is there to be asked"):
        open_bench(rehearsal())


RATE_HZ = 250e3
LAG_S = 0.08
OFF = 7


class Live:
    """A receiver in real time, some way behind, whose samples say what level was on."""

    def __init__(self):
        self.history = [(-math.inf, OFF)]
        self.begun_s = self.at = 0

    @property
    def streams(self):
        info = StreamInfo(
            role="output", datatype="cu8", sample_rate_hz=RATE_HZ, centre_hz=153.825e6, hardware=""
        )
        return {"output": info}

    def set(self, code):
        self.history.append((time.monotonic(), code))

    def start(self):
        self.begun_s, self.at = time.monotonic(), 0

    def read(self, until_s):
        first, self.at = self.at, round(until_s * RATE_HZ)
        time.sleep(max(0.0, self.begun_s + until_s + LAG_S - time.monotonic()))
        moments = self.begun_s + np.arange(first, self.at) / RATE_HZ
        since, codes = zip(*self.history, strict=True)
        which = [bisect.bisect(since, moment) - 1 for moment in moments.tolist()]
        samples = np.array(codes, np.uint8)[which]
        return {"output": [Block(np.column_stack([samples, samples]), first, RATE_HZ)]}

    def stop(self):
        pass

    def position(self):
        """Give the sample that is taken now."""
        return {"output": int((time.monotonic() - self.begun_s) * RATE_HZ)}


def test_on_a_live_bench_a_step_holds_nothing_of_the_setting_before(notebook, tmp_path) -> None:
    """However long the operator takes: the samples between are recorded, and under no step."""
    source = Live()

    def doing(question):
        if question.startswith("Set"):
            source.set(200 + round(float(question.partition(" dBm")[0].split()[-1])))

    operator = Script(*[""] * 5, after_s=0.3, doing=doing)
    table = {key: value for key, value in BENCH.plain().items() if key != "simulated"}
    for part in ("input", "output"):
        table[part] = {**table[part], "source": "rtlsdr"}
    table["generator"] = {**table["generator"], "source": "by hand"}
    del table["meter"]
    bench = bench_from(table)
    opened = live_bench(bench, source, source, operator, Entries(tmp_path / "e.csv"))

    def procedure():
        yield TurnKnob(position="3:30")
        yield from one_take()

    Runner(opened, UNIT, bench, tmp_path, notebook.Quiet()).run(procedure())
    assert operator.asked[0].startswith("Turn the squelch knob to 3:30.")
    recording = open_recording(tmp_path / "recordings" / "one-output.sigmf-meta")
    samples = np.concatenate([block.samples for block in recording.blocks()])[:, 0]
    marks = recording.annotations
    assert [mark.level_dbm for mark in marks] == list(LEVELS)
    for mark in marks:
        held = samples[mark.start_sample : mark.start_sample + mark.sample_count]
        assert len(held) == round(0.5 * RATE_HZ)
        assert set(held) == {200 + round(mark.level_dbm + LOSS_DB)}, mark
    # What came while the operator was at it is there as well: no gap.
    assert recording.duration_s > 3 * (0.5 + 0.3)
    assert all(mark.lost_samples is None for mark in marks)
    with pytest.raises(BadInput, match=r"no \[meter\]"):
        opened.meter.read_supply()


def test_a_fault_of_the_receiver_while_somebody_is_asked_is_told(notebook, tmp_path) -> None:
    class Unplugged(Live):
        def read(self, until_s):
            if until_s > 0.2:
                raise BadInput("no samples", "dongle", "Plug it in.")
            return super().read(until_s)

    source = Unplugged()
    table = {"name": "live", "generator": {"source": "by hand", "maximum_dbm": 0.0}}
    operator = Script("", after_s=0.5)
    opened = live_bench(bench_from(table), source, source, operator)
    with pytest.raises(BadInput, match="no samples"):
        Runner(opened, UNIT, bench_from(table), tmp_path, notebook.Quiet()).run(one_take())
    assert operator.told[-1] == "Switch the generator's RF off now."
    assert open_recording(tmp_path / "recordings" / "one-output.sigmf-meta").duration_s > 0.1
