"""Carrier trials: carriers in the noise and with the faults of a cheap receiver.

What is at chance in reality is drawn with the noise: every phase, some hertz of the carrier's
frequency, some parts in ten thousand of the tone's, and what the true clock error is where one is
declared with an uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from benchmarks.accuracy.trial import Trial, Truth
from harness.measure.run import measure_recordings
from harness.readings import Findings
from tests.truth.files import write_pair
from tests.truth.signals import Carrier, Dongle, Sine, noise_dbfs_hz, peaks_hz

CENTRE_HZ = 153.825e6
FULL_SCALE_DBM, PORT_OFFSET_DB = -12.3, 40.7
PEAK_NAMES = ("deviation_peak_positive", "deviation_peak_negative", "deviation_peak")
CARRIER_WITHIN_HZ = 5.0
"""The carrier is drawn evenly within this of what is named: some lines of a second's spectrum."""
TONE_WITHIN = 5e-4
"""The tone likewise, as a share: half a line of a second's spectrum at 1 kHz."""


@dataclass(frozen=True, kw_only=True)
class Signal:
    """What is sent, and how it is received; ``subaudible`` is beside the periodic ``sines``.

    ``loose`` are lines in no ratio to one another: modulation that never repeats. ``phases_rad``
    are those of the harmonics against the first; what shifts the whole is drawn, and with
    ``phases_by_chance`` those of the harmonics too.
    """

    error_hz: float
    sines: tuple[Sine, ...] = ()
    subaudible: Sine | None = None
    loose: tuple[Sine, ...] = ()
    level_dbfs: float = -6.0
    cnr_db: float = 40.0
    rate_hz: float = 250e3
    channel_hz: float = 60e3
    spacing_hz: float = 12500.0
    seconds: float = 2.3
    datatype: str = "cu8"
    ppm: float = 0.0
    ppm_uncertainty: float = 0.0
    faulty: bool = False
    phases_by_chance: bool = False

    def sent(self, draw: int) -> tuple[Sine, ...]:
        """Give the periodic sines with the phases of their harmonics."""
        if not self.phases_by_chance:
            return self.sines
        turns = np.random.default_rng([draw, 97]).random(len(self.sines))
        return tuple(
            replace(sine, phase_rad=2.0 * np.pi * turn) if number else sine
            for number, (sine, turn) in enumerate(zip(self.sines, turns, strict=True))
        )

    def drawn(self, draw: int) -> tuple[float, float, tuple[Sine, ...], float]:
        """Give what chance makes of the error, the tone, all lines and the true clock error."""
        rng = np.random.default_rng([draw, 95])
        error_hz = self.error_hz + rng.uniform(-CARRIER_WITHIN_HZ, CARRIER_WITHIN_HZ)
        scale = 1.0 + rng.uniform(-TONE_WITHIN, TONE_WITHIN)
        begun_rad, low_rad = rng.uniform(0.0, 2.0 * np.pi, 2)
        first_hz = self.sines[0].frequency_hz if self.sines else 1.0
        lines = [
            replace(
                sine,
                frequency_hz=sine.frequency_hz * scale,
                phase_rad=sine.phase_rad + begun_rad * sine.frequency_hz / first_hz,
            )
            for sine in self.sent(draw)
        ]
        if self.subaudible is not None:
            lines.append(replace(self.subaudible, phase_rad=low_rad))
        for sine in self.loose:
            lines.append(replace(sine, phase_rad=rng.uniform(0.0, 2.0 * np.pi)))
        ppm = self.ppm + self.ppm_uncertainty * float(rng.standard_normal())
        return error_hz, scale, tuple(lines), ppm

    def write(self, draw: int, folder: Path) -> Path:
        """Write the recording of a draw."""
        error_hz, _, lines, ppm = self.drawn(draw)
        rng = np.random.default_rng([draw, 96])
        carrier = Carrier(
            frequency_hz=CENTRE_HZ + self.channel_hz + error_hz,
            level_dbfs=self.level_dbfs,
            sines=lines,
            phase_rad=rng.uniform(0.0, 2.0 * np.pi),
        )
        dongle = Dongle(
            sample_rate_hz=self.rate_hz,
            centre_hz=CENTRE_HZ,
            clock_error_ppm=ppm,
            noise_dbfs_hz=noise_dbfs_hz(self.level_dbfs, self.cnr_db, self.spacing_hz),
            dc=0.02 - 0.03j if self.faulty else 0.0,
            gain_imbalance_db=0.3 if self.faulty else 0.0,
            skew_deg=2.0 if self.faulty else 0.0,
            draw=draw,
            carriers=(carrier,),
        )
        return write_pair(
            folder / "r",
            dongle.chunks(round(self.seconds * self.rate_hz)),
            self.datatype,
            self.rate_hz,
            CENTRE_HZ,
            fields={
                "role": "output",
                "full_scale_dbm": FULL_SCALE_DBM,
                "port_offset_db": PORT_OFFSET_DB,
                "clock_error_ppm": self.ppm,
                "clock_uncertainty_ppm": self.ppm_uncertainty,
            },
        )


@lru_cache(maxsize=64)
def _peaks_hz(sines: tuple[Sine, ...]) -> tuple[float, float]:
    return peaks_hz(sines, 1.0 / sines[0].frequency_hz)


BEAT = (
    "the recorder's spike beats with the carrier, and the beat, which averages out, is taken for"
    " noise of the power: U is eight times the scatter, and a tenth of the goal"
)


def _trial(
    name: str,
    signal: Signal,
    *,
    peaks: bool = False,
    level: bool = True,
    why: Mapping[str, str] | None = None,
) -> Trial:
    nominal_hz = CENTRE_HZ + signal.channel_hz

    def measure(draw: int, folder: Path) -> Findings:
        return measure_recordings(
            "carrier",
            [signal.write(draw, folder)],
            at_hz=nominal_hz,
            spacing_hz=signal.spacing_hz,
        )

    low_hz = 0.0 if signal.subaudible is None else signal.subaudible.deviation_hz
    power_dbm = signal.level_dbfs + FULL_SCALE_DBM + PORT_OFFSET_DB
    same: list[Truth] = []
    if level:
        same.append(Truth(reading="carrier_power", value=power_dbm, goal=0.1))
    if signal.subaudible is not None:
        same += [
            Truth(reading="subaudible_tone", value=signal.subaudible.frequency_hz, goal=0.1),
            Truth(reading="subaudible_deviation", value=low_hz, goal=0.01, relative=True),
        ]
    if signal.sines:
        first = signal.sines[0]
        same.append(
            Truth(reading="deviation_tone", value=first.deviation_hz, goal=0.002, relative=True)
        )

    def truths(draw: int) -> tuple[Truth, ...]:
        error_hz, scale, _, _ = signal.drawn(draw)
        given = [*same, Truth(reading="frequency_error", value=error_hz, goal=0.5)]
        if signal.sines:
            tone_hz = signal.sines[0].frequency_hz * scale
            given.append(Truth(reading="tone_frequency", value=tone_hz, goal=0.02))
        if peaks:
            up_hz, down_hz = _peaks_hz(signal.sent(draw))
            values_hz = (up_hz + low_hz, low_hz - down_hz, (up_hz - down_hz) / 2.0 + low_hz)
            given += [
                Truth(reading=peak, value=value_hz, goal=0.005, relative=True)
                for peak, value_hz in zip(PEAK_NAMES, values_hz, strict=True)
            ]
        return tuple(given)

    return Trial(signal=name, truths=truths, measure=measure, why=why or {})


def _sine(frequency_hz: float, deviation_hz: float, phase_rad: float = 0.0) -> Sine:
    return Sine(frequency_hz=frequency_hz, deviation_hz=deviation_hz, phase_rad=phase_rad)


TONE = _sine(1000.0, 1500.0)
CLOCK = {"ppm": 38.6, "ppm_uncertainty": 0.05}
SPEECH_LIKE = tuple(
    _sine(f, d)
    for f, d in (
        (311.7, 420.0),
        (463.1, 510.0),
        (701.9, 380.0),
        (983.3, 300.0),
        (1417.7, 220.0),
        (1999.1, 150.0),
        (2713.9, 90.0),
    )
)
"""Lines in no ratio, weaker towards high frequency; chosen."""

TRIALS = (
    _trial("8 bits, 1 kHz at 1500 Hz, 40 dB", Signal(error_hz=-431.7, sines=(TONE,)), peaks=True),
    _trial(
        "every fault of a dongle, 88.5 Hz beside the tone",
        Signal(
            error_hz=96.3,
            sines=(TONE,),
            subaudible=_sine(88.5, 350.0),
            level_dbfs=-9.0,
            cnr_db=35.0,
            faulty=True,
            **CLOCK,
        ),
        peaks=True,
    ),
    _trial(
        "unmodulated, 6 dB in noise",
        Signal(error_hz=77.0, level_dbfs=-30.0, cnr_db=6.0, seconds=4.0),
    ),
    _trial(
        "unmodulated, 0 dB in noise, 0.6 s",
        Signal(error_hz=-40.0, level_dbfs=-30.0, cnr_db=0.0, seconds=0.6),
    ),
    _trial(
        "2.4 MS/s, weak, 20 dB",
        Signal(
            error_hz=612.0,
            sines=(TONE,),
            level_dbfs=-38.0,
            cnr_db=20.0,
            ppm=-54.3,
            rate_hz=2.4e6,
            channel_hz=-400e3,
            seconds=1.2,
        ),
    ),
    _trial(
        "tone at 10 dB in noise",
        Signal(error_hz=150.0, sines=(TONE,), level_dbfs=-20.0, cnr_db=10.0),
        peaks=True,
    ),
    _trial(
        "off-window tone, 0.43 s, 18 dB, every fault",
        Signal(
            error_hz=-1200.0,
            sines=(_sine(1013.37, 2400.0),),
            cnr_db=18.0,
            seconds=0.43,
            faulty=True,
            **CLOCK,
        ),
        peaks=True,
    ),
    _trial(
        "lines that never repeat, 20 dB",
        Signal(error_hz=220.0, loose=SPEECH_LIKE, cnr_db=20.0, seconds=3.0, **CLOCK),
    ),
    _trial(
        "second harmonic, lopsided, 30 dB",
        Signal(error_hz=-250.0, sines=(TONE, _sine(2000.0, 225.0)), cnr_db=30.0),
        peaks=True,
    ),
    _trial(
        "third harmonic that flattens the tops, 25 dB",
        Signal(
            error_hz=40.0,
            sines=(_sine(800.0, 1200.0), _sine(2400.0, 120.0, np.pi)),
            cnr_db=25.0,
        ),
        peaks=True,
    ),
    _trial(
        "weak harmonics under the noise, 25 dB",
        Signal(
            error_hz=90.0,
            sines=(TONE, *(_sine(1000.0 * k, 6.0 / k) for k in range(2, 6))),
            cnr_db=25.0,
            phases_by_chance=True,
        ),
        peaks=True,
    ),
    _trial(
        "25 kHz channel, tone that fits no window",
        Signal(
            error_hz=1500.0,
            sines=(_sine(1013.37, 4500.0),),
            spacing_hz=25e3,
            datatype="ci16_le",
            seconds=1.37,
        ),
        peaks=True,
    ),
    _trial(
        "tuned onto the channel: spike and image in it",
        Signal(error_hz=300.0, sines=(TONE,), channel_hz=0.0, cnr_db=30.0, faulty=True),
        peaks=True,
        why={"carrier_power": BEAT},
    ),
)
