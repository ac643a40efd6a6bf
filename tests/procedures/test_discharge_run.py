"""A whole battery run on paper: its schedule, its rows, its ends, what it keeps, how it goes on.

Truth by construction: ``paper_battery``, whose keying, charge and voltage follow from a few
numbers. Rows at an edge stand a millisecond apart (APART_S).
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from harness.describe import example_path, load_bench, load_unit
from harness.describe.schedule import CONTINUOUS, schedule_from
from harness.devices import SupplyReading
from harness.errors import BadInput, HardwareFault
from harness.procedures.battery_ends import Ends, PowerLimit
from harness.procedures.battery_run import RunPlan, battery_run
from harness.procedures.discharge_run import run_plan
from harness.procedures.journal import Journal
from harness.procedures.runner import LOG_NAME, Runner
from harness.procedures.unfinished import set_aside
from harness.recordings import read_log
from tests.procedures.paper_battery import OFFSET_HZ, PaperBench

UNIT = load_unit(example_path("frost-watch-2.toml"))
BENCH = load_bench(example_path("packing-shed.toml"))
CLOCK = 1.0 + 1e-6 * BENCH.receiver("output").clock_error_ppm
ERROR_HZ = -42.0
CARRIER_HZ = (UNIT.transmit_hz + ERROR_HZ) / CLOCK - (UNIT.transmit_hz - OFFSET_HZ)
PLAN = RunPlan(
    level_port_dbm=-80.0, deviation_hz=0.0, ends=Ends(end_v=10.5), schedule=CONTINUOUS, every_s=4.0
)
HANG_S, ATTACK_S = 0.3, 0.05


def schedule(*phases):
    table = [{"do": do, "seconds": seconds} for do, seconds in phases]
    return schedule_from({"name": "of the test", "phase": table})


CYCLE = schedule(("transmit", 3.0), ("standby", 7.0))


class Seen:
    """A watcher that remembers."""

    def __init__(self):
        self.said, self.rows, self.shares = [], [], []

    def step(self, title):
        pass

    def progress(self, share):
        pass

    def say(self, text):
        self.said.append(text)

    def row(self, line, share):
        self.rows.append(line)
        self.shares.append(share)


@pytest.fixture
def ran(tmp_path):
    """Run a plan on paper; give bench, log, findings and what was seen."""

    def run(plan, **paper):
        bench = PaperBench(CARRIER_HZ, UNIT.transmit_hz - OFFSET_HZ, **paper)
        watcher = Seen()
        runner = Runner(bench.devices(), UNIT, BENCH, tmp_path, watcher)
        runner.run(battery_run(UNIT.battery, plan))
        assert not bench.rf
        return bench, read_log(tmp_path / LOG_NAME), runner.findings[-1], watcher

    return run


def test_a_schedule_keys_by_the_carrier_and_has_rows_beside_each_step(ran, tmp_path) -> None:
    plan = replace(PLAN, schedule=CYCLE, ends=Ends(end_v=10.5, for_s=38.0), every_s=2.0)
    bench, log, found, watcher = ran(plan)
    ups = np.flatnonzero((log.keyed[1:] == 1.0) & (log.keyed[:-1] == 0.0))
    downs = np.flatnonzero((log.keyed[1:] == 0.0) & (log.keyed[:-1] == 1.0))
    # Log time counts from the first row; both rows stand a millisecond apart at each edge.
    assert np.diff(log.time_s)[ups] == pytest.approx(0.001, abs=1e-6)
    assert np.diff(log.time_s)[downs] == pytest.approx(0.001, abs=1e-6)
    up_s, down_s = log.time_s[ups + 1], log.time_s[downs + 1]
    assert len(up_s) == 4
    # The first hang is not known beforehand; from then on it is taken off. Edges are found to
    # 0.2 ms (DESIGN), and the cycle's own clock adds none.
    assert down_s[0] - up_s[0] == pytest.approx(3.0 + HANG_S, abs=0.01)
    assert down_s[1:] - up_s[1:] == pytest.approx(3.0, abs=0.01)
    assert np.diff(up_s) == pytest.approx([10.0 + HANG_S, 10.0, 10.0], abs=0.02)
    assert (log.scheduled == log.keyed).all()
    # While it is keyed, all is told; while not, only the supply.
    keyed = log.keyed == 1.0
    assert np.isfinite(log.power_dbm[keyed]).all()
    assert np.isnan(log.power_dbm[~keyed]).all()
    assert log.current_a[keyed] == pytest.approx(bench.transmit_a)
    assert log.current_a[~keyed] == pytest.approx(bench.standby_a)
    assert log.frequency_error_hz[keyed] == pytest.approx(ERROR_HZ, abs=0.5)
    # Steps of the current are known to the millisecond, so the charge is to a thousandth. It counts
    # from the first row keyed to the last; the run's own time begins with the paper's.
    first_s = float((tmp_path / LOG_NAME).read_text().splitlines()[1].split(",")[1])
    at_s = np.arange(first_s + up_s[0], first_s + log.time_s[keyed][-1], 0.0005)
    truth_as = float(bench.current_a(at_s).sum()) * 0.0005
    charge = found.reading("charge_delivered")
    assert charge.value * 3600.0 == pytest.approx(truth_as, rel=0.002)
    assert any("30 % transmitting, 70 % on standby" in text for text in watcher.said)
    assert len(watcher.rows) == np.count_nonzero(log.scheduled)


def test_receiving_is_with_the_transmitter_disabled_where_the_bench_can(ran) -> None:
    three = schedule(("transmit", 2.0), ("receive", 4.0), ("standby", 4.0))
    plan = replace(PLAN, schedule=three, ends=Ends(end_v=10.5, for_s=18.0), can_disable=True)
    bench, log, _, _ = ran(plan)
    assert bench.enabled
    receiving = np.isclose(log.current_a, bench.receive_a)
    assert receiving.any()
    assert (log.keyed[receiving] == 0.0).all()
    assert (log.scheduled[receiving] == 0.0).all()
    # Disabled or let go first, the unit is not keyed once more by the hang of the receiving phase.
    times_s = np.arange(0.0, bench.now_s, 0.002)
    keyed = bench.keyed(times_s)
    assert np.count_nonzero(np.diff(keyed.astype(int)) == 1) == 2


def test_receiving_is_standby_where_a_hand_would_have_to_disable(ran) -> None:
    three = schedule(("transmit", 2.0), ("receive", 4.0), ("standby", 4.0))
    plan = replace(PLAN, schedule=three, ends=Ends(end_v=10.5, for_s=8.0))
    bench, log, _, watcher = ran(plan)
    assert not np.isclose(log.current_a, bench.receive_a).any()
    assert any("Receiving is time on standby here" in text for text in watcher.said)


def test_it_stops_at_the_end_voltage_to_protect_the_battery(ran) -> None:
    bench, log, found, watcher = ran(PLAN)
    assert log.voltage_v[-1] <= 10.5 < log.voltage_v[-2]
    assert watcher.said[-1].startswith("Stopped at 10.")
    assert "to protect the battery (end voltage 10.5 V)" in watcher.said[-1]
    # By the paper, it is at 10.5 V after (12.8 - 0.14 - 10.5) / 2.4 of the charge at 1.4 A.
    truth_s = (12.8 - 0.14 - 10.5) / 2.4 * bench.capacity_ah * 3600.0 / bench.transmit_a
    run_time = found.reading("run_time")
    assert abs(run_time.value - truth_s) <= run_time.expanded_uncertainty + 0.2
    assert "drift" in watcher.rows[-1]
    assert "end at about" in watcher.rows[0]
    assert watcher.shares == sorted(watcher.shares)


def test_one_slip_of_the_meter_ends_nothing(ran) -> None:
    # The fourth reading is that of a row; the second look sees what is true.
    _, log, _, watcher = ran(replace(PLAN, ends=Ends(end_v=10.5, for_s=24.0)), glitch={4: 1.25})
    assert log.voltage_v.min() == 1.25
    assert watcher.said[-1].startswith("Stopped after")


def test_a_carrier_that_goes_ends_it_and_one_that_comes_back_does_not(ran) -> None:
    _, log, found, watcher = ran(PLAN, gone_s=14.5)
    assert log.keyed.tolist() == [0.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0]
    assert "the carrier has gone" in watcher.said[-1]
    run_time = found.reading("run_time")
    # Lost between rows at 12 and 16 s: the middle, and half of the interval.
    assert run_time.value == pytest.approx(14.1, abs=0.2)


@pytest.mark.parametrize(
    ("power", "fall_db"), [(PowerLimit(below_start_db=0.5), 0.5), (PowerLimit(watts=3.2), None)]
)
def test_a_power_limit_ends_it(power, fall_db, ran) -> None:
    _, log, _, watcher = ran(replace(PLAN, ends=Ends(end_v=8.5, power=power)), empty_v=8.0)
    powers_dbm = log.power_dbm[np.isfinite(log.power_dbm)]
    # Of the first quarter of an hour the lowest counts, down to 1 dB below the first.
    limit_dbm = powers_dbm[0] - 1.0 - fall_db if fall_db else 10.0 * math.log10(3200.0)
    # Two rows running are at or below it, and the one before them is not.
    assert (powers_dbm[-2:] <= limit_dbm).all()
    assert powers_dbm[-3] > limit_dbm
    assert f"the power limit, {power}" in watcher.said[-1]


def test_without_a_meter_it_says_so_and_ends_by_its_time(ran) -> None:
    plan = replace(PLAN, has_meter=False, ends=Ends(end_v=None, for_s=9.0))
    bench, log, _, watcher = ran(plan)
    assert bench.readings == 0
    assert np.isnan(log.voltage_v).all()
    assert any("may be run down too far" in text for text in watcher.said)
    assert "end at" not in watcher.rows[0]
    assert "ends at 0:00:09" in watcher.rows[0]


def kept(folder):
    return sorted(path.name[:5] for path in (folder / "recordings/battery").glob("*.sigmf-data"))


def test_recordings_are_kept_of_the_first_the_last_and_chosen_moments(ran, tmp_path) -> None:
    plan = replace(PLAN, keep_every_s=16.0, keep_step_db=40.0, ends=Ends(end_v=10.5, for_s=34.0))
    ran(plan)
    # Samples at 0, 4, 8 ... s, the last at 34 s.
    assert kept(tmp_path) == ["00000", "00004", "00008", "00009"]


def test_a_recording_is_kept_where_the_power_has_moved(ran, tmp_path) -> None:
    _, log, _, _ = ran(replace(PLAN, keep_step_db=0.5))
    powers_dbm = log.power_dbm[np.isfinite(log.power_dbm)]
    wanted, last_dbm = [0], powers_dbm[0]
    for number, power_dbm in enumerate(powers_dbm):
        if abs(power_dbm - last_dbm) >= 0.5:
            wanted.append(number)
            last_dbm = power_dbm
    assert kept(tmp_path) == [f"{n:05d}" for n in sorted({*wanted, len(powers_dbm) - 1})]
    assert len(wanted) > 1


class Lagging:
    """A meter whose row is of a moment some time ago."""

    def __init__(self, bench, late_s):
        self.bench, self.late_s, self.asked = bench, late_s, []

    def read_supply(self):
        return self.read_supply_within(60.0)

    def read_supply_within(self, seconds):
        self.asked.append(seconds)
        blank = SupplyReading(voltage_v=math.nan, current_a=math.nan, temperature_degc=math.nan)
        return self.bench.read_supply() if self.late_s <= seconds else blank

    def news(self):
        return ["meter.csv: something."] if len(self.asked) == 3 else []


def test_what_a_lagging_meter_read_in_the_phase_before_is_blank(tmp_path) -> None:
    bench = PaperBench(CARRIER_HZ, UNIT.transmit_hz - OFFSET_HZ)
    watcher = Seen()
    opened = replace(bench.devices(), meter=Lagging(bench, 1.5))
    plan = replace(PLAN, schedule=CYCLE, ends=Ends(end_v=10.5, for_s=12.0), every_s=2.0)
    Runner(opened, UNIT, BENCH, tmp_path, watcher).run(battery_run(UNIT.battery, plan))
    log = read_log(tmp_path / LOG_NAME)
    edges = np.flatnonzero(np.diff(log.keyed)) + 1
    # Just after each edge nothing is known; 2 s later, and before the next edge, it is.
    assert np.isnan(log.voltage_v[edges]).all()
    assert np.isfinite(log.voltage_v[edges - 1]).all()
    assert "meter.csv: something." in watcher.said


class Ended(Exception):
    """Whatever ends a run."""


class Ending:
    """A journal and a runner that end the run at the n-th thing that they do."""

    def __init__(self, left):
        self.left = left

    def tick(self):
        self.left -= 1
        if not self.left:
            raise Ended

    def journal(self, journal):
        keeps = journal.keep
        journal.keep = lambda *words: (self.tick(), keeps(*words), self.tick())
        return journal

    def runner(self, *words, **named):
        tick = self.tick

        class EndedRunner(Runner):
            def _perform(self, step):
                tick()
                return super()._perform(step)

        return EndedRunner(*words, **named)


PARTS = 6


@pytest.mark.parametrize("plan", [PLAN, replace(PLAN, schedule=CYCLE)], ids=["all", "schedule"])
def test_ended_anywhere_what_was_shown_is_logged_and_it_goes_on(plan, tmp_path) -> None:
    plan = replace(plan, ends=Ends(end_v=10.5, for_s=22.0))
    bench = PaperBench(CARRIER_HZ, UNIT.transmit_hz - OFFSET_HZ)
    watcher, random = Seen(), np.random.default_rng(6)
    earlier: list[float] = []
    for part in range(PARTS + 1):
        ending = Ending(int(random.integers(1, 30)) if part < PARTS else -1)
        journal = (Journal.of if part else Journal.new)(tmp_path, {"plan": "of the test"})
        journal.begin({"output": "paper"})
        set_aside(tmp_path, journal.takes, [] if journal.has_log else [LOG_NAME])
        runner = ending.runner(
            bench.devices(), UNIT, BENCH, tmp_path, watcher, journal=ending.journal(journal)
        )
        try:
            runner.run(battery_run(UNIT.battery, plan))
        except Ended:
            assert part < PARTS
        assert not bench.rf
        # Between two parts the battery rests.
        bench.wait(5.0)
        if (tmp_path / LOG_NAME).exists():
            rows = read_log(tmp_path / LOG_NAME)
            assert not rows.cautions
            assert rows.voltage_v[: len(earlier)].tolist() == earlier
            earlier = rows.voltage_v.tolist()
    log = read_log(tmp_path / LOG_NAME)
    assert (np.diff(log.time_s) > 0.0).all()
    shown = {line.split(", ")[2] for line in watcher.rows if "dBm" in line}
    assert len(shown) > 2
    assert shown <= {f"{power_dbm:.2f} dBm" for power_dbm in log.power_dbm}


def test_a_stuck_transmitter_is_a_fault(ran) -> None:
    plan = replace(PLAN, schedule=CYCLE)
    with pytest.raises(HardwareFault, match=r"still keyed 12 s .* Take the unit's supply away"):
        ran(plan, hang_s=1e6)


@pytest.mark.parametrize(
    ("changed", "given", "told"),
    [
        ({"meter": None}, {}, r"nothing would stop the run.*--for 4h, or --to-power 3dB"),
        (
            {"meter": BENCH.meter.model_copy(update={"source": "by hand"})},
            {"schedule": CYCLE},
            r"its meter is by hand, and the schedule of the test",
        ),
        (
            {"generator": BENCH.generator.model_copy(update={"source": "by hand"})},
            {"schedule": CYCLE},
            r"its generator is by hand, and the schedule of the test",
        ),
    ],
)
def test_what_would_not_go_well_is_refused_beforehand(changed, given, told) -> None:
    with pytest.raises(BadInput, match=told):
        run_plan(UNIT, BENCH.model_copy(update=changed), **given)


def test_a_unit_without_a_battery_is_refused() -> None:
    with pytest.raises(BadInput, match=r"has no \[battery\]"):
        run_plan(UNIT.model_copy(update={"battery": None}), BENCH)


def test_without_a_meter_a_time_or_a_power_will_do() -> None:
    unmetered = BENCH.model_copy(update={"meter": None})
    for given in ({"for_s": 60.0}, {"power": PowerLimit(watts=1.0)}):
        plan = run_plan(UNIT, unmetered, **given)
        assert (plan.has_meter, plan.ends.end_v) == (False, None)
