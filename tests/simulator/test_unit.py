"""The unit as a whole: keying, supply, faults, and that every parameter says where it is from.

Battery: run times by Peukert's relation referred to the rated time, reference worked examples
9.2; rest voltages of lead_acid_soc.csv.
"""

import csv
import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from harness.describe import bench_from
from harness.errors import HardwareFault
from harness.simulator import FAULTS, SimulatedBench, simulated_unit
from harness.simulator.battery import Supply
from harness.simulator.squelch import knob_positions
from harness.simulator.unit import BatteryPart, ThermalPart, TransmitterPart, parameters

UNIT = simulated_unit("frost-watch-2")
ROLES = ("input", "output")


def bench_of(*faults, unit=UNIT, streams=(), **more):
    return SimulatedBench(unit, faults=faults, streams=streams, **more)


def keyings(bench, role="output", take=0):
    return [k for k in bench.truth.keyings if k.role == role and k.take == take]


def codes_of(blocks):
    return np.concatenate([block.samples for block in blocks])


# Keying --------------------------------------------------------------------------------------


def test_attack_and_hang():
    bench = bench_of()
    bench.start()
    bench.read(1.0)
    bench.set_level(-90.0)
    bench.read(2.0)
    bench.rf_off()
    bench.read(4.0)
    came, went = keyings(bench)
    assert came.on
    assert not went.on
    squelch, transmitter = UNIT.squelch, UNIT.transmitter
    # The squelch takes its time to open and to close: up to four time constants of its RC.
    delay_s = came.at_s - 1.0 - squelch.key_up_delay_s - transmitter.rise_s / 2
    assert 0.0 < delay_s < 4 * squelch.integration_s
    delay_s = went.at_s - 2.0 - squelch.hang_s - squelch.release_delay_s
    assert 0.0 < delay_s < 4 * squelch.integration_s + transmitter.fall_s


def test_a_new_signal_within_the_hang_keeps_the_transmitter_on():
    bench = bench_of()
    bench.start()
    for number in range(4):
        bench.set_level(-90.0)
        bench.read(0.8 * number + 0.4)
        bench.rf_off()
        bench.read(0.8 * number + 0.8)
    assert len(keyings(bench)) == 1


@pytest.mark.parametrize(
    ("position", "at_least", "at_most", "stays_on"),
    [("9:00", 1, 1, True), ("10:30", 1, 40, False), ("12:00", 0, 0, False), ("5:00", 0, 0, False)],
)
def test_loose_positions_false_on_noise(position, at_least, at_most, stays_on):
    """With little hysteresis: with more, noise that has opened it keeps it open."""
    bench = bench_of(unit=replace(UNIT, squelch=replace(UNIT.squelch, hysteresis=1.22)))
    bench.turn_knob(position)
    bench.start()
    bench.read(40.0)
    events = keyings(bench)
    assert at_least <= sum(event.on for event in events) <= at_most
    assert stays_on == (bool(events) and events[-1].on and len(events) == 1)


def opens_at_dbm(position, unit=UNIT, faults=()):
    """Rising in 0.5 dB steps of 0.2 s from far below: where the unit keys."""
    bench = bench_of(*faults, unit=unit)
    bench.turn_knob(position)
    bench.start()
    for step in range(100):
        bench.set_level(-132.0 + 0.5 * step)
        bench.read(0.2 * (step + 1))
        if keyings(bench):
            return -132.0 + 0.5 * step
    return math.inf


def test_tighter_positions_open_later():
    levels = [opens_at_dbm(position) for position in ("12:00", "3:30", "5:00")]
    assert levels[0] + 2.0 < levels[1]
    assert levels[1] + 2.0 < levels[2]


def test_closing_lies_below_opening():
    """The comparator's hysteresis: a level at which it keeps open and does not open."""
    # Three times the voltage is about 9 dB here, far more than the noise of the detector.
    unit = replace(UNIT, squelch=replace(UNIT.squelch, hysteresis=3.0))
    level = opens_at_dbm("3:30", unit=unit) - 2.5
    bench = bench_of(unit=unit)
    bench.turn_knob("3:30")
    bench.set_level(level)
    bench.start()
    bench.read(2.0)
    assert not keyings(bench)
    bench.set_level(-90.0)
    bench.read(2.5)
    bench.set_level(level)
    bench.read(5.0)
    assert [event.on for event in keyings(bench)] == [True]


def test_knob_is_a_clock_face():
    positions = knob_positions(UNIT.squelch)
    assert positions[0] == "7:00"
    assert positions[-1] == "5:00"
    assert {"9:00", "10:30", "12:00", "12:30", "3:30"} <= set(positions)
    assert len(positions) == 21


# Supply --------------------------------------------------------------------------------------


def supply_of(**battery):
    part = BatteryPart(standby_a=0.0, receive_a=0.0, transmit_a=0.0, **battery)
    return Supply.of(part, ThermalPart(), TransmitterPart())


@pytest.mark.parametrize(
    ("current_a", "hours"), [(0.45, 20.0), (0.9, 9.0125), (1.8, 4.0613), (4.5, 1.4159)]
)
def test_run_time_goes_with_the_rate(current_a, hours):
    """Worked examples 9.2: 9 Ah at 20 h, exponent 1.15."""
    supply = supply_of()
    supply.battery = replace(supply.battery, standby_a=current_a)
    seconds = 0.0
    while supply.state_of_charge > 0.0:
        supply.advance(5.0, 0.0, 0.0)
        seconds += 5.0
    # Half a unit of the last digit printed, and one step.
    assert seconds / 3600 == pytest.approx(hours, abs=5e-5 + 5 / 3600)


def test_rest_voltages_are_those_of_the_table(reference):
    with (reference / "lead_acid_soc.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            supply = supply_of(state_of_charge=float(row["state_of_charge_percent"]) / 100)
            assert supply.voltage_v == pytest.approx(float(row["voltage_12v"]), abs=1e-9)


def test_the_voltage_sags_by_ohms_law():
    bench = bench_of()
    idle = bench.read_supply()
    bench.set_level(-90.0)
    bench.wait(1.0)
    loaded = bench.read_supply()
    drop_v = UNIT.battery.internal_resistance_ohm * (loaded.current_a - idle.current_a)
    # Five sigma of two readings at 4 mV, and what a second takes from the rest voltage.
    assert idle.voltage_v - loaded.voltage_v == pytest.approx(drop_v, abs=0.03)
    assert loaded.current_a == pytest.approx(1.35, rel=0.05)


def test_a_battery_run_in_accelerated_time():
    bench = bench_of()
    bench.set_level(-90.0)
    bench.wait(3.0)
    start_dbm = bench.truth.carrier_power_port_dbm()
    volts = [bench.truth.supply_v]
    while not bench.truth.cut_off:
        bench.wait(1200.0)
        volts.append(bench.truth.supply_v)
        assert len(volts) < 100
    assert bench.now_s == pytest.approx(3.0 + 1200.0 * (len(volts) - 1), abs=1e-6)
    assert all(later < earlier for earlier, later in pairwise(volts[:-1]))
    assert bench.truth.carrier_power_port_dbm(10.6) < start_dbm - 1.0
    # About 1.25 A at exponent 1.15: 9 Ah / 1.25 A (1.25 / 0.45)^-0.15 = 6.2 h, to 10.5 V a bit
    # less.
    assert 5.0 < bench.now_s / 3600 < 6.6
    bench.start()
    bench.read(0.5)
    assert not any(event.on for event in keyings(bench))


def test_wait_is_exact_and_keeps_the_keying():
    bench = bench_of()
    for seconds in (0.01, 1.234, 100.0, 7.77):
        before_s = bench.now_s
        bench.wait(seconds)
        assert bench.now_s - before_s == pytest.approx(seconds, abs=1e-9)
    idle_ah = bench.truth.charge_ah
    # Standby current: nothing keyed.
    assert idle_ah * 3600 == pytest.approx(UNIT.battery.standby_a * bench.now_s, rel=0.02)


def test_disabled_transmitter_stays_off():
    bench = bench_of()
    bench.set_transmitter_enabled(False)
    bench.set_level(-90.0)
    bench.start()
    bench.read(1.0)
    assert not keyings(bench)
    bench.set_transmitter_enabled(True)
    bench.read(1.2)
    came = keyings(bench)[0]
    assert came.on
    assert came.at_s == pytest.approx(1.0, abs=0.01)


def test_a_held_key_keys_whatever_the_squelch_does():
    bench = bench_of()
    bench.turn_knob("3:30")
    bench.start()
    bench.read(0.5)
    bench.hold_transmitter(True)
    bench.read(1.0)
    bench.set_level(-90.0)
    bench.read(1.5)
    bench.rf_off()
    bench.read(3.5)
    (came,) = keyings(bench)
    assert came.on
    assert came.at_s == pytest.approx(0.5, abs=0.01)
    bench.set_transmitter_enabled(False)
    bench.read(4.0)
    bench.set_transmitter_enabled(True)
    bench.read(4.5)
    bench.hold_transmitter(False)
    bench.read(5.0)
    assert [event.on for event in keyings(bench)] == [True, False, True, False]


@pytest.mark.parametrize("enabled", [True, False])
def test_the_loudspeaker_is_heard_whether_the_transmitter_is_on_or_not(enabled):
    """A tone of 1 kHz at 1.5 kHz of deviation: its line stands out, and muted nothing is left."""
    bench = bench_of(streams=("audio",))
    bench.set_transmitter_enabled(enabled)
    bench.set_modulation(1000.0, 1500.0)
    bench.set_level(-80.0)
    bench.start()
    bench.read(0.5)
    codes = codes_of(bench.read(1.5)["audio"])
    assert (codes.dtype, len(codes)) == (np.int16, 31250)
    lines = np.abs(np.fft.rfft(codes * np.hanning(len(codes))))
    assert np.argmax(lines) == 1000  # one line a hertz, in a second
    bench.rf_off()
    bench.read(3.0)
    # What is left is the card's own noise: a ten thousandth of full scale.
    assert np.std(codes_of(bench.read(4.0)["audio"])) == pytest.approx(3.3, rel=0.1)


@pytest.mark.parametrize(
    ("faults", "truth_db"), [((), 1.06), (("detuned duplexer",), 14.57)], ids=str
)
def test_the_true_desensitisation_is_that_of_two_noises(faults, truth_db):
    """By hand: k 290 K is -173.98 dBm/Hz, 4 dB more -169.98; full, the battery has 12.7 V, the
    transmitter's 4 W are at 12.4 V, so 36.02 + 0.21 + 1.2 - 138 - 75 = -175.57 dBm/Hz.

    10 lg(1 + 10^-0.559) = 1.06 dB. Detuned 20 dB more (a dB less power, a dB more before it):
    10 lg(1 + 10^1.441) = 14.57 dB. Within 0.05 dB: the battery sags a little.
    """
    assert bench_of(*faults).truth.desensitisation_db() == pytest.approx(truth_db, abs=0.05)


def noise_through_transmitter(unit, level_dbm, keyed):
    """Detector noise of the receiver, with the transmitter on or kept off."""
    bench = bench_of(unit=unit)
    bench.turn_knob("9:00")
    bench.set_transmitter_enabled(keyed)
    bench.set_level(level_dbm)
    bench.start()
    world = bench._world
    voltages = []
    for number in range(150):
        bench.read(0.02 * (number + 1))
        if number > 20:
            voltages.append(float(world._state.squelch.integrator[0]))
    return np.mean(voltages)


def test_transmitter_noise_desensitises():
    """More isolation, less noise; with the transmitter off none at all."""
    noisy = replace(UNIT, duplexer=replace(UNIT.duplexer, isolation_db=60.0))
    off = noise_through_transmitter(noisy, -115.0, keyed=False)
    on = noise_through_transmitter(noisy, -115.0, keyed=True)
    tight = replace(UNIT, duplexer=replace(UNIT.duplexer, isolation_db=120.0))
    assert on > 1.5 * off
    assert noise_through_transmitter(tight, -115.0, keyed=True) == pytest.approx(off, rel=0.05)


# Faults --------------------------------------------------------------------------------------


def test_lost_blocks():
    bench = bench_of("lost blocks", streams=("input", "output"))
    bench.start()
    for blocks in bench.read(10.0).values():
        lost = [block for block in blocks if block.lost_before]
        assert lost
        expected = 0
        for block in blocks:
            assert block.start - block.lost_before == expected
            expected = block.end


def test_unplugged_dongle():
    bench = bench_of("unplugged dongle", streams=("input", "output"))
    bench.start()
    assert codes_of(bench.read(3.0)["output"]).shape[0] > 0
    assert codes_of(bench.read(9.0)["output"]).shape[0] == pytest.approx(250e3, rel=1e-3)
    with pytest.raises(HardwareFault):
        bench.read(9.5)
    bench.stop()
    bench.start()
    assert bench.read(9.0)["output"]


@pytest.mark.parametrize(("faults", "clipped"), [((), False), (("overload",), True)])
def test_overload(faults, clipped):
    bench = bench_of(*faults, streams=("output",))
    bench.set_level(-90.0)
    bench.start()
    bench.read(0.5)
    codes = codes_of(bench.read(1.0)["output"])
    assert bool(np.mean((codes == 0) | (codes == 255)) > 0.1) is clipped


def test_off_frequency_crystal():
    shift_hz = (
        bench_of("off-frequency crystal").truth.frequency_error_hz()
        - bench_of().truth.frequency_error_hz()
    )
    assert shift_hz == pytest.approx(12e-6 * 153.825e6, abs=0.1)


def test_loose_squelch_opens_earlier():
    assert opens_at_dbm("3:30", faults=("loose squelch",)) < opens_at_dbm("3:30") - 1.5


@pytest.mark.parametrize(
    ("fault", "least_db", "most_db"),
    # Noise figure 10 dB worse, less what the transmitter's noise hides; 2 dB of loss, and of
    # noise only what comes before keying.
    [("deaf receiver", 9.0, 11.0), ("detuned duplexer", 1.0, 3.0)],
)
def test_deaf_units_open_later(fault, least_db, most_db):
    shift_db = opens_at_dbm("3:30", faults=(fault,)) - opens_at_dbm("3:30")
    assert least_db <= shift_db <= most_db


def test_weak_battery_runs_short():
    hours = []
    for faults in ((), ("weak battery",)):
        bench = bench_of(*faults)
        bench.set_level(-90.0)
        while not bench.truth.cut_off:
            bench.wait(1200.0)
        hours.append(bench.now_s / 3600)
    assert hours[1] < 0.4 * hours[0]


def with_squelch(**changes):
    return replace(UNIT, squelch=replace(UNIT.squelch, **changes))


def hangs_s(bench, keyings_wanted, off_s):
    """Hang time of each of so many keyings of 0.3 s, ``off_s`` apart."""
    bench.start()
    for number in range(keyings_wanted):
        start_s = number * (0.3 + off_s)
        bench.set_level(-90.0)
        bench.read(start_s + 0.3)
        bench.rf_off()
        bench.read(start_s + 0.3 + off_s)
    went_s = {role: [k.at_s for k in keyings(bench, role) if not k.on] for role in ROLES}
    return np.array(went_s["output"]) - np.array(went_s["input"])


def test_unsteady_hang_timer():
    """Scatter of 30: within a factor of two of 48 ms, as chance alone is some 13 % of it."""
    bench = bench_of("unsteady hang timer")
    assert 0.024 < np.std(hangs_s(bench, 30, 1.0)) < 0.096
    # Four time constants of the squelch's RC at most scatter in a timer that repeats.
    assert np.std(hangs_s(bench_of(), 10, 1.0)) < 0.004


def test_unsteady_hang_timer_does_not_hang_on_the_cut():
    """Every command throws a frame away that is made anew: the timer's runs stay what they were."""
    lengths = []
    for pieces in (1, 37):
        bench = bench_of("unsteady hang timer", seed=4)
        bench.start()
        for number in range(3):
            bench.set_level(-90.0)
            for piece in range(pieces):
                bench.read(1.5 * number + 0.5 * (piece + 1) / pieces)
                bench.set_modulation(1000.0, 1500.0)
            bench.rf_off()
            bench.read(1.5 * number + 1.5)
        lengths.append([k.at_s for k in keyings(bench) if not k.on])
    # The squelch closes at a sample of 32 us; that is all the modulation's cut may move.
    assert lengths[0] == pytest.approx(lengths[1], abs=1e-3)


def test_time_out_timer_drops_and_stays_off_until_the_squelch_closes():
    bench = bench_of(unit=with_squelch(time_out_s=1.0))
    bench.start()
    bench.set_level(-90.0)
    bench.read(2.5)
    bench.rf_off()
    bench.read(3.0)
    bench.set_level(-90.0)
    bench.read(3.5)
    came, went, again = keyings(bench)
    squelch, transmitter = UNIT.squelch, UNIT.transmitter
    length_s = squelch.release_delay_s - squelch.key_up_delay_s + 1.0
    assert went.at_s - came.at_s == pytest.approx(length_s, abs=transmitter.rise_s)
    assert again.on
    assert again.at_s > 3.0
    assert FAULTS["time-out timer"].startswith("the transmitter drops 30 s")
    assert bench_of("time-out timer").truth.unit.squelch.time_out_s == 30.0


def test_time_out_timer_runs_between_takes_too():
    """A wait with the input on outlasts the timer: the transmitter is off afterwards."""
    bench = bench_of(unit=with_squelch(time_out_s=3.0))
    bench.set_level(-90.0)
    charge_ah = []
    for _ in range(2):
        before = bench.truth.charge_ah
        bench.wait(3600.0)
        charge_ah.append(bench.truth.charge_ah - before)
    # Receiving draws 0.11 A; keyed it would be 1.35 A.
    assert charge_ah[1] == pytest.approx(UNIT.battery.receive_a, rel=0.05)


def test_no_hang_at_all():
    bench = bench_of(unit=with_squelch(hang_s=0.0))
    closing_s = hangs_s(bench, 3, 0.5) - UNIT.squelch.release_delay_s
    assert np.all((closing_s > 0.0) & (closing_s < 4 * UNIT.squelch.integration_s))


def burst_rms_hz(bench):
    """Deviation of the output in the 25 ms after the input's end, in the unit's own frames."""
    bench.start()
    bench.set_level(-90.0)
    bench.read(0.5)
    bench.rf_off()
    bench.read(0.53)
    phase, _ = bench._world.trajectory(round((bench._takes[0] + 0.5) * 31250), 780)
    return float(np.std(np.diff(phase) * 31250))


def test_no_tail():
    """The noise, some hundreds of hertz, is gone; hum and the modulator's noise stay, 6 Hz."""
    assert burst_rms_hz(bench_of("no tail")) < 0.05 * burst_rms_hz(bench_of())


def test_every_fault_is_tested_here():
    assert set(FAULTS) == {
        "lost blocks",
        "unplugged dongle",
        "overload",
        "off-frequency crystal",
        "loose squelch",
        "deaf receiver",
        "detuned duplexer",
        "weak battery",
        "unsteady hang timer",
        "time-out timer",
        "no tail",
        # The way of the signal to the unit: test_environment.py.
        "slow fade",
        "impulse noise",
        "generator off frequency",
    }


# Description ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["frost-watch-1", "frost-watch-2"])
def test_every_parameter_says_where_it_is_from(name):
    listed = list(parameters(simulated_unit(name)))
    assert len(listed) > 50
    assert all(parameter.source for parameter in listed)


def test_frost_watch_1_is_deaf_and_off_frequency():
    other = simulated_unit("frost-watch-1")
    assert 2.0 <= opens_at_dbm("3:30", unit=other) - opens_at_dbm("3:30") <= 4.5
    assert 350 <= bench_of(unit=other).truth.frequency_error_hz() <= 500


@pytest.mark.parametrize("role", ["input", "output"])
def test_what_is_declared_holds_within_its_uncertainty(role):
    simulated = bench_of(streams=("input", "output"))
    declared = bench_from(simulated.declared_bench())
    receiver = declared.receiver(role)
    true = simulated.truth.dongles[role]
    two = 2.0
    offset_u = math.hypot(*(c.effect for c in receiver.level_contributions("bench")))
    level_error = (receiver.full_scale_dbm + receiver.port_offset_db) - (
        true.full_scale_dbm + true.port_offset_db
    )
    assert 0.0 < abs(level_error) <= two * offset_u
    clock_error = receiver.clock_error_ppm - true.clock_error_ppm
    assert 0.0 < abs(clock_error) <= two * receiver.clock_uncertainty_ppm
    assert abs(receiver.skew_s - true.skew_s) <= two * receiver.skew_uncertainty_s
