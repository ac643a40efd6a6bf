"""A bench of two stand-in dongles and a generator on a loopback socket, as files, and the program.

The dongles stream a steady carrier whatever the generator does: it is for how runs end and go on,
not for what is measured. The program is a process of its own, with an acceptance as long as its
quickest; everything else is as typed.
"""

import subprocess
import sys

import numpy as np

from harness.describe import example_path
from tests.truth.signals import Carrier, Sine

RATE_HZ = 250e3
OFFSET_HZ = 40e3
PROGRAM = """
from harness.procedures import acceptance

acceptance.SHORT = acceptance.Extent(
    keyings=1,
    search_dbm=(-116.0, -114.0),
    quiet_s=0.5,
    sweeps=1,
    sensitivity_dbm=(-117.0, -114.0),
)
from harness.commands.app import main

main()
"""


def steady_carrier():
    """One second that can be repeated without a seam: whole periods of carrier and tone."""
    time_s = np.arange(round(RATE_HZ)) / RATE_HZ
    sine = Sine(frequency_hz=1000.0, deviation_hz=1500.0, phase_rad=0.0)
    iq = Carrier(frequency_hz=OFFSET_HZ, level_dbfs=-10.0, sines=(sine,)).at(time_s, 0.0)
    random = np.random.default_rng(3)
    iq = iq + 0.01 * (random.standard_normal(len(iq)) + 1j * random.standard_normal(len(iq)))
    values = np.stack([iq.real, iq.imag], axis=1) * 127.5 + 127.5
    return np.clip(np.rint(values), 0, 255).astype(np.uint8)


class DongleBench:
    """Files and stand-ins; ``run`` starts the program on them."""

    def __init__(self, dongles, folder, resource):
        self.dongles, self.folder = dongles, folder
        self.path = dongles.stream(steady_carrier(), "carrier")
        text = example_path("packing-shed.toml").read_text(encoding="utf-8")
        head, simulated = text.split("[simulated]")
        _, rest = simulated.split("[output]")
        rest, instruments = ("[output]" + rest).split("[generator]")
        self.bench_text = head + rest.replace('source = "simulated"', 'source = "rtlsdr"')
        generator = instruments.split("[meter]")[0]
        how = '"by hand"' if resource is None else f'"scpi"\nresource = "{resource}"'
        self.bench_text += "[generator]" + generator.replace('"simulated"', how)
        self.bench = folder / "bench.toml"
        self.bench.write_text(self.bench_text, encoding="utf-8")
        unit = example_path("frost-watch-2.toml").read_text(encoding="utf-8")
        self.unit = folder / "unit.toml"
        self.unit.write_text(unit.replace('["9:00", "12:00", "3:30"]', '["12:00"]'))
        self.plug_in()

    def plug_in(self, *lines, index=None):
        """Plug both in, or one, with what it does besides."""
        for each in (0, 1) if index is None else (index,):
            self.dongles.plug_in(each, f"stream {self.path}", "repeat 1", *lines)

    def words(self, *words):
        """Words of ``harness accept`` on these files."""
        return ["accept", str(self.unit), str(self.bench), *map(str, words)]

    def start(self, *words, stdin=subprocess.PIPE):
        """Start the program; it waits for whoever turns the knob."""
        return subprocess.Popen(
            [sys.executable, "-c", PROGRAM, *self.words(*words)],
            stdin=stdin,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def run(self, *words):
        """Run it to its end, every question answered; give status, output and errors."""
        process = self.start(*words)
        out, err = process.communicate("\n" * 50, timeout=240)
        return process.returncode, out, err
