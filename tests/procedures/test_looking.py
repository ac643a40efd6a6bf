"""Looking at receivers before a run, and through its takes, on the simulated bench."""

import numpy as np
import pytest

from harness.blocks import Block
from harness.describe import example_path, load_bench, load_unit
from harness.devices import StreamInfo
from harness.errors import HardwareFault
from harness.measure.health import HealthWatch
from harness.procedures.accept import accept
from harness.procedures.looking import (
    Channels,
    TakesWatched,
    channels_of,
    look,
    look_first,
    require_sound,
    watched_stream,
)
from harness.procedures.wiring import simulated_bench
from harness.results import read_run
from tests.measure.test_health import COUNT, RATE_HZ, carrier, image_ratio_db, noise
from tests.procedures.test_accept import LITTLE
from tests.truth.files import quantise

UNIT = load_unit(example_path("frost-watch-2.toml"))
BENCH = load_bench(example_path("packing-shed.toml"))
GOOD = quantise(carrier(40e3, 0.3) + noise(0.02), "cu8")
CLIPPED = quantise(carrier(40e3, 0.99) + noise(0.02), "cu8")


class Watcher:
    """Hears what is said, and has room for the rest."""

    def __init__(self):
        self.said, self.healths, self.states = [], [], []

    def say(self, text):
        self.said.append(text)

    def health(self, healths):
        self.healths += healths

    def streams(self, states):
        self.states.append(states)


INFO = StreamInfo(
    role="output", datatype="cu8", sample_rate_hz=RATE_HZ, centre_hz=153.785e6, hardware="dongle"
)


class Streams:
    """A source that is asked for no more than what its streams are."""

    @property
    def streams(self):
        return {"output": INFO}


def blocks(codes):
    starts = range(0, len(codes), 50_000)
    return [Block(codes[start : start + 50_000], start, RATE_HZ) for start in starts]


def test_a_look_is_shown_and_leaves_a_simulated_run_as_it_was() -> None:
    """Exact: the samples of the first take after it are those without it."""
    watcher = Watcher()
    first, second = simulated_bench(BENCH), simulated_bench(BENCH)
    assert look_first(first, BENCH, UNIT, watcher) == ()
    assert [health.watched.name for health in watcher.healths] == [
        "input receiver",
        "output receiver",
    ]
    assert all(health.samples > 249_000 for health in watcher.healths)
    given = []
    for source in (first, second):
        source.start()
        read = source.read(0.2)
        given.append(
            {role: np.concatenate([block.samples for block in read[role]]) for role in read}
        )
    assert set(given[0]) == {"input", "output"}
    for role, codes in given[0].items():
        np.testing.assert_array_equal(codes, given[1][role])


def test_the_simulated_receivers_are_what_they_were_made() -> None:
    """Noise of 0.45 of a code and rounding in 250 kHz; DC of 0.4 and -0.3 of a code."""
    watches = look(simulated_bench(BENCH), BENCH, channels_of(UNIT), 2.0)
    for watch in watches.values():
        band = watch.health().spectrum
        noise_power = 2.0 * (0.45**2 + 1.0 / 12.0) / 127.5**2 * 12.5e3 / RATE_HZ
        assert band.noise_dbfs == pytest.approx(10.0 * np.log10(noise_power), abs=0.3)
        assert band.spike_dbfs.level_db == pytest.approx(20.0 * np.log10(0.5 / 127.5), abs=0.5)
        assert not band.spike_in_channel


def test_the_image_is_that_of_the_simulated_receiver() -> None:
    """0.03 dB and 0.3 degrees, by the formula; a carrier at -80 dBm is 45 dB above a line's noise.

    By chance an image of -50 dB moves by 0.3 dB in 2 s (one sigma, as in test_health).
    """
    source = simulated_bench(BENCH)
    source.set_frequency(UNIT.receive_hz)
    source.set_level(-80.0)
    source.start()
    watch = HealthWatch(watched_stream(source.streams["input"], BENCH, channels_of(UNIT)))
    for block in source.read(2.0)["input"]:
        watch.push(block)
    band = watch.finish().spectrum
    truth_db = image_ratio_db(10.0 ** (0.03 / 20.0), np.radians(0.3))
    assert not band.image_db.is_bound
    assert band.image_db.level_db == pytest.approx(truth_db, abs=1.5)


@pytest.mark.slow(reason="an acceptance, shortened")
def test_what_was_wrong_stands_in_the_results(notebook, tmp_path) -> None:
    """A pad was left out and blocks are lost: found in the takes, not in the look before them."""
    faults = BENCH.simulated.model_copy(update={"faults": ("lost blocks", "overload")})
    bench = BENCH.model_copy(update={"simulated": faults})
    unit = UNIT.model_copy(update={"knob_positions": ("12:00",), "battery": None})
    watcher = notebook.Quiet()
    done = accept(unit, bench, tmp_path / "run", watcher, LITTLE)
    told = [caution for caution in read_run(done.path).cautions if "receiver: " in caution]
    during = [caution for caution in told if caution.startswith("During the run (take ")]
    assert any("output receiver: " in one and "clipped" in one for one in during)
    assert any("are missing" in one for one in during)
    assert not any("gain" in one and "the gain or add" not in one for one in during)


def test_the_channel_is_the_units_where_it_is_in_the_band() -> None:
    watched = watched_stream(INFO, BENCH, channels_of(UNIT))
    assert watched.channel_hz == UNIT.transmit_hz
    # As fast as the bench file says.
    assert watched.centre_hz == pytest.approx(153.785e6 * (1.0 + 38.6e-6))
    assert watched.sample_rate_hz == pytest.approx(RATE_HZ * (1.0 + 38.6e-6))
    # 0 dBm and 43.1 dB of pads.
    assert watched.scale_dbm == pytest.approx(43.1)
    away = Channels(middles_hz={"output": 150e6})
    assert watched_stream(INFO, BENCH, away).channel_hz is None


def test_what_is_at_fault_stops_and_what_is_not_does_not() -> None:
    def health(codes):
        watch = HealthWatch(watched_stream(INFO, BENCH, channels_of(UNIT)))
        watch.push(Block(codes, 0, RATE_HZ))
        return watch.finish()

    require_sound([health(GOOD), health(CLIPPED)])
    with pytest.raises(HardwareFault, match="output receiver: all samples are the same"):
        require_sound([health(GOOD), health(np.full((COUNT, 2), 127, np.uint8))])


def test_cautions_of_a_run_name_the_takes_once() -> None:
    takes, watcher = TakesWatched(), Watcher()
    for name, codes in (("one", CLIPPED), ("two", GOOD), ("three", CLIPPED)):
        follow = takes.begin(name, Streams(), BENCH, UNIT, watcher)
        for block in blocks(codes):
            follow("output", [block])
    (caution,) = takes.cautions
    assert caution.startswith("During the run (take one and 1 more): output receiver: ")
    assert "clipped" in caution
    assert takes.cautions == (caution,), "asked again it says the same"
    assert watcher.states[-1][0].samples == COUNT


def test_a_run_without_fault_has_no_caution() -> None:
    takes = TakesWatched()
    follow = takes.begin("one", Streams(), BENCH, UNIT, None)
    follow("output", blocks(GOOD))
    assert takes.cautions == ()
