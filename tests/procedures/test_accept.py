"""The acceptance: refused before anything is keyed, kept when it ends early, never written over.

Run on the simulated bench with one knob position and no battery: what is looked at here is the
keeping of results, not their size.
"""

import math
from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest

from harness.describe import example_path, load_bench, load_plan, load_unit
from harness.errors import BadInput, HardwareFault, Unsafe
from harness.procedures import accept as accepting
from harness.procedures.accept import accept, judged_run
from harness.procedures.wiring import open_bench
from harness.readings import Findings, Limit, Reading, not_measured
from harness.recordings import open_recording
from harness.results import read_run

UNIT = load_unit(example_path("frost-watch-2.toml")).model_copy(
    update={"knob_positions": ("12:00",), "battery": None}
)
BENCH = load_bench(example_path("packing-shed.toml"))
LITTLE = (
    load_plan("short")
    .doing(["battery"])
    .altered(
        keyings=2, search_dbm=(-122.0, -116.0), quiet_s=0.5, sweeps=1, levels_dbm=(-118.0, -116.0)
    )
)


def files(folder):
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture
def opened(monkeypatch):
    """Keep hold of the benches that ``accept`` opens."""
    benches = []

    def remembering(bench):
        benches.append(open_bench(bench))
        return benches[-1]

    monkeypatch.setattr(accepting, "open_bench", remembering)
    return benches


def without(element):
    """The example bench with one pad taken out of the way to the output receiver."""
    path = tuple(part for part in BENCH.output.path if part.element != element)
    assert len(path) == len(BENCH.output.path) - 1
    return BENCH.model_copy(update={"output": BENCH.output.model_copy(update={"path": path})})


# 4 W are 36.0 dBm; the receiver stands 10 dBm and each pad its rating (docs of the level plan).
@pytest.mark.parametrize(
    ("element", "what"),
    [("30 dB pad", "10 dB pad gets 4 W and is rated 1 W")],
)
def test_an_unsafe_bench_is_refused_before_anything_is_opened(
    element, what, opened, notebook, tmp_path
) -> None:
    watcher = notebook.Quiet()
    with pytest.raises(Unsafe, match=what):
        accept(UNIT, without(element), tmp_path / "run", watcher, LITTLE)
    assert opened == []
    assert list(tmp_path.iterdir()) == []
    # The plan is shown all the same: the operator has to see what to change.
    assert any("NOT SAFE" in line for line in watcher.said)


@pytest.mark.parametrize(
    ("unit", "prepare", "what"),
    [
        (UNIT.model_copy(update={"knob_positions": ()}), None, "knob_positions is missing"),
        (UNIT, "folder", "not empty"),
        (UNIT, "file", "is a file"),
    ],
)
def test_what_cannot_go_is_said_before_anything_is_opened(
    unit, prepare, what, opened, notebook, tmp_path
) -> None:
    folder = tmp_path / "run"
    if prepare == "folder":
        folder.mkdir()
        (folder / "notes.txt").write_text("mine")
    elif prepare == "file":
        folder.write_text("mine")
    before = files(tmp_path)
    with pytest.raises(BadInput, match=what):
        accept(unit, BENCH, folder, notebook.Quiet(), LITTLE)
    assert opened == []
    assert files(tmp_path) == before


class FailsInTake:
    """A source that works until its n-th take, and then does what it is given to do."""

    def __init__(self, source, number, fault):
        self.source, self.number, self.fault, self.takes = source, number, fault, 0

    def __getattr__(self, name):
        return getattr(self.source, name)

    def start(self):
        self.takes += 1
        self.source.start()

    def read(self, until_s):
        if self.takes == self.number and until_s > 1.0:
            raise self.fault
        return self.source.read(until_s)


@pytest.mark.parametrize(
    ("fault", "note"),
    [
        (
            HardwareFault("no samples for 1 s; unplugged?", "dongle 00000102", "Plug it in."),
            "Ended early: dongle 00000102: no samples for 1 s; unplugged? Plug it in.",
        ),
        (KeyboardInterrupt(), "Ended early: stopped by the operator."),
        (RuntimeError("a defect"), "Ended early by a fault of the program."),
    ],
    ids=["hardware", "Ctrl-C", "defect"],
)
def test_what_was_measured_before_an_early_end_is_kept(
    fault, note, monkeypatch, notebook, tmp_path
) -> None:
    benches = []

    def failing(bench, **more):
        good = open_bench(bench, **more)
        benches.append(good)
        return replace(good, source=FailsInTake(good.source, 2, fault))

    monkeypatch.setattr(accepting, "open_bench", failing)
    with pytest.raises(type(fault)):
        accept(UNIT, BENCH, tmp_path / "run", notebook.Quiet(), LITTLE)
    run = read_run(tmp_path / "run" / "results.h5")
    assert run.notes == note
    measured = [r for found in run.findings for r in found.readings if r.value is not None]
    assert {"carrier_power", "sinad"} <= {reading.name for reading in measured}
    # What no step came to is no pass.
    assert run.verdict == "not measured"
    assert {found.kind for found in run.findings} == {"carrier", "audio", "not measured"}
    # The take in which it failed is kept up to there as well: four blocks of a quarter second.
    kept = open_recording(tmp_path / "run" / "recordings" / "timing-output.sigmf-meta")
    assert kept.duration_s == pytest.approx(1.0, abs=1e-3)
    # A take on the same bench shows no more than the generator's silence: RF is off.
    source = benches[0].source
    source.start()
    quiet = source.read(0.1)["input"][-1].samples.astype(float) - 127.5
    source.stop()
    assert math.sqrt((quiet[len(quiet) // 2 :] ** 2).mean()) < 20.0


def test_a_run_is_whole_and_a_second_one_leaves_it_alone(notebook, tmp_path) -> None:
    folder = tmp_path / "run"
    done = accept(UNIT, BENCH, folder, notebook.Quiet(), LITTLE)
    assert read_run(done.path).verdict == done.run.verdict
    assert done.run.notes == ""
    assert done.run.source == "simulated"
    assert done.run.procedure == "short acceptance, altered"
    kinds = [found.kind for found in done.run.findings]
    assert kinds == ["carrier", "audio", "timing", "timing", "squelch", "audio", "not measured"]
    before = files(folder)
    with pytest.raises(BadInput, match="not empty"):
        accept(UNIT, BENCH, folder, notebook.Quiet(), LITTLE)
    assert files(folder) == before


def reading(value_db, **conditions):
    """A SINAD with U = 0.2 dB."""
    return Reading(
        name="sinad", value=value_db, unit="dB", expanded_uncertainty=0.2, conditions=conditions
    )


def absent(**conditions):
    return not_measured("sinad", "there was no tone", conditions=conditions)


def at_least(minimum_db, **where):
    return Limit(reading="sinad", unit="dB", source="chosen", minimum=minimum_db, where=where)


GOOD, POOR, NEAR = reading(30.0), reading(10.0), reading(20.1)
LIMIT = at_least(20.0)
POWER = Limit(reading="carrier_power", unit="dBm", source="chosen", minimum=35.0)


@pytest.mark.parametrize(
    ("limits", "readings", "verdict", "added"),
    [
        ([LIMIT], [GOOD], "pass", 0),
        ([LIMIT], [POOR], "fail", 0),
        ([LIMIT], [NEAR], "undecided", 0),
        # Two ways to one reading: the one that did not work does not count against the other...
        ([LIMIT], [GOOD, absent()], "pass", 0),
        ([LIMIT], [absent(), absent()], "not measured", 0),
        # ... but each one that did work counts, and the weakest decides.
        ([LIMIT], [GOOD, POOR], "fail", 0),
        ([LIMIT], [GOOD, NEAR], "undecided", 0),
        ([LIMIT, POWER], [GOOD], "not measured", 1),
        ([LIMIT, POWER], [POOR], "fail", 1),
        ([LIMIT, POWER], [NEAR], "undecided", 1),
        # Two limits for one reading, of which one is not kept.
        ([LIMIT, at_least(40.0)], [GOOD], "fail", 0),
        # What no limit asks for does not count, measured or not.
        ([at_least(20.0, knob="12:00")], [reading(30.0, knob="12:00"), reading(1.0)], "pass", 0),
        ([at_least(20.0, knob="12:00")], [reading(30.0, knob="12:00"), absent()], "pass", 0),
        ([at_least(20.0, knob="12:00")], [reading(30.0, knob="9:00")], "not measured", 1),
        ([], [GOOD], "not measured", 0),
    ],
)
def test_the_verdict_is_by_limit(limits, readings, verdict, added) -> None:
    unit = SimpleNamespace(limits=tuple(limits), plain=dict)
    run = judged_run(
        unit,
        BENCH,
        [Findings(kind="audio", readings=tuple(readings))],
        title="t",
        procedure="p",
        source="simulated",
        cautions=(),
        started=datetime(2026, 6, 21, tzinfo=UTC),
        notes="",
    )
    assert run.verdict == verdict
    # A limit that no step came to shows as a reading that was not measured.
    assert sum(len(found.readings) for found in run.findings) == len(readings) + added
