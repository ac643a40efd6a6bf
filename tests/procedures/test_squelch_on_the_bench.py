"""The squelch's takes on the simulated bench: every state and every fault, and what is said of it.

Truth is what the unit is built of (its knob, hang, noise figure), never what was measured of it.
"""

import math
from dataclasses import replace

import pytest

from harness.describe import example_path, load_bench, load_unit
from harness.errors import HardwareFault
from harness.procedures.acceptance import Extent, squelch_sweeps
from harness.procedures.runner import Runner
from harness.procedures.wiring.simulated import devices_of
from harness.simulator import SimulatedBench, simulated_unit
from tests.measure.pick import pick
from tests.procedures.bench import Quiet

UNIT = load_unit(example_path("frost-watch-2.toml"))
BENCH = load_bench(example_path("packing-shed.toml"))
TRUE = simulated_unit("frost-watch-2")
HANG_S = 0.66
"""The simulated unit's, with what the squelch takes to close."""
FEW = Extent(sweeps=3, quiet_s=2.0, search_dbm=(-126.0, -100.0))


def runner(folder, true, seed, faults=()):
    bench = SimulatedBench(true, seed=seed, faults=faults)
    return Runner(
        open_bench=devices_of(bench), unit=UNIT, bench=BENCH, folder=folder, watcher=Quiet()
    )


def swept(folder, position, *, true=TRUE, seed=1, faults=(), hang_s=HANG_S, extent=FEW):
    """Findings of the last squelch take at a position."""
    found = runner(folder, true, seed, faults).run(squelch_sweeps(position, hang_s, extent))
    return found[-1]


def with_squelch(**changes):
    return replace(TRUE, squelch=replace(TRUE.squelch, **changes))


FALSING = with_squelch(hysteresis=1.22, integration_s=0.006, hang_s=0.1)
FLUTTER = with_squelch(hysteresis=1.0, integration_s=0.0005, hang_s=0.02)
DEAD = replace(TRUE, receiver=replace(TRUE.receiver, noise_figure_db=45.0))
AGAIN = pytest.mark.long(reason="each state once more, by another seed")
ANOTHER = pytest.mark.long(reason="one more fault that is none of the squelch's")
STATES = (
    (1, "12:00", TRUE, HANG_S, "normal"),
    pytest.param(2, "3:30", TRUE, HANG_S, "normal", marks=AGAIN),
    (1, "7:00", TRUE, HANG_S, "always keyed"),
    pytest.param(2, "7:00", TRUE, HANG_S, "always keyed", marks=AGAIN),
    # Nothing opens it.
    (1, "12:00", DEAD, HANG_S, "never keyed"),
    # It falses and drops: the noise opens it every second or so.
    (1, "10:30", FALSING, 0.2, "normal"),
    pytest.param(2, "10:30", FALSING, 0.2, "normal", marks=AGAIN),
    # Neither hysteresis nor integration nor hang to speak of.
    (1, "12:00", FLUTTER, 0.1, "chatters"),
    pytest.param(2, "12:00", FLUTTER, 0.1, "chatters", marks=AGAIN),
    pytest.param(3, "12:00", FLUTTER, 0.1, "chatters", marks=AGAIN),
)


@pytest.mark.parametrize(("seed", "position", "true", "hang_s", "state"), STATES)
def test_no_wrong_state(tmp_path, seed, position, true, hang_s, state):
    found = swept(tmp_path, position, true=true, seed=seed, hang_s=hang_s)
    assert pick(found, "keying_state").value == state
    if true is FALSING:
        assert pick(found, "false_keying_rate").count > 0


# Faults and conditions ----------------------------------------------------------------------------

QUICK = with_squelch(hang_s=0.1)
"""A short hang, so that falling steps are short."""


def at(folder, *faults, position="3:30", extent=FEW):
    return swept(folder, position, true=QUICK, faults=faults, hang_s=0.16, extent=extent)


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return at(tmp_path_factory.mktemp("plain"))


def moved(found, plain, name):
    """How far a reading moved, and how far both may be off by chance."""
    there, here = pick(found, name), pick(plain, name)
    assert there.bound is None
    off_db = math.hypot(there.expanded_uncertainty, here.expanded_uncertainty)
    return there.value - here.value, off_db


def steady(reading):
    """Conditions but for the knob."""
    return {key: value for key, value in reading.conditions.items() if key != "knob"}


def test_a_deaf_receiver_moves_the_levels_by_what_it_is_deaf(tmp_path, plain):
    found = at(tmp_path, "deaf receiver", extent=replace(FEW, search_dbm=(-116.0, -90.0)))
    assert pick(found, "keying_state").value == "normal"
    # 10 dB more noise figure: the squelch looks at carrier to noise. Closing is keyed, where the
    # transmitter's own noise counted before and counts less now.
    by_db, off_db = moved(found, plain, "squelch_opening")
    assert by_db == pytest.approx(10.0, abs=off_db)
    by_db, off_db = moved(found, plain, "squelch_closing")
    assert by_db < 10.0 + off_db


def test_a_loose_squelch_opens_lower_and_falses_or_never_drops(tmp_path, plain):
    found = at(tmp_path / "tight", "loose squelch")
    by_db, _ = moved(found, plain, "squelch_opening")
    # 1.6 times the voltage: 2 to 4 dB where the detector falls by a decibel or so for each decibel.
    assert -5.0 < by_db < -1.0
    # Where the knob stood at 0.82 of the open noise it stands above it now.
    found = at(tmp_path / "loose", "loose squelch", position="10:30")
    assert pick(found, "keying_state").value == "always keyed"
    assert pick(found, "squelch_opening").value is None


def test_a_detuned_duplexer_costs_its_loss_and_its_noise(tmp_path, plain):
    found = at(tmp_path, "detuned duplexer")
    # 2 dB more loss; unkeyed, nothing else.
    by_db, off_db = moved(found, plain, "squelch_opening")
    assert by_db == pytest.approx(2.0, abs=off_db)
    # Keyed, 20 dB less isolation deafen it: it drops at every level that the sweeps reach, and
    # comes back.
    closing = pick(found, "squelch_closing")
    assert closing.bound == "lower"
    assert closing.value > pick(plain, "squelch_closing").value + 2.0
    assert any("its own noise deafens it" in text for text in found.cautions) or (
        pick(found, "keying_state").value == "chatters"
    )


@pytest.mark.parametrize(
    "fault", ["off-frequency crystal", pytest.param("weak battery", marks=ANOTHER)]
)
def test_what_does_not_touch_the_squelch_leaves_it_alone(tmp_path, plain, fault):
    found = at(tmp_path, fault)
    assert pick(found, "keying_state").value == "normal"
    for name in ("squelch_opening", "squelch_closing"):
        by_db, off_db = moved(found, plain, name)
        assert abs(by_db) <= off_db
        assert pick(found, name).flags == pick(plain, name).flags


def test_lost_blocks_are_flagged_and_move_nothing(tmp_path, plain):
    found = at(tmp_path, "lost blocks")
    for name in ("squelch_opening", "squelch_closing"):
        assert "lost samples" in pick(found, name).flags
        by_db, off_db = moved(found, plain, name)
        assert abs(by_db) <= off_db
    assert any("samples are missing" in text for text in found.cautions)


def test_an_overloaded_output_is_flagged_and_its_keying_still_read(tmp_path, plain):
    found = at(tmp_path, "overload")
    assert pick(found, "keying_state").value == "normal"
    assert "clipped" in pick(found, "squelch_opening").flags
    by_db, off_db = moved(found, plain, "squelch_opening")
    assert abs(by_db) <= off_db


def test_an_unplugged_dongle_ends_the_run_with_what_it_says(tmp_path):
    with pytest.raises(HardwareFault, match="unplugged"):
        at(tmp_path, "unplugged dongle", extent=replace(FEW, quiet_s=5.0))


def test_a_slow_fade_is_stated_and_the_levels_are_those_that_came(tmp_path, plain):
    found = at(tmp_path, "slow fade")
    opening = pick(found, "squelch_opening")
    # 6 dB from peak to peak, of which steps set alike see most.
    assert 3.0 < steady(opening)["input_fade_db"] < 6.3
    assert set(steady(opening)) == {"input_fade_db"}
    by_db, off_db = moved(found, plain, "squelch_opening")
    assert abs(by_db) <= off_db
    assert all("input_fade_db" in steady(reading) for reading in found.readings)


def test_impulses_are_stated_and_hold_the_squelch_shut(tmp_path, plain):
    found = at(tmp_path, "impulse noise")
    opening = pick(found, "squelch_opening")
    # 300 a second; two figures, Poisson over 10 s, and some fall upon each other.
    assert steady(opening)["input_impulses_per_s"] == pytest.approx(300.0, rel=0.15)
    by_db, off_db = moved(found, plain, "squelch_opening")
    assert by_db > off_db


def test_a_generator_off_frequency_is_stated_and_moves_the_levels(tmp_path, plain):
    found = at(tmp_path, "generator off frequency")
    opening = pick(found, "squelch_opening")
    # To 10 Hz as stated, and the clock's own error of 0.05 ppm (k = 3): 24 Hz.
    assert steady(opening)["input_offset_hz"] == pytest.approx(1800.0, abs=35.0)
    by_db, _ = moved(found, plain, "squelch_opening")
    assert by_db > 0.0
