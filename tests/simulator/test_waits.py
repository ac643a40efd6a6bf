"""Waiting on the simulated bench: what happens in it, and that its cut does not show."""

import pytest

from harness.simulator import SimulatedBench, simulated_unit
from harness.simulator.world import FRAME_S

UNIT = simulated_unit("frost-watch-2")


def bench_of():
    return SimulatedBench(UNIT, streams=("output",))


WAITS_S = {"5 s": 5.0, "5 min": 300.0, "1 h": 3600.0, "7 h": 7 * 3600.0, "uneven": 411.3}


def test_no_cut_of_a_wait_shows_in_the_bits():
    """Keyed until well past the cut-off, at about 5 h 50 min, in waits of 5 s up to one of 7 h."""
    ends = {}
    for name, seconds in WAITS_S.items():
        bench = bench_of()
        bench.set_level(-90.0)
        for _ in range(int(7 * 3600.0 // seconds)):
            bench.wait(seconds)
        bench.wait(max(7 * 3600.0 - bench.now_s, 0.0))
        assert bench.truth.cut_off
        ends[name] = (bench.truth.charge_ah, bench.truth.supply_v, bench.truth.temperature_degc)
    assert len(set(ends.values())) == 1, ends


def test_a_look_at_the_supply_changes_nothing():
    looked_at, left_alone = bench_of(), bench_of()
    for bench in (looked_at, left_alone):
        bench.set_level(-90.0)
        for _ in range(10):
            bench.wait(7.7)
            if bench is looked_at:
                bench.read_supply()
    assert looked_at.truth.supply_v == left_alone.truth.supply_v


@pytest.mark.parametrize("interval_s", [300.0, 3600.0])
def test_the_carrier_is_gone_once_the_battery_has_given_out(interval_s):
    """Run time by samples: within one interval of the cut-off itself, to the 5 s of a step."""
    fine = bench_of()
    fine.set_level(-90.0)
    while not fine.truth.cut_off:
        fine.wait(5.0)
    bench = bench_of()
    bench.set_level(-90.0)
    bench.wait(5 * 3600.0)
    cut_off = False
    while not cut_off:
        bench.wait(interval_s)
        cut_off, at_s = bench.truth.cut_off, bench._now_s
        bench.start()
        bench.read(0.02)
        # What leaves the unit: the envelope of the take's frames.
        keyed = [frame.keyed for frame in bench._world.frames if frame.number * FRAME_S >= at_s]
        assert keyed
        assert all(share == (0.0 if cut_off else 1.0) for share in keyed)
        bench.stop()
    assert 0.0 <= bench.now_s - fine.now_s <= interval_s + 5.0
