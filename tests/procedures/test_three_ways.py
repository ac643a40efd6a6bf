"""One plan by two dongles, by one dongle, and by hand: the same unit reads the same within U.

On the simulated bench, whose seed is another each time, so that the noise is. With two dongles
input levels are measured, times are from edge to edge; with one, levels are those that were set and
times are read from the output alone; by hand an operator sets the generator, and is asked for each
change. Tolerance: the larger of both U, and not their sum. Five keyings: a unit's hang scatters by
itself, which U knows of from several only.
"""

from dataclasses import dataclass, field

import pytest

from harness.describe import bench_from, example_path, load_bench, load_unit, plan_from
from harness.procedures import accept as accepting
from harness.procedures.accept import accept
from harness.procedures.wiring.simulated import devices_of
from harness.simulator import SimulatedBench, simulated_unit

pytestmark = pytest.mark.slow(reason="the same plan is run three times at sample level")
UNIT = load_unit(example_path("frost-watch-2.toml")).model_copy(update={"battery": None})
BENCH = load_bench(example_path("packing-shed.toml"))
PLAN = plan_from(
    {
        "name": "little",
        "steps": [
            {"procedure": "carrier", "seconds": 1.0},
            {"procedure": "keying", "keyings": 5},
            {"procedure": "sensitivity", "levels_dbm": [-118, -116]},
        ],
    }
)
COMPARED = (
    "carrier_power",
    "frequency_error",
    "deviation_tone",
    "hang_time",
    "sensitivity_12db_sinad",
)


class Quiet:
    def step(self, title):
        pass

    def progress(self, share):
        pass

    def say(self, text):
        pass


@dataclass
class Obliging:
    """An operator who does what is asked, and remembers how often."""

    asked: list[str] = field(default_factory=list)

    def ask(self, question):
        self.asked.append(question)
        return ""

    def say(self, text):
        pass


def with_seed(seed, **changed):
    table = BENCH.plain()
    table["simulated"]["seed"] = seed
    for part, keys in changed.items():
        table[part] |= keys
    return table


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("ways")
    two = accept(UNIT, bench_from(with_seed(11)), folder / "two", Quiet(), PLAN).run
    pad = {"element": "60 dB pad", "loss_db": 60.0, "uncertainty_db": 0.1, "rating_w": 10}
    table = with_seed(12, generator={"path": [pad]})
    del table["input"]
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(
            accepting,
            "open_bench",
            lambda bench, **more: devices_of(
                SimulatedBench(simulated_unit("frost-watch-2"), seed=12, streams=("output",))
            ),
        )
        one = accept(UNIT, bench_from(table), folder / "one", Quiet(), PLAN).run
    operator = Obliging()
    rehearsal = bench_from(with_seed(13, generator={"source": "by hand"}))
    by_hand = accept(UNIT, rehearsal, folder / "by hand", Quiet(), PLAN, operator).run
    # Three levels of the sweep and two of the other takes, at the least.
    assert len(operator.asked) >= 5
    return {"two dongles": two, "one dongle": one, "by hand": by_hand}


def first(run, name):
    return next(
        reading
        for found in run.findings
        for reading in found.readings
        if reading.name == name
        and isinstance(reading.value, float)
        and reading.conditions.get("role", "output") == "output"
    )


@pytest.mark.parametrize("way", ["one dongle", "by hand"])
@pytest.mark.parametrize("name", COMPARED)
def test_another_way_reads_the_same_within_u(way, name, runs) -> None:
    reading, other = first(runs["two dongles"], name), first(runs[way], name)
    most = max(reading.expanded_uncertainty, other.expanded_uncertainty)
    assert abs(reading.value - other.value) <= most
    # Not one and the same recording read twice.
    assert reading.value != other.value


def test_what_the_ways_rest_on_differs(runs) -> None:
    assert "method" not in first(runs["two dongles"], "hang_time").conditions
    assert first(runs["one dongle"], "hang_time").conditions["method"] == "output only"
    parts = {
        way: {part.name for part in first(run, "sensitivity_12db_sinad").contributions}
        for way, run in runs.items()
    }
    assert parts["two dongles"] != parts["one dongle"]
