"""What happens to the signal on its way: by its own formulas, on any grid, the same after a cut."""

import math

import numpy as np
import pytest

from harness.simulator import Environment, SimulatedBench, simulated_unit
from harness.simulator.environment import CALM, CONDITIONS
from harness.simulator.unit import FAULTS, parameters

UNIT = simulated_unit("frost-watch-2")


def codes(bench, seconds, cuts=()):
    bench.set_level(-80.0)
    bench.start()
    blocks = [block for until_s in (*cuts, seconds) for block in bench.read(until_s)["input"]]
    bench.stop()
    return np.concatenate([block.samples for block in blocks])


def test_nothing_happens_unless_asked_for():
    assert CALM.gain(3.0, 1e-5, 100).tolist() == [1.0]
    assert CALM.impulses(3.0, 1e-5, 100) is None
    plain = codes(SimulatedBench(UNIT, streams=("input",)), 0.3)
    calm = codes(SimulatedBench(UNIT, streams=("input",), environment=Environment()), 0.3)
    assert (plain == calm).all()


def test_every_parameter_says_where_it_is_from_and_each_condition_sets_some():
    listed = list(parameters(CALM))
    assert len(listed) == 7
    assert all(parameter.source for parameter in listed)
    names = {parameter.name for parameter in listed}
    for condition, changes in CONDITIONS.items():
        assert condition in FAULTS
        assert set(changes) <= names


def test_the_fade_goes_down_by_its_depth_and_comes_back():
    fading = Environment(fade_db=6.0, fade_hz=0.5)
    gain_db = 20.0 * np.log10(fading.gain(0.0, 0.01, 201))
    # Exact: 0 dB at whole turns, -6 dB half-way, -3 dB at a quarter.
    assert gain_db[[0, 50, 100, 150, 200]] == pytest.approx([0.0, -3.0, -6.0, -3.0, 0.0], abs=1e-9)
    # Any grid gives the same.
    assert fading.gain(0.37, 0.0, 1)[0] == pytest.approx(fading.gain(0.0, 0.01, 38)[37], rel=1e-12)


def test_impulses_come_at_their_rate_with_their_energy():
    noisy = Environment(impulses_per_s=40.0, impulse_port_dbm=-50.0, impulse_s=20e-6)
    step_s, count = 2e-6, 500_000
    added = sum(
        (np.abs(one) ** 2).sum() * step_s
        for second in range(20)
        if (one := noisy.impulses(float(second), step_s, count)) is not None
    )
    # Energy of 800 impulses of 20 us at 1e-5 mW: five sigma of the number, 18 %; samples at their
    # ends hold part of the amplitude, 3 %.
    assert added == pytest.approx(800 * 20e-6 * 1e-5, rel=0.2)


def test_an_impulse_shorter_than_a_sample_keeps_its_area():
    noisy = Environment(impulses_per_s=10.0, impulse_port_dbm=0.0, impulse_s=20e-6)
    fine = noisy.impulses(4.0, 1e-6, 1_000_000)
    coarse = noisy.impulses(4.0, 32e-6, 31_250)
    # Exact: the same complex area, however it is sampled.
    assert fine.sum() * 1e-6 == pytest.approx(coarse.sum() * 32e-6, abs=1e-12)


@pytest.mark.parametrize("name", list(CONDITIONS))
def test_the_cut_does_not_show(name):
    def bench():
        return SimulatedBench(UNIT, streams=("input",), faults=(name,))

    whole = codes(bench(), 1.1)
    assert (whole == codes(bench(), 1.1, cuts=(0.013, 0.4, 0.4001, 1.0))).all()
    calm = codes(SimulatedBench(UNIT, streams=("input",)), 1.1)
    assert (whole != calm).any()


def test_the_generator_off_frequency_is_off_on_every_setting():
    found = []
    for offset_hz in (0.0, 1500.0):
        environment = Environment(generator_offset_hz=offset_hz)
        bench = SimulatedBench(UNIT, streams=("input",), environment=environment)
        bench.set_frequency(UNIT.receive_hz + 100.0)
        iq = codes(bench, 0.5).astype(float) @ np.array([1.0, 1j]) - 127.5 * (1 + 1j)
        turned = np.vdot(iq[:-1], iq[1:])
        found.append(math.atan2(turned.imag, turned.real) / (2 * math.pi) * 250e3)
    # The noise of 125 000 samples 20 dB below the carrier: a few hertz.
    assert found[1] - found[0] == pytest.approx(1500.0, abs=10.0)
