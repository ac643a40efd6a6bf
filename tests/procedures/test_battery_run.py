"""The battery run: a row says of its sample what it was, also where the carrier goes in it.

Truth by construction: samples of a carrier of known level and frequency that is on for a known
part of the sample.
"""

from dataclasses import dataclass, field

import numpy as np
import pytest

from harness.blocks import Block
from harness.describe import example_path, load_bench, load_unit
from harness.devices import StreamInfo
from harness.procedures.battery_ends import Ends
from harness.procedures.battery_run import RunPlan, battery_run
from harness.procedures.runner import LOG_NAME, Runner
from harness.recordings import read_log

UNIT = load_unit(example_path("frost-watch-2.toml"))
BENCH = load_bench(example_path("packing-shed.toml"))
RATE_HZ = 250e3
OFFSET_HZ = 40e3
"""Of the channel from the recorder's centre."""
ERROR_HZ = -42.0
CLOCK = 1.0 + 1e-6 * BENCH.receiver("output").clock_error_ppm
"""Of the recorder, as the bench declares it: all its frequencies are so many times the nominal."""
CARRIER_HZ = (UNIT.transmit_hz + ERROR_HZ) / CLOCK - (UNIT.transmit_hz - OFFSET_HZ)
WHOLE = (0.0, 9.0)


@pytest.fixture
def logged(notebook, tmp_path):
    """Run on a carrier that is on from and to a time of each sample; give what came of it."""

    @dataclass
    class Transmitting(notebook.Notebook):
        on_s: list[tuple[float, float]] = field(default_factory=list)
        take: int = -1

        @property
        def streams(self):
            info = StreamInfo(
                role="output",
                datatype="cu8",
                sample_rate_hz=RATE_HZ,
                centre_hz=UNIT.transmit_hz - OFFSET_HZ,
                hardware="",
            )
            return {"output": info}

        def start(self):
            super().start()
            self.take += 1

        def read(self, until_s):
            first, self.at = self.at, round(until_s * RATE_HZ)
            time_s = np.arange(first, self.at) / RATE_HZ
            on_s, off_s = self.on_s[min(self.take, len(self.on_s) - 1)]
            amplitude = np.where((time_s >= on_s) & (time_s < off_s), 60.0, 0.0)
            phase = 2.0 * np.pi * CARRIER_HZ * time_s
            noise = np.random.default_rng(first).normal(0.0, 1.0, (len(time_s), 2))
            iq = amplitude[:, None] * np.column_stack([np.cos(phase), np.sin(phase)])
            return {"output": [Block(np.rint(127.5 + iq + noise).astype(np.uint8), first, RATE_HZ)]}

    def run(*on_s):
        bench = Transmitting(on_s=[*on_s, (9.0, 9.0)])
        watcher = notebook.Quiet()
        runner = Runner(bench.devices(), UNIT, BENCH, tmp_path, watcher)
        plan = RunPlan(level_port_dbm=-80.0, deviation_hz=0.0, ends=Ends(end_v=10.5))
        runner.run(battery_run(UNIT.battery, plan))
        return read_log(tmp_path / LOG_NAME), runner.findings[-1], watcher.said

    return run


KEYED_UP = (0.2, 9.0)


def test_a_carrier_on_all_through(logged) -> None:
    log, _, said = logged(KEYED_UP, WHOLE, WHOLE)
    # A row before the key-up, one at its edge, and at the end one that looks once more.
    assert log.keyed.tolist() == [0.0, 1.0, 1.0, 1.0, 0.0, 0.0]
    # A row is told with whole microseconds.
    assert log.time_s[1] - log.time_s[0] == pytest.approx(0.001, abs=2e-6)
    # All are of one carrier. Noise, and what the key-up takes away.
    assert np.ptp(log.power_dbm[1:4]) < 0.02
    assert log.frequency_error_hz[1:4] == pytest.approx(ERROR_HZ, abs=0.5)
    assert np.isnan([log.power_dbm[0], log.power_dbm[4], log.frequency_error_hz[4]]).all()
    assert not any("sample." in text for text in said)
    assert "Stopped: the carrier has gone." in said[-1]
    # It went with a battery that had not fallen at all.
    assert "last at 12.50 V, far from its end: look for a time-out timer or a fault." in said[-1]


@pytest.mark.parametrize("off_s", [0.002, 0.01, 0.1, 0.2])
def test_a_carrier_lost_in_a_sample_ends_the_run(logged, off_s) -> None:
    log, found, said = logged(KEYED_UP, WHOLE, WHOLE, (0.0, off_s))
    assert log.keyed.tolist() == [0.0, 1.0, 1.0, 1.0, 0.0, 0.0]
    if off_s < 0.05:
        assert np.isnan([log.power_dbm[4], log.frequency_error_hz[4]]).all()
    else:
        # Over the keyed time: off by the power of the time without, 1 dB and more, otherwise.
        assert log.power_dbm[4] == pytest.approx(log.power_dbm[3], abs=0.05)
        assert log.frequency_error_hz[4] == pytest.approx(ERROR_HZ, abs=0.5)
    assert any(f"on for {off_s:.3f} s of the 0.25 s sample" in text for text in said)
    drift = {r.name: r.value for r in found.readings}
    assert drift["frequency_drift"] == pytest.approx(0.0, abs=0.5)
    assert drift["power_drift"] == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("dropout", [(0.1, 9.0), (9.0, 9.0)], ids=["comes late", "is not there"])
def test_a_dropout_in_a_sample_does_not_end_the_run(logged, dropout) -> None:
    log, _, said = logged(KEYED_UP, dropout, WHOLE, WHOLE)
    gone = dropout == (9.0, 9.0)
    # What is not there at the end of the sample is looked for once more.
    assert log.keyed.tolist() == [0.0, 1.0, 0.0, 1.0, 1.0, 0.0, 0.0]
    assert any("on for 0.150 s of the 0.25 s sample" in text for text in said) != gone
    assert any("The carrier was gone before" in text for text in said) == gone


def test_no_carrier_at_all(logged) -> None:
    log, found, _ = logged((9.0, 9.0))
    assert log.keyed.tolist() == [0.0, 0.0, 0.0]
    assert all(r.value is None for r in found.readings)
