"""The simulated bench behind the stand-in: its samples go through FIFOs, librtlsdr's shape,
pyrtlsdr and the driver, in step with what the bench is told.

Streams stand still between two reads, as the simulated bench does; so does the clock that the
driver tells lost samples by.
"""

import os
import time
from dataclasses import replace

from harness.describe import bench_from
from harness.instruments.dongle import Settings
from harness.instruments.dongles import DongleSource
from harness.procedures.wiring import OpenBench

SHORT_S = 200e-6
"""Less is asked of the driver than the bench gave: declared and true clocks differ by 0.05 ppm, and
each take begins 13 us late by the skew of the simulated dongle, of which the driver's clock sees up
to eight short takes together."""


def real_bench(bench):
    """Describe a simulated bench as one of dongles, with all that is declared of it."""
    table = bench.plain()
    del table["simulated"]
    for part, source in (("input", "rtlsdr"), ("output", "rtlsdr"), ("generator", "by hand")):
        table[part]["source"] = source
    table["meter"]["source"] = "by hand"
    return bench_from(table)


class Lockstep:
    """A SampleSource: the dongles of a bench that is simulated underneath."""

    def __init__(self, simulated, bench, dongles):
        self.simulated = simulated
        self._base_s = self._at_s = 0.0
        self._given = dict.fromkeys(simulated.streams, 0)
        self._pipes, settings = {}, []
        for index, (role, info) in enumerate(simulated.streams.items()):
            pipe = dongles.folder / f"{role}.fifo"
            os.mkfifo(pipe)
            declared = bench.receiver(role)
            dongles.plug_in(index, f"stream {pipe}", "pace free", serial=declared.serial)
            settings.append(
                Settings(
                    role=role,
                    serial=declared.serial,
                    sample_rate_hz=declared.sample_rate_hz,
                    centre_hz=info.centre_hz,
                    gain_db=declared.gain_db,
                    clock_error_ppm=declared.clock_error_ppm,
                )
            )
        self.dongles = DongleSource(settings, clock=lambda: self._at_s, warm_up_s=0.0)
        # Opens when the stand-in reads.
        self._pipes = {
            role: os.open(dongles.folder / f"{role}.fifo", os.O_WRONLY) for role in self._given
        }

    @property
    def streams(self):
        # In lockstep they begin together, as the bench file declares it.
        return {
            role: replace(info, skew_s=None, skew_uncertainty_s=None)
            for role, info in self.dongles.streams.items()
        }

    def start(self):
        self._arrived()
        self.simulated.start()
        self.dongles.start()
        self._base_s = self._at_s

    def read(self, until_s):
        blocks = self.simulated.read(until_s)
        self._at_s = max(self._at_s, self._base_s + until_s)
        for role, each in blocks.items():
            for block in each:
                codes = block.samples.tobytes()
                while codes:
                    codes = codes[os.write(self._pipes[role], codes) :]
                self._given[role] += len(block.samples)
        self._arrived()
        return self.dongles.read(until_s - SHORT_S)

    def stop(self):
        self.dongles.stop()
        self.simulated.stop()

    def close(self):
        for pipe in self._pipes.values():
            os.close(pipe)
        self.dongles.close()

    def _arrived(self):
        deadline_s = time.monotonic() + 60.0
        for role, given in self._given.items():
            arrivals = self.dongles._dongles[role].arrivals
            while arrivals.counted < given:
                assert time.monotonic() < deadline_s, "the samples did not come through"
                time.sleep(0.0005)
            assert arrivals.counted == given

    def devices(self):
        simulated = self.simulated
        return OpenBench(
            source=self,
            generator=simulated,
            knob=simulated,
            meter=simulated,
            waiter=simulated,
            kind="dongles",
        )
