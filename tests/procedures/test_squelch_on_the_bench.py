"""The squelch's takes on the simulated bench: every state and every fault, and what is said of it.

Truth is what the unit is built of (its knob, hang, noise figure), never what was measured of it.
"""

from dataclasses import replace

import pytest

from harness.describe import example_path, load_bench, load_unit
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


FALSING = with_squelch(integration_s=0.006, hang_s=0.1)
FLUTTER = with_squelch(hysteresis=1.0, integration_s=0.0005, hang_s=0.02)
DEAD = replace(TRUE, receiver=replace(TRUE.receiver, noise_figure_db=45.0))
STATES = (
    (1, "12:00", TRUE, HANG_S, "normal"),
    (2, "3:30", TRUE, HANG_S, "normal"),
    (1, "7:00", TRUE, HANG_S, "always keyed"),
    (2, "7:00", TRUE, HANG_S, "always keyed"),
    # Nothing opens it.
    (1, "12:00", DEAD, HANG_S, "never keyed"),
    # It falses and drops: the noise opens it every second or so.
    (1, "10:30", FALSING, 0.2, "normal"),
    (2, "10:30", FALSING, 0.2, "normal"),
    # Neither hysteresis nor integration nor hang to speak of.
    (1, "12:00", FLUTTER, 0.1, "chatters"),
    (2, "12:00", FLUTTER, 0.1, "chatters"),
    (3, "12:00", FLUTTER, 0.1, "chatters"),
)


@pytest.mark.parametrize(("seed", "position", "true", "hang_s", "state"), STATES)
def test_no_wrong_state(tmp_path, seed, position, true, hang_s, state):
    found = swept(tmp_path, position, true=true, seed=seed, hang_s=hang_s)
    assert pick(found, "keying_state").value == state
    if true is FALSING:
        assert pick(found, "false_keying_rate").count > 0
