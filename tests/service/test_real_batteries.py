"""Real discharges of one 17 Ah battery at three currents: what the run of one says of the others.

captures/README.md: 6.486 h at 3 A, 12.554 h at 1.5 A, 34.827 h at 0.5 A; times +-60 s, Ah +-1 %.
It says too that the delivered charge rises with the current here, so that Peukert's direction is
not to be tested for: 18.46 Ah at 0.5 A against 19.74 Ah at 3 A, 7 % apart. So the relation is seen
to miss, and the time by charge alone is held to those 7 % and the 1 % of the reading.
"""

import numpy as np
import pytest

from harness.measure.discharge import discharge_from_log
from harness.measure.setup import Options
from harness.recordings import read_log
from harness.service.battery import battery_run_of
from harness.service.run_time import Draw, Duty, Rate, Store, endurance
from tests.service.battery_runs import run_of

HOURS = {"3a": 6.486, "1a5": 12.554, "0a5": 34.827}
AMPERE_HOURS = {"3a": 19.74, "1a5": 19.28, "0a5": 18.46}
ALL = Duty(name="", transmit=1.0, receive=0.0)
LEAD_ACID = Rate(low=1.1, high=1.3, rated_hours=20.0)


@pytest.fixture(scope="module")
def runs(captures):
    return {
        name: battery_run_of(
            run_of(discharge_from_log(read_log(captures / f"sla12v_17ah_{name}.csv"), Options())),
            name,
        )
        for name in HOURS
    }


def mean_a(name):
    return AMPERE_HOURS[name] / HOURS[name]


def at(current_a, run):
    known = {"transmit": Draw(current_a=current_a, standard_uncertainty_a=0.0)}
    return endurance(ALL, known, Store(run=run), LEAD_ACID)


@pytest.mark.parametrize("name", HOURS)
def test_a_run_tells_its_charge_time_and_currents(runs, name):
    run = runs[name]
    assert run.charge_ah == pytest.approx(AMPERE_HOURS[name], rel=0.01)
    assert run.lasted_h == pytest.approx(HOURS[name], abs=60.0 / 3600.0)
    assert run.shares.sum() == pytest.approx(1.0)
    assert float(run.shares @ run.currents_a) == pytest.approx(mean_a(name), rel=0.01)
    assert np.all(run.currents_a >= 0.0)
    # The log has no power, so that nothing tells when the load was a keyed transmitter.
    assert (run.keyed, run.unkeyed) == (None, None)


@pytest.mark.parametrize("name", HOURS)
def test_at_its_own_current_the_run_says_what_it_lasted(runs, name):
    """1 % of the charge, and what the current's unevenness within the run costs: 1 %."""
    assert at(mean_a(name), runs[name]).hours == pytest.approx(HOURS[name], rel=0.02)


@pytest.mark.parametrize(("told_by", "of"), [("3a", "1a5"), ("3a", "0a5"), ("1a5", "0a5")])
def test_charge_alone_is_nearer_than_the_relation(runs, told_by, of):
    found = at(mean_a(of), runs[told_by])
    assert found.by_charge_h == pytest.approx(HOURS[of], rel=0.08)
    assert found.by_charge_h < found.interval_h[0]
    assert HOURS[of] < found.interval_h[0], "the relation says more than this battery gave"
