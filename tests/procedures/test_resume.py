"""A run that was ended goes on at the step that was not finished, wherever that was.

On a notebook bench, so that every end can be tried; on dongles with a process of its own:
tests/instruments/test_resume_on_dongles.py.
"""

import csv
import json
from dataclasses import replace

import pytest

from harness.describe import bench_from, example_path, load_bench, load_plan, load_unit
from harness.errors import BadInput, Damaged, HardwareFault
from harness.instruments.by_hand import Hand, Meter
from harness.procedures.accept import accept
from harness.procedures.entries import Entries
from harness.procedures.journal import JOURNAL_NAME, Journal
from harness.procedures.runner import Runner
from harness.procedures.steps import Log, ReadSupply, Record, Stimulus, TurnKnob, Wait
from harness.procedures.unfinished import set_aside
from harness.recordings import read_log
from tests.commands.conftest import left

UNIT = load_unit(example_path("frost-watch-2.toml")).model_copy(
    update={"knob_positions": ("12:00",)}
)
BENCH = load_bench(example_path("packing-shed.toml"))
SETTINGS = {"unit": {"name": "one"}, "plan": {"sweeps": 2}}
ROWS = 3
INTERVAL_S = 60.0


def procedure():
    """A take, then rows of a log with what was typed, the generator left on."""
    on = (Stimulus(duration_s=0.1, level_port_dbm=-80.0),)
    yield TurnKnob(position="12:00")
    yield Record(take="first", title="first", stimuli=on, roles=("output",))
    started_s = yield Wait(seconds=0.0)
    for number in range(ROWS):
        now_s = yield Wait(seconds=INTERVAL_S)
        take = f"row/{number}"
        yield Record(take=take, title=take, stimuli=on, roles=("output",), leave_on=True)
        supply = yield ReadSupply()
        yield Log(row={"time_s": now_s - started_s, "voltage_v": supply.voltage_v})


class Ended(Exception):
    """Whatever ends a run."""


class Typist:
    """Types a voltage that counts up."""

    def __init__(self, typed, tick):
        self.typed, self.tick = typed, tick

    def ask(self, question):
        self.tick()
        self.typed.append(10.0 + len(self.typed) / 8)
        return str(self.typed[-1])

    def say(self, text):
        pass


@pytest.mark.parametrize("at", range(1, 61))
def test_ended_anywhere_the_whole_is_the_same(at, notebook, tmp_path) -> None:
    """Ended at the n-th thing that the bench is told, asked or reads."""
    typed, told, count = [], [], 0

    def tick():
        nonlocal count
        count += 1
        if count == at:
            raise Ended

    def part(resume):
        journal = (Journal.of if resume else Journal.new)(tmp_path, SETTINGS)
        bench = notebook.Notebook(on_read=tick)
        operator = Typist(typed, tick)
        for name in ("set_level", "turn_knob", "wait"):
            does = getattr(bench, name)
            setattr(bench, name, lambda *words, does=does: (tick(), does(*words))[1])
        entries = Entries(tmp_path / "entries.csv", resume=resume)
        meter = Meter(
            Hand(operator, entries), reads_current=False, readings_done=journal.supply_readings
        )
        opened = replace(bench.devices(), meter=meter)
        journal.begin({"output": "notebook"})
        keeps = journal.keep
        journal.keep = lambda *words: (tick(), keeps(*words))
        set_aside(tmp_path, journal.takes, [])
        runner = Runner(opened, UNIT, BENCH, tmp_path, notebook.Quiet(), journal=journal)
        try:
            runner.run(procedure())
            journal.end()
        finally:
            assert not bench.rf
            told.append(bench.told)

    try:
        part(resume=False)
    except Ended:
        part(resume=True)
        assert len(told) == 2
        # The knob is turned again, and the generator set, before anything is read on.
        assert told[1][0] == "frequency"
        assert told[1][1] == "knob 12:00"
    else:
        assert count < at
    log = read_log(tmp_path / "battery-log.csv")
    assert log.time_s.tolist() == [INTERVAL_S * n for n in range(ROWS)]
    assert log.voltage_v.tolist() == typed
    # A row that stands there twice would be told of.
    assert not log.cautions
    with (tmp_path / "entries.csv").open(newline="") as file:
        entries = [(row["question"], row["answer"]) for row in csv.DictReader(file)]
    assert entries == [(f"reading {n + 1}, voltage", f"{v!r} V") for n, v in enumerate(typed)]
    names = sorted(path.stem for path in (tmp_path / "recordings").rglob("*.sigmf-data"))
    assert names == ["0-output", "1-output", "2-output", "first-output"]
    with pytest.raises(BadInput, match="the run is done"):
        Journal.of(tmp_path, SETTINGS)


LITTLE = (
    load_plan("short")
    .doing(["battery"])
    .altered(
        keyings=1,
        search_dbm=(-116.0, -114.0),
        quiet_s=0.5,
        sweeps=1,
        levels_dbm=(-117.0, -114.0),
        interval_s=14400.0,
    )
)


class Ending:
    """A watcher at whose n-th step that begins so a device fails."""

    def __init__(self, title, number=1):
        self.title, self.left, self.said = title, number, []

    def step(self, title):
        self.left -= title.startswith(self.title)
        if not self.left and title.startswith(self.title):
            raise HardwareFault("nothing comes", "dongle", "Plug it in.")

    def progress(self, share):
        pass

    def say(self, text):
        self.said.append(text)


def values(run):
    return [
        (found.kind, r.name, r.value, r.expanded_uncertainty)
        for found in run.findings
        for r in found.readings
    ]


@pytest.mark.slow(reason="acceptances on the simulated bench")
def test_a_simulated_battery_goes_on_where_it_was(notebook, tmp_path) -> None:
    folder = tmp_path / "run"
    with pytest.raises(HardwareFault, match=r"Plug it in\.$"):
        accept(UNIT, BENCH, folder, Ending("Battery run", 2), LITTLE)
    before = read_log(folder / "battery-log.csv")
    assert before.keyed.tolist() == [0.0, 1.0, 1.0]
    watcher = notebook.Quiet()
    takes = len(list((folder / "recordings").glob("*.sigmf-collection")))
    kept = len(list((folder / "recordings" / "battery").glob("*.sigmf-meta")))
    run = accept(UNIT, BENCH, folder, watcher, LITTLE, resume=True).run
    assert f"Going on: {takes + kept} takes are done." in watcher.said
    log = read_log(folder / "battery-log.csv")
    assert len(log.time_s) == len(set(log.time_s.tolist())) > 3
    assert log.voltage_v[:3].tolist() == before.voltage_v.tolist()
    # It was four hours down, and goes on down from there: at rest, and full, it would show more.
    assert log.voltage_v[3] < before.voltage_v[2]
    assert run.findings[-1].kind == "discharge"
    assert any("stood still" in caution for caution in run.findings[-1].cautions)


@pytest.mark.slow(reason="an acceptance on the simulated bench, ended, and again")
def test_what_was_done_reads_the_same(notebook, tmp_path) -> None:
    plan = LITTLE
    unit = UNIT.model_copy(update={"battery": None})
    whole = accept(unit, BENCH, tmp_path / "whole", notebook.Quiet(), plan).run
    folder = tmp_path / "run"
    with pytest.raises(HardwareFault, match=r'It goes on at "Squelch at 12:00.*" with: go on$'):
        accept(unit, BENCH, folder, Ending("Squelch"), plan, go_on_with="go on")
    run = accept(unit, BENCH, folder, notebook.Quiet(), plan, resume=True).run
    assert {found.kind for found in run.findings} == {found.kind for found in whole.findings}
    done = [found for found in whole.findings if found.kind in ("carrier", "timing")]
    kept = [found for found in run.findings if found.kind in ("carrier", "timing")]
    assert values(replace(run, findings=tuple(kept))) == values(
        replace(whole, findings=tuple(done))
    )
    assert run.started_utc < run.ended_utc
    # A take that was made and is not there any more cannot be told from one that never was.
    entries = (folder / JOURNAL_NAME).read_text().splitlines()
    (folder / JOURNAL_NAME).write_text("\n".join(entries[:-1]) + "\n")
    (folder / "recordings" / "carrier-output.sigmf-meta").unlink()
    (folder / "recordings" / "carrier-input.sigmf-meta").unlink()
    with pytest.raises(BadInput, match="a take of this run is missing"):
        accept(unit, BENCH, folder, notebook.Quiet(), plan, resume=True)


def other_bench(**parts):
    table = BENCH.plain()
    for part, keys in parts.items():
        table[part] = {**table[part], **keys}
    return bench_from(table)


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        (
            {"bench": other_bench(input={"serial": "00000103"})},
            r'begun with bench input serial = "00000101", and it is "00000103" now',
        ),
        (
            {"bench": other_bench(generator={"level_uncertainty_db": 0.5})},
            r"level_uncertainty_db = 0.25, and it is 0.5 now",
        ),
        (
            {"unit": UNIT.model_copy(update={"name": "Other"})},
            r'unit name = "Frost Watch 2", and it is "Other" now',
        ),
        ({"unit": UNIT.model_copy(update={"note": None})}, r"unit note = .* it is null now"),
        ({"plan": LITTLE.altered(sweeps=7)}, r"plan steps squelch sweeps = 1, and it is 7 now"),
        (
            {"plan": LITTLE.model_copy(update={"steps": LITTLE.steps[:-1]})},
            r"plan steps battery .* and it is null now",
        ),
        (
            {"plan": LITTLE.model_copy(update={"steps": LITTLE.steps[::-1]})},
            r'plan order = \["carrier", .* and it is \["battery"',
        ),
    ],
)
def test_what_was_set_otherwise_is_refused_and_nothing_is_touched(
    changed, told, notebook, tmp_path
) -> None:
    folder = tmp_path / "run"
    with pytest.raises(HardwareFault):
        accept(UNIT, BENCH, folder, Ending("Carrier"), LITTLE)
    before = left(folder)
    asked = {"unit": UNIT, "bench": BENCH, "plan": LITTLE} | changed
    with pytest.raises(BadInput, match=told):
        accept(
            asked["unit"],
            asked["bench"],
            folder,
            notebook.Quiet(),
            asked["plan"],
            resume=True,
        )
    assert left(folder) == before
    with pytest.raises(
        BadInput, match=r"not empty\. Name another folder, or go on with the run in"
    ):
        accept(UNIT, BENCH, folder, notebook.Quiet(), LITTLE)


def test_other_devices_are_refused(tmp_path) -> None:
    Journal.new(tmp_path, SETTINGS).begin({"output": "dongle 1", "generator": "G1"})
    with pytest.raises(BadInput, match='generator = "G1", and it is "G2" now'):
        Journal.of(tmp_path, SETTINGS).begin({"output": "dongle 1", "generator": "G2"})


def test_a_folder_without_a_run_is_refused(notebook, tmp_path) -> None:
    with pytest.raises(BadInput, match="holds no run to go on with"):
        accept(UNIT, BENCH, tmp_path / "none", notebook.Quiet(), LITTLE, resume=True)
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize(
    "text", ["", "{}\n", "[]\n", "hello\n", '{"journal": 1, "settings": 3}\n', '{"journal": 1}\n']
)
def test_no_journal_is_refused(text, tmp_path) -> None:
    (tmp_path / JOURNAL_NAME).write_text(text)
    with pytest.raises(Damaged):
        Journal.of(tmp_path, SETTINGS)


def test_another_step_in_its_place_is_refused_and_a_torn_line_is_cut_off(tmp_path) -> None:
    journal = Journal.new(tmp_path, SETTINGS)
    journal.begin({})
    journal.keep(Wait(seconds=1.0), 1.0, 1.0)
    path = tmp_path / JOURNAL_NAME
    whole = path.read_bytes()
    path.write_bytes(whole + b'{"step": {"kind": "Wa')
    again = Journal.of(tmp_path, SETTINGS)
    with pytest.raises(BadInput, match="step 1 of the run is not the one that was done"):
        again.recall(Wait(seconds=2.0))
    assert again.recall(Wait(seconds=1.0)).gave == 1.0
    assert again.recall(Wait(seconds=1.0)) is None
    again.keep(Wait(seconds=1.0), 2.0, 2.0)
    assert path.read_bytes().startswith(whole)
    assert [json.loads(line).keys() for line in path.read_bytes().splitlines()][2] == {"step"}
    text = path.read_text().replace('"journal": 2', '"journal": 99')
    path.write_text(text)
    with pytest.raises(BadInput, match="of another version"):
        Journal.of(tmp_path, SETTINGS)
