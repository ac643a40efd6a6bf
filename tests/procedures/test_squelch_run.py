"""A run of the squelch: interrupted and resumed, a stuck transmitter, by hand, its time, its watch.

On the simulated bench, shortened. What must hold stands in DESIGN sections 3, 6 and 7; there are no
numbers to look up.
"""

import json
from dataclasses import replace

import pytest

from harness.advice.positions import quiet_of
from harness.describe import bench_from, example_path, load_bench, load_unit
from harness.errors import BadInput, HardwareFault
from harness.procedures import accept as accepting
from harness.procedures import squelch as procedure
from harness.procedures.squelch_depths import QUICK
from harness.procedures.squelch_run import beforehand, characterise_squelch
from harness.procedures.squelch_time import expected
from harness.procedures.wiring import open_bench
from harness.procedures.wiring.simulated import devices_of
from harness.results import read_run
from harness.simulator import SimulatedBench, simulated_unit

UNIT = load_unit(example_path("frost-watch-2.toml"))
BENCH = load_bench(example_path("packing-shed.toml"))
LITTLE = replace(QUICK, keyings=2, quiet_s=2.0, sweeps=3, least=3, listening_s=1.0)
TAKES_OF_A_POSITION = 4


class Bench:
    """Hold of the bench that a run opens: ends it in a take, or keeps its RF on."""

    def __init__(self, monkeypatch):
        self.take = self.offs = 0
        self.ends_in, self.ends_with, self.sticks_after = None, KeyboardInterrupt(), None
        self.last_told = ""
        self.opened = None
        monkeypatch.setattr(accepting, "open_bench", self.open)

    def open(self, *words, **more):
        self.opened = opened = open_bench(*words, **more)
        source, generator = opened.source, opened.generator
        start, read = source.start, source.read
        rf_off, set_level = generator.rf_off, generator.set_level

        def starts():
            self.take += 1
            start()

        def reads(until_s):
            if self.take == self.ends_in and until_s > 1.0:
                raise self.ends_with
            return read(until_s)

        def on(level_port_dbm):
            self.last_told = "on"
            set_level(level_port_dbm)

        def off():
            self.offs += 1
            self.last_told = "off"
            # The unit goes on hearing a signal, whatever the generator is told: for it, stuck.
            if self.sticks_after is not None and self.offs > self.sticks_after:
                set_level(-80.0)
            else:
                rf_off()

        source.start, source.read = starts, reads
        generator.rf_off, generator.set_level = off, on
        return opened


@pytest.fixture
def bench(monkeypatch):
    return Bench(monkeypatch)


def positions_in(run):
    return {
        reading.conditions.get("knob")
        for found in run.findings
        for reading in found.readings
        if reading.name == "keying_state"
    }


def test_interrupted_it_keeps_what_was_measured_and_goes_on_there(
    bench, notebook, tmp_path
) -> None:
    folder, watcher = tmp_path / "run", notebook.Quiet()
    bench.ends_in = TAKES_OF_A_POSITION + 3
    with pytest.raises(KeyboardInterrupt):
        characterise_squelch(
            UNIT, BENCH, folder, watcher, LITTLE, ("12:00", "3:30"), go_on_with="on"
        )
    kept = read_run(folder / "results.h5")
    assert positions_in(kept) == {"12:00"}
    assert kept.notes.startswith("Ended early")
    assert any("Squelch at 3:30" in line and "on" in line for line in watcher.said)
    bench.ends_in = None
    for other in (replace(LITTLE, sweeps=4), LITTLE):
        if other is not LITTLE:
            with pytest.raises(BadInput, match="sweeps = 3"):
                characterise_squelch(
                    UNIT, BENCH, folder, watcher, other, ("12:00", "3:30"), resume=True
                )
    before = bench.take
    done = characterise_squelch(
        UNIT, BENCH, folder, watcher, LITTLE, ("12:00", "3:30"), resume=True
    )
    assert positions_in(done.run) == {"12:00", "3:30"}
    # Of the second position two takes were done: the sweeps and the listening were left.
    assert bench.take - before == 2

    def values(run):
        return [
            (r.name, r.value)
            for found in run.findings
            for r in found.readings
            if r.conditions.get("knob") == "12:00"
        ]

    assert values(done.run) == values(kept)


def test_a_stuck_transmitter_stops_it_with_rf_off_and_in_one_line(
    bench, notebook, tmp_path
) -> None:
    folder = tmp_path / "run"
    # The first position and a keying of the second have ended well.
    bench.sticks_after = 22
    with pytest.raises(HardwareFault) as told:
        characterise_squelch(UNIT, BENCH, folder, notebook.Quiet(), LITTLE, ("12:00", "3:30"))
    assert "still keyed" in str(told.value)
    assert "\n" not in str(told.value)
    assert told.value.exit_status == 3
    assert bench.last_told == "off"
    run = read_run(folder / "results.h5")
    assert run.findings, "what was measured is kept"


@pytest.mark.long(reason="a position at its whole length; shorter ones are run, untimed")
def test_the_time_that_it_says_is_what_it_takes(bench, notebook, tmp_path) -> None:
    """Within 20 %, for the unit's own hang; bench time is that of the bench's own clock."""
    depth = replace(LITTLE, sweeps=8, least=8, keyings=4, listening_s=3.0)
    characterise_squelch(UNIT, BENCH, tmp_path / "run", notebook.Quiet(), depth, ("12:00",))
    took_s = bench.opened.waiter.now_s
    assert abs(expected(depth, 0.6).position_s - took_s) <= 0.2 * took_s


class OneReceiver:
    """A source that has no input stream."""

    def __init__(self, source):
        self.source = source

    def __getattr__(self, name):
        return getattr(self.source, name)

    @property
    def streams(self):
        return {"output": self.source.streams["output"]}

    def read(self, until_s):
        return {"output": self.source.read(until_s)["output"]}


def test_one_receiver_on_the_output_is_enough(bench, notebook, monkeypatch, tmp_path) -> None:
    opens = bench.open

    def open_one(*words, **more):
        opened = opens(*words, **more)
        return replace(opened, source=OneReceiver(opened.source))

    monkeypatch.setattr(accepting, "open_bench", open_one)
    done = characterise_squelch(UNIT, BENCH, tmp_path / "run", notebook.Quiet(), LITTLE, ("12:00",))
    found = {
        reading.name: reading
        for findings in done.run.findings
        for reading in findings.readings
        if reading.value is not None
    }
    for name in ("squelch_opening", "squelch_closing", "hang_time", "keying_state"):
        assert name in found
    cautions = " ".join(caution for findings in done.run.findings for caution in findings.cautions)
    assert "as the generator was set" in cautions


class Script:
    """An operator who says that all is done."""

    def __init__(self):
        self.asked = []

    def ask(self, question):
        self.asked.append(question)
        return ""

    def say(self, text):
        pass


def test_by_hand_the_operator_is_asked_for_each_level(notebook, tmp_path) -> None:
    table = BENCH.plain()
    table["generator"] = {**table["generator"], "source": "by hand"}
    by_hand = bench_from(table)
    operator = Script()
    done = characterise_squelch(
        UNIT, by_hand, tmp_path / "run", notebook.Quiet(), LITTLE, ("12:00",), operator
    )
    assert positions_in(done.run) == {"12:00"}
    levels = [question for question in operator.asked if "dBm" in question]
    assert len(levels) > 20
    assert any("RF off" in question for question in operator.asked)
    # Counted as settings beforehand, within a factor: the sweeps hang on chance.
    said = " ".join(beforehand(by_hand, LITTLE, ("12:00",), "9:00"))
    assert "settings by hand" in said
    assert 0.5 <= expected(LITTLE).settings / len(operator.asked) <= 2.0


def watch(folder, notebook, position="12:00", seconds=12.0, **more):
    return characterise_squelch(
        UNIT.model_copy(update={"knob_positions": (position,)}),
        BENCH,
        folder,
        notebook.Quiet(),
        replace(LITTLE, quiet_s=seconds),
        (position,),
        only_quiet=True,
        **more,
    )


def rate_of(run):
    return next(
        reading
        for found in run.findings
        for reading in found.readings
        if reading.name == "false_keying_rate"
    )


@pytest.fixture
def short_pieces(monkeypatch):
    monkeypatch.setattr(procedure, "PIECE_S", 3.0)


def test_a_watch_adds_up_over_an_interruption_and_keeps_no_samples(
    bench, notebook, short_pieces, tmp_path
) -> None:
    folder = tmp_path / "run"
    bench.ends_in = 3
    with pytest.raises(KeyboardInterrupt):
        watch(folder, notebook)
    first = quiet_of(rate_of(read_run(folder / "results.h5")))
    assert (first.key_ups, round(first.watched_s, 1)) == (0, 6.0)
    bench.ends_in = None
    before = bench.take
    done = watch(folder, notebook, resume=True)
    assert bench.take - before == 2, "two pieces were left"
    # Each piece is a recording: some samples at its ends belong to the filters.
    whole = quiet_of(rate_of(done.run))
    assert whole.key_ups == 0
    assert abs(whole.watched_s - 12.0) <= 4 * 0.05
    assert rate_of(done.run).conditions["knob"] == "12:00"
    left = [path for path in (folder / "recordings").rglob("*") if path.is_file()]
    assert left == []


@pytest.fixture
def falsing(monkeypatch):
    """A bench whose squelch opens on noise at 10:30 and drops again: little hysteresis."""
    true = simulated_unit("frost-watch-2")
    true = replace(true, squelch=replace(true.squelch, hysteresis=1.22))
    monkeypatch.setattr(
        accepting, "open_bench", lambda *_, **__: devices_of(SimulatedBench(true, seed=1))
    )


def test_a_piece_in_which_it_keyed_is_kept_and_counted(
    falsing, notebook, short_pieces, tmp_path
) -> None:
    folder = tmp_path / "run"
    done = watch(folder, notebook, "10:30", 30.0)
    rate = rate_of(done.run)
    kept = sorted(path.stem for path in (folder / "recordings").rglob("*.sigmf-data"))
    lines = [json.loads(line) for line in (folder / "journal.jsonl").read_text().splitlines()]
    pieces = [line["step"]["gave"] for line in lines if line.get("step", {}).get("kind") == "Watch"]
    assert rate.count == sum(piece["key_ups"] for piece in pieces) > 0
    assert len(kept) == sum(bool(piece["kept"]) for piece in pieces) < len(pieces)


def test_noise_that_keys_it_and_keeps_it_keyed_is_not_called_stuck(
    notebook, short_pieces, tmp_path
) -> None:
    """At 10:30 noise opens the simulated squelch in 8 s, and its hysteresis keeps it open."""
    done = watch(tmp_path / "run", notebook, "10:30", 30.0)
    assert rate_of(done.run).count == 1
    assert not done.run.notes


def test_a_watch_of_what_is_always_keyed_ends_at_once(
    bench, notebook, short_pieces, tmp_path
) -> None:
    done = watch(tmp_path / "run", notebook, "9:00")
    assert bench.take == 1
    assert rate_of(done.run).value is None


@pytest.mark.parametrize(
    ("quiet_s", "limit"), [(180.0, "59.9"), (3.0 * 3600.0, "0.999"), (8 * 3600.0, "0.374")]
)
def test_the_limit_that_a_time_can_show_is_said_and_no_less(quiet_s, limit) -> None:
    """3.0/T of a Poisson count of none: -ln 0.05 = 2.9957, of the Poisson distribution."""
    said = " ".join(beforehand(BENCH, replace(QUICK, quiet_s=quiet_s), ("12:00",), "9:00"))
    assert f"fewer than {limit} false key-ups per hour" in said
