"""Samples as a dongle would give them: any cut the same bytes, clocks, levels, Bessel lines."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.devices import (
    Generator,
    KnobHand,
    SampleSource,
    SupplyMeter,
    TransmitterSwitch,
    Waiter,
)
from harness.errors import BadInput
from harness.simulator import SimulatedBench, simulated_unit

RATE_HZ = 250e3


def bench_of(**options):
    return SimulatedBench(simulated_unit("frost-watch-2"), **options)


def joined(blocks):
    return np.concatenate([block.samples for block in blocks]) if blocks else np.zeros((0, 2))


def iq_of(blocks):
    codes = joined(blocks).astype(float)
    return ((codes[:, 0] - 127.5) + 1j * (codes[:, 1] - 127.5)) / 127.5


def keyed(bench, level_dbm=-80.0, tone_hz=1000.0, deviation_hz=0.0, settle_s=0.5):
    bench.set_modulation(tone_hz, deviation_hz)
    bench.set_level(level_dbm)
    bench.start()
    bench.read(settle_s)
    return bench


def line_level_db(iq, offset_hz, rate_hz):
    """Level of a line in dB to full scale, over a whole number of its periods or nearly."""
    window = np.kaiser(len(iq), 20.0)
    turn = np.exp(-2j * np.pi * offset_hz / rate_hz * np.arange(len(iq)))
    return 20 * math.log10(abs(np.sum(window * iq * turn)) / window.sum())


def frequency_of(iq, rate_hz):
    """Mean frequency: the slope of the phase after lining up, from halves (a lone carrier)."""
    iq = iq[: len(iq) // 10 * 10]
    spectrum = np.abs(np.fft.fft(iq * np.hanning(len(iq))))
    coarse_hz = np.fft.fftfreq(len(iq), 1 / rate_hz)[np.argmax(spectrum)]
    turned = iq * np.exp(-2j * np.pi * coarse_hz / rate_hz * np.arange(len(iq)))
    parts = turned.reshape(10, -1).mean(axis=1)
    slope = np.polyfit(np.arange(10), np.unwrap(np.angle(parts)), 1)[0]
    return coarse_hz + slope / (2 * np.pi) * rate_hz / (len(iq) / 10)


def test_satisfies_every_protocol():
    bench = bench_of()
    source: SampleSource = bench
    generator: Generator = bench
    hand: KnobHand = bench
    meter: SupplyMeter = bench
    switch: TransmitterSwitch = bench
    waiter: Waiter = bench
    assert set(source.streams) == {"input", "output"}
    assert source.streams["output"].datatype == "cu8"
    for each in (generator, hand, meter, switch, waiter):
        assert each is bench


def scenario(cuts, seed=1):
    """Keying, level and knob at fixed times; further cuts of the reads anywhere."""
    bench = bench_of(seed=seed, streams=("input", "output", "audio"))
    bench.start()
    acts = {
        0.0531: lambda: bench.set_level(-110.0),
        0.2: lambda: bench.set_modulation(800.0, 2000.0),
        0.30007: lambda: bench.set_level(-100.0),
        0.41: lambda: bench.turn_knob("3:30"),
        0.5: lambda: bench.set_transmitter_enabled(False),
        0.55: lambda: bench.set_transmitter_enabled(True),
        0.6: lambda: bench.hold_transmitter(True),
        0.62: bench.rf_off,
    }
    given_ = {"input": [], "output": [], "audio": []}
    for until_s in sorted({*acts, *cuts, 0.7}):
        for role, blocks in bench.read(until_s).items():
            given_[role].extend(blocks)
        if until_s in acts:
            acts[until_s]()
    return {role: joined(blocks) for role, blocks in given_.items()}


WHOLE = scenario(())


@settings(max_examples=12)
@given(st.lists(st.floats(0.0, 0.7), max_size=25))
def test_the_cut_of_the_reads_never_shows(cuts):
    cut = scenario(cuts)
    assert np.array_equal(cut["input"], WHOLE["input"])
    assert np.array_equal(cut["output"], WHOLE["output"])
    assert np.array_equal(cut["audio"], WHOLE["audio"])
    assert np.any(WHOLE["audio"])


@pytest.mark.parametrize(
    "command",
    [
        lambda b: b.set_transmitter_enabled(False),
        lambda b: b.hold_transmitter(True),
        lambda b: b.rf_off(),
        lambda b: b.set_modulation(400.0, 2500.0),
        lambda b: b.turn_knob("5:00"),
    ],
)
@pytest.mark.parametrize("at_s", [0.52, 0.5333, 0.5399])
def test_a_command_changes_nothing_within_what_was_interpolated(command, at_s):
    """The output looks 8 grid samples, 256 us, ahead: no command may be felt before that."""
    changed, plain = keyed(bench_of(), settle_s=at_s), keyed(bench_of(), settle_s=at_s)
    command(changed)
    until_s = at_s + 256e-6
    assert np.array_equal(
        joined(changed.read(until_s)["output"]), joined(plain.read(until_s)["output"])
    )


def test_ten_reads_give_the_bytes_of_one():
    one, ten = bench_of(), bench_of()
    for bench in (one, ten):
        bench.set_level(-80.0)
        bench.start()
    whole = one.read(1.0)
    parts = [ten.read(0.1 * (number + 1)) for number in range(10)]
    for role in ("input", "output"):
        assert np.array_equal(
            joined(whole[role]), joined([block for part in parts for block in part[role]])
        )


def test_blocks_follow_each_other():
    blocks = bench_of()
    blocks.start()
    expected = 0
    for block in blocks.read(0.3)["output"] + blocks.read(0.47)["output"]:
        assert block.start == expected
        assert block.samples.dtype == np.uint8
        assert block.samples.shape[1] == 2
        expected = block.end


def test_same_seed_same_bytes_another_seed_others():
    again, other = scenario(()), scenario((), seed=2)
    for role in ("input", "output"):
        assert np.array_equal(again[role], WHOLE[role])
        assert not np.array_equal(other[role], WHOLE[role])


def test_one_stream_is_the_same_with_or_without_the_other():
    alone = bench_of(streams=("output",))
    alone.start()
    alone.set_level(-80.0)
    both = bench_of()
    both.start()
    both.set_level(-80.0)
    assert np.array_equal(joined(alone.read(0.2)["output"]), joined(both.read(0.2)["output"]))


@pytest.mark.parametrize("at_s", [0.1, 0.123456, 0.2])
def test_a_command_takes_effect_at_the_sample_where_the_read_ended(at_s):
    bench = bench_of(streams=("input",))
    bench.start()
    before = iq_of(bench.read(at_s)["input"])
    bench.set_level(-78.0)
    after = iq_of(bench.read(at_s + 0.002)["input"])
    assert np.abs(before).max() < 0.05
    settled = np.abs(after[100:]).mean()
    half = np.flatnonzero(np.abs(after) > settled * math.sqrt(0.5))[0]
    truth = bench.truth.keyings[0]
    fast = 1 + bench.truth.dongles["input"].clock_error_ppm * 1e-6
    # One sample, and one for the noise on the slope.
    assert half + len(before) == pytest.approx(truth.at_s * RATE_HZ * fast, abs=2.0)


@pytest.mark.parametrize("role", ["input", "output"])
def test_carrier_and_tone_are_shifted_by_the_dongles_clock(role):
    bench = keyed(bench_of(), deviation_hz=1500.0, tone_hz=1000.0)
    plain = keyed(bench_of())
    dongle = bench.truth.dongles[role]
    fast = 1 + dongle.clock_error_ppm * 1e-6
    early_hz = plain.truth.frequency_error_hz()
    iq = iq_of(plain.read(2.5)[role])
    unit = plain.truth.unit
    # It drifts as it warms up, by 0.2 Hz in a second.
    carrier_hz = unit.transmit_hz + (early_hz + plain.truth.frequency_error_hz()) / 2
    if role == "input":
        carrier_hz = unit.receive_hz * (1 + 0.01e-6)  # the generator's own error
    wanted_hz = (carrier_hz - dongle.centre_hz * fast) / fast
    # 0.02 Hz: the hum and the residual FM, averaged over 2 s.
    assert frequency_of(iq, RATE_HZ) == pytest.approx(wanted_hz, abs=0.02)
    iq = iq_of(bench.read(20.5)[role])
    audio = np.angle(iq[1:] * np.conj(iq[:-1]))
    audio = audio[: len(audio) // 25 * 25].reshape(-1, 25).mean(axis=1)
    # 40 ppm of 1 kHz is 0.04 Hz; five sigma of the noise lies below 0.002 Hz.
    got_hz = frequency_of(audio - audio.mean() + 0j, RATE_HZ / 25)
    assert abs(got_hz) == pytest.approx(1000.0 / fast, abs=0.003)


@pytest.mark.parametrize("role", ["input", "output"])
def test_levels_at_the_port(role):
    bench = keyed(bench_of(), level_dbm=-80.0)
    iq = iq_of(bench.read(1.5)[role])
    part = bench.truth.dongles[role]
    level_dbm = line_level_db(iq, frequency_of(iq[:200000], RATE_HZ), RATE_HZ)
    level_dbm += part.full_scale_dbm + part.port_offset_db
    wanted_dbm = -80.0 + 0.12  # the generator's own error
    if role == "output":
        wanted_dbm = bench.truth.carrier_power_port_dbm()
        # Four watts by the square of the supply, by hand.
        volts, degrees = bench.truth.supply_v, bench.truth.temperature_degc
        by_hand = 10 * math.log10(4000) + 20 * math.log10(volts / 12.4) - 0.01 * (degrees - 25)
        assert wanted_dbm == pytest.approx(by_hand, abs=1e-9)
    # 0.01 dB: imbalance, hum and rounding to 8 bits.
    assert level_dbm == pytest.approx(wanted_dbm, abs=0.01)


@pytest.mark.parametrize("deviation_hz", [1000.0, 2404.826])
def test_sidebands_of_the_generator_are_bessel_levels(deviation_hz):
    """J_n of the index (worked examples 1.2 and 1.3): at 2404.826 Hz and 1 kHz no carrier."""
    special = pytest.importorskip("scipy.special")
    bench = keyed(bench_of(streams=("input",)), level_dbm=-78.0, deviation_hz=deviation_hz)
    iq = iq_of(bench.read(2.5)["input"])
    part = bench.truth.dongles["input"]
    fast = 1 + part.clock_error_ppm * 1e-6
    unit = bench.truth.unit
    carrier_hz = (unit.receive_hz * (1 + 0.01e-6) - part.centre_hz * fast) / fast
    full_db = -78.0 + 0.12 - part.full_scale_dbm - part.port_offset_db
    for order in range(-3, 4):
        level = special.jv(order, deviation_hz / 1000.0)
        got_db = line_level_db(iq, carrier_hz + order * 1000.0 / fast, RATE_HZ) - full_db
        if abs(level) < 1e-3:
            assert got_db < -60.0  # the eight bits' own floor in 1 Hz lies below -85 dB
        else:
            assert got_db == pytest.approx(20 * math.log10(abs(level)), abs=0.02)


def test_transmitter_sidebands_are_bessel_levels_of_the_repeated_deviation():
    special = pytest.importorskip("scipy.special")
    bench = keyed(bench_of(streams=("output",)), level_dbm=-75.0, deviation_hz=1500.0)
    iq = iq_of(bench.read(2.5)["output"])
    part = bench.truth.dongles["output"]
    fast = 1 + part.clock_error_ppm * 1e-6
    unit = bench.truth.unit
    carrier = unit.transmit_hz + bench.truth.frequency_error_hz() - part.centre_hz * fast
    index = 1.5 * bench.truth.repeat_gain(1000.0, 1500.0)
    lines = {
        order: line_level_db(iq, (carrier + 1000.0 * order) / fast, RATE_HZ)
        for order in range(-2, 3)
    }
    for order in (-2, -1, 1, 2):
        wanted_db = 20 * math.log10(abs(special.jv(order, index) / special.jv(0, index)))
        # The unit's bend and hum make small lines of their own: 0.6 % of the tone, 0.15 dB.
        assert lines[order] - lines[0] == pytest.approx(wanted_db, abs=0.15)


def test_dc_noise_and_rounding_of_an_idle_dongle():
    bench = bench_of()
    bench.start()
    for role, blocks in bench.read(2.0).items():
        codes = joined(blocks)
        part = bench.truth.dongles[role]
        # Five sigma of 500 000 samples of 0.55 codes is 0.004; rounding of such noise moves the
        # mean by up to 0.03.
        assert codes[:, 0].mean() - 127.5 == pytest.approx(part.dc_i_lsb, abs=0.05)
        assert codes[:, 1].mean() - 127.5 == pytest.approx(part.dc_q_lsb, abs=0.05)
        # Noise of 0.45 and a twelfth of a step squared.
        wanted = math.sqrt(part.noise_lsb**2 + 1 / 12)
        assert codes.astype(float).std(axis=0) == pytest.approx([wanted] * 2, rel=0.1)


def test_imbalance_makes_an_image():
    bench = keyed(bench_of(streams=("output",)))
    iq = iq_of(bench.read(2.5)["output"])[:400000]
    part = bench.truth.dongles["output"]
    frequency_hz = frequency_of(iq, RATE_HZ)
    image_db = line_level_db(iq, -frequency_hz, RATE_HZ) - line_level_db(iq, frequency_hz, RATE_HZ)
    gain = 10 ** (part.imbalance_db / 20)
    turn = np.exp(1j * math.radians(part.imbalance_degrees))
    # The usual image ratio of gain and phase error: |1 - g e^(j phi)| / |1 + g e^(j phi)|.
    wanted_db = 20 * math.log10(abs(1 - gain * turn) / abs(1 + gain * turn))
    assert image_db == pytest.approx(wanted_db, abs=0.5)  # noise of 8 bits on a line at -50 dB


def test_the_two_clocks_drift_apart():
    bench = bench_of()
    bench.start()
    counts = {role: sum(len(b.samples) for b in blocks) for role, blocks in bench.read(20).items()}
    # -12.43 ppm, and 38.63 ppm with a start 13 us late: exact to the sample.
    assert counts["input"] == math.ceil(20 * RATE_HZ * (1 - 12.43e-6))
    assert counts["output"] == math.ceil((20 - 13e-6) * RATE_HZ * (1 + 38.63e-6))


@pytest.mark.parametrize("rate_hz", [125e3, 1e6])
def test_other_rates(rate_hz):
    bench = keyed(bench_of(streams=("output",), sample_rate_hz=rate_hz), settle_s=0.3)
    iq = iq_of(bench.read(0.5)["output"])
    part = bench.truth.dongles["output"]
    level_dbm = 20 * math.log10(np.abs(iq).mean()) + part.full_scale_dbm + part.port_offset_db
    assert level_dbm == pytest.approx(bench.truth.carrier_power_port_dbm(), abs=0.05)


@pytest.mark.parametrize(
    "misuse",
    [
        lambda b: b.turn_knob("6:00"),
        lambda b: b.turn_knob("noon"),
        lambda b: b.set_level(0.0),
        lambda b: b.set_level(math.nan),
        lambda b: b.set_modulation(0.0, 1500.0),
        lambda b: b.set_modulation(math.nan, 1500.0),
        lambda b: b.set_frequency(153e6),
        lambda b: bench_of(faults=("gremlins",)),
        lambda b: bench_of(sample_rate_hz=240e3),
        lambda b: simulated_unit("frost-watch-3"),
    ],
)
def test_bad_input_is_one_plain_line(misuse):
    with pytest.raises(BadInput) as caught:
        misuse(bench_of())
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "misuse",
    [
        lambda b: b.read(1.0),
        lambda b: (b.start(), b.start()),
        lambda b: (b.start(), b.wait(1.0)),
        lambda b: b.wait(-1.0),
    ],
)
def test_a_callers_mistake(misuse):
    with pytest.raises(ValueError):  # noqa: PT011  one message each, none worth fixing here
        misuse(bench_of())
