"""Two dongles tuned to one signal and back, streams running: takes then begin together.

Truth by construction: the stand-ins stream files whose sample n was taken at a known time, and
while they are tuned elsewhere numbers that tell which sample it is. Tolerance: NEAR_S, half of what
is claimed for the receivers' own delays, of which the stand-ins have none; the comparing itself is
held closer in tests/measure/test_skew.py.
"""

import functools
import math
import re

import numpy as np
import pytest

from harness.describe import bench_from, example_path
from harness.instruments.dongles import UNALIGNED_S, DongleSource, Settings
from harness.measure.skew import drift_between
from harness.procedures.synchronise import align_streams, skew_of
from harness.recordings import open_take
from tests.truth.signals import Carrier, Sine

RATE_HZ = 250e3
pytestmark = pytest.mark.slow(reason="streams in real time, several seconds each")
SIGNAL_HZ = 160e6
TUNED_HZ = 159.96e6
SECONDS = 14.0
LATER_S = 0.0123456
"""The output's sample 0 was taken so much later than the input's."""
FAST_PPM = 25.0
MOVED_S = 80e-6
NEAR_S = 0.5e-6


@functools.cache
def heard(begins_s, ppm, draw, moved_after_s=math.inf):
    """Codes of the signal; after ``moved_after_s`` the clock has slipped by MOVED_S."""
    random = np.random.default_rng(7)
    sines = tuple(
        Sine(frequency_hz=f, deviation_hz=500.0, phase_rad=p)
        for f, p in zip(
            random.uniform(300.0, 2700.0, 16), random.uniform(0.0, 6.28, 16), strict=True
        )
    )
    time_s = begins_s + np.arange(round(SECONDS * RATE_HZ)) / (RATE_HZ * (1.0 + ppm * 1e-6))
    time_s[time_s > moved_after_s] += MOVED_S
    carrier = Carrier(frequency_hz=SIGNAL_HZ, level_dbfs=-8.0, sines=sines)
    iq = carrier.at(time_s, TUNED_HZ * (1.0 + ppm * 1e-6))
    normal = np.random.default_rng([draw, 6]).standard_normal((2, len(time_s)))
    iq += 0.02 * (normal[0] + 1j * normal[1])
    values = np.stack([iq.real, iq.imag], axis=1) * 127.5 + 127.5
    return np.clip(np.rint(values), 0, 255).astype(np.uint8)


BENCH = bench_from(
    {
        "name": "shed",
        "input": {"source": "rtlsdr", "serial": "00000101", "gain_db": 0.0},
        "output": {"source": "rtlsdr", "serial": "00000102", "gain_db": 0.0},
    }
)


def settings(role, serial, centre_hz):
    return Settings(
        role=role, serial=serial, sample_rate_hz=RATE_HZ, centre_hz=centre_hz, gain_db=0.0
    )


PAIR = (settings("input", "00000101", 158.385e6), settings("output", "00000102", 153.785e6))


@pytest.fixture
def pair(dongles, counting):
    """Plug two in; the second's clock may slip at a time of its stream."""
    numbers = dongles.stream(counting)

    def plug_in(moved_after_s=math.inf):
        for index, codes in enumerate(
            (heard(0.0, 0.0, 1), heard(LATER_S, FAST_PPM, 2, moved_after_s))
        ):
            path = dongles.stream(codes, f"signal-{index}")
            dongles.plug_in(index, f"stream {numbers}", "repeat 1", f"at {TUNED_HZ:.0f} {path}")

    return plug_in


def first_number(blocks):
    codes = blocks[0].samples[0].astype(int)
    return int(codes[0] + 256 * codes[1])


def true_ahead_s(input_s):
    """What is to be added to the output's count of time to get the input's, at a time of that."""
    return input_s - (input_s - LATER_S) * (1.0 + FAST_PPM * 1e-6)


def test_takes_begin_together_after_it(pair, dongles) -> None:
    pair()
    with DongleSource(PAIR, warm_up_s=0.1) as source:
        source.start()
        assert source.streams["output"].skew_uncertainty_s == UNALIGNED_S
        assert source.streams["input"].skew_s is None
        source.stop()
        skew = skew_of(source, "output", BENCH, SIGNAL_HZ, off_channel_hz=40e3, listen_s=2.0)
        assert abs(skew.skew_s - true_ahead_s(skew.at_s)) <= NEAR_S
        assert skew.skew_uncertainty_s < 1e-6
        # Over two seconds NEAR_S at either end.
        assert skew.clock_difference_ppm == pytest.approx(FAST_PPM, abs=0.5)
        align_streams(source, "output", skew)
        # Back where they were, without a new stream.
        assert source.streams["input"].centre_hz == 158.385e6
        assert source.streams["output"].centre_hz == 153.785e6
        assert [dongles.told(index).count("stream 16384") for index in (0, 1)] == [1, 1]
        for _ in range(2):
            source.start()
            info = source.streams["output"]
            blocks = source.read(0.2)
            origins_s = source.origins_s
            source.stop()
            # The numbers tell which sample of its stream a take begins with.
            for role, each in blocks.items():
                origin = round(origins_s[role] * source.streams[role].sample_rate_hz)
                assert first_number(each) == origin % 65_536
            ahead_s = origins_s["input"] - origins_s["output"]
            off_s = ahead_s - true_ahead_s(origins_s["input"])
            # To half a sample, and the rest is told.
            assert abs(info.skew_s) <= 0.5 / RATE_HZ + 1e-9
            assert abs(off_s + info.skew_s) <= NEAR_S
            # Those delays, and the clock difference over the second since.
            assert 1e-6 <= info.skew_uncertainty_s < 1.5e-6


@pytest.mark.parametrize(("moved_after_s", "moved_s"), [(math.inf, 0.0), (5.0, MOVED_S)])
def test_what_moved_meanwhile_is_told(moved_after_s, moved_s, pair) -> None:
    pair(moved_after_s)
    options = {"off_channel_hz": 40e3, "listen_s": 2.0}
    with DongleSource(PAIR, warm_up_s=0.1) as source:
        before = skew_of(source, "output", BENCH, SIGNAL_HZ, **options)
        assert before.at_s < 4.0
        source.start()
        source.read(3.0)
        source.stop()
        after = skew_of(source, "output", BENCH, SIGNAL_HZ, **options)
    drift = drift_between(before, after)
    # The clock difference that was found, 0.1 ppm, over the five seconds between both.
    assert abs(drift.moved_s - moved_s) <= NEAR_S
    assert drift.uncertainty_s < NEAR_S
    if moved_s:
        assert drift.is_plain


def test_a_loss_afterwards_enters_the_uncertainty(pair, dongles, counting) -> None:
    pair()
    dongles.plug_in(0, "repeat 1", f"stream {dongles.stream(counting)}", "drop 1474560 32768")
    with DongleSource(PAIR, warm_up_s=0.1) as source:
        source.start()
        source.read(0.5)
        source.stop()
        # As it would be told: nothing is compared here.
        skew = type("Skew", (), {})
        for name in ("at_s", "skew_s", "clock_difference_ppm"):
            setattr(skew, name, 0.0)
        skew.skew_uncertainty_s, skew.clock_difference_uncertainty_ppm = 3e-7, 0.0
        align_streams(source, "output", skew)
        source.start()
        assert source.streams["output"].skew_uncertainty_s == pytest.approx(1.044e-6, rel=1e-3)
        source.read(4.0)
        source.stop()
        assert source.lost_samples["input"] > 0
        source.start()
        # One loss, known to a millisecond.
        assert source.streams["output"].skew_uncertainty_s == pytest.approx(1e-3, rel=1e-3)
        source.stop()


def test_the_reference_is_not_aligned_with_itself(pair) -> None:
    pair()
    with DongleSource(PAIR, warm_up_s=0.0) as source, pytest.raises(ValueError, match="input"):
        source.align("input", None)


def test_record_aligns_before_and_looks_again_after(pair, typed, tmp_path) -> None:
    pair()
    bench = tmp_path / "shed.toml"
    bench.write_text(
        'name = "shed"\n'
        '[input]\nsource = "rtlsdr"\nserial = "00000101"\ngain_db = 0.0\n'
        '[output]\nsource = "rtlsdr"\nserial = "00000102"\ngain_db = 0.0\n'
    )
    unit = example_path("frost-watch-2.toml")
    words = ("--bench", bench, "--unit", unit, "--seconds", "0.5")
    shown = typed("record", tmp_path / "one", *words, "--align", f"{SIGNAL_HZ:.0f}")
    assert shown.status == 0, shown.err
    assert re.search(r"its clock is \+(24\.9|25\.0)", shown.out)
    assert "Afterwards: moved by" in shown.out
    output = open_take(tmp_path / "one").recordings["output"]
    assert abs(output.skew_s) <= 0.5 / RATE_HZ + 1e-9
    assert 1e-6 <= output.skew_uncertainty_s < 1.5e-6
    refused = typed(
        *("record", tmp_path / "two", *words, "--role", "output", "--align", f"{SIGNAL_HZ:.0f}")
    )
    refused.is_one_plain_line()
    assert refused.err.startswith("--align: is for two dongles.")
