"""Carrier trials: carriers in the noise and with the faults of a cheap receiver."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from benchmarks.accuracy.trial import Trial, Truth
from harness.measure.run import measure_recordings
from harness.readings import Findings
from tests.truth.files import write_pair
from tests.truth.signals import Carrier, Dongle, Sine, noise_dbfs_hz, peaks_hz

CENTRE_HZ = 153.825e6
FULL_SCALE_DBM, PORT_OFFSET_DB = -12.3, 40.7
PEAK_NAMES = ("deviation_peak_positive", "deviation_peak_negative", "deviation_peak")


def _trial(
    signal: str,
    error_hz: float,
    sines: tuple[Sine, ...] = (),
    *,
    level_dbfs: float = -6.0,
    cnr_db: float = 40.0,
    rate_hz: float = 250e3,
    channel_hz: float = 60e3,
    spacing_hz: float = 12500.0,
    seconds: float = 2.3,
    datatype: str = "cu8",
    ppm: float = 0.0,
    peaks: bool = False,
    faulty: bool = False,
) -> Trial:
    nominal_hz = CENTRE_HZ + channel_hz
    dongle = Dongle(
        sample_rate_hz=rate_hz,
        centre_hz=CENTRE_HZ,
        clock_error_ppm=ppm,
        noise_dbfs_hz=noise_dbfs_hz(level_dbfs, cnr_db, spacing_hz),
        dc=0.02 - 0.03j if faulty else 0.0,
        gain_imbalance_db=0.3 if faulty else 0.0,
        skew_deg=2.0 if faulty else 0.0,
        carriers=(Carrier(frequency_hz=nominal_hz + error_hz, level_dbfs=level_dbfs, sines=sines),),
    )

    def measure(draw: int, folder: Path) -> Findings:
        path = write_pair(
            folder / "r",
            replace(dongle, draw=draw).chunks(round(seconds * rate_hz)),
            datatype,
            rate_hz,
            CENTRE_HZ,
            fields={
                "role": "output",
                "full_scale_dbm": FULL_SCALE_DBM,
                "port_offset_db": PORT_OFFSET_DB,
                "clock_error_ppm": ppm,
                "clock_uncertainty_ppm": 0.0,
            },
        )
        return measure_recordings("carrier", [path], at_hz=nominal_hz, spacing_hz=spacing_hz)

    power_dbm = level_dbfs + FULL_SCALE_DBM + PORT_OFFSET_DB
    truths = [
        Truth(reading="carrier_power", value=power_dbm, goal=0.1),
        Truth(reading="frequency_error", value=error_hz, goal=0.5),
    ]
    if sines:
        first = sines[0]
        truths += [
            Truth(reading="deviation_tone", value=first.deviation_hz, goal=0.002, relative=True),
            Truth(reading="tone_frequency", value=first.frequency_hz, goal=0.02),
        ]
    if peaks:
        up_hz, down_hz = peaks_hz(sines, 1.0 / sines[0].frequency_hz)
        values_hz = (up_hz, -down_hz, (up_hz - down_hz) / 2.0)
        truths += [
            Truth(reading=name, value=value_hz, goal=0.005, relative=True)
            for name, value_hz in zip(PEAK_NAMES, values_hz, strict=True)
        ]
    return Trial(signal=signal, truths=tuple(truths), measure=measure)


def _sine(frequency_hz: float, deviation_hz: float, phase_rad: float = 0.0) -> Sine:
    return Sine(frequency_hz=frequency_hz, deviation_hz=deviation_hz, phase_rad=phase_rad)


TONE = _sine(1000.0, 1500.0)

TRIALS = (
    _trial("8 bits, 1 kHz at 1500 Hz, 40 dB", -431.7, (TONE,), peaks=True),
    _trial(
        "every fault of a dongle, 88.5 Hz beside the tone",
        96.3,
        (TONE, _sine(88.5, 350.0)),
        level_dbfs=-9.0,
        cnr_db=35.0,
        ppm=38.6,
        faulty=True,
    ),
    _trial("unmodulated, 6 dB in noise", 77.0, level_dbfs=-30.0, cnr_db=6.0, seconds=4.0),
    _trial(
        "2.4 MS/s, weak, 20 dB",
        612.0,
        (TONE,),
        level_dbfs=-38.0,
        cnr_db=20.0,
        ppm=-54.3,
        rate_hz=2.4e6,
        channel_hz=-400e3,
        seconds=1.2,
    ),
    _trial(
        "second harmonic, lopsided, 30 dB",
        -250.0,
        (TONE, _sine(2000.0, 225.0)),
        cnr_db=30.0,
        peaks=True,
    ),
    _trial(
        "third harmonic that flattens the tops, 25 dB",
        40.0,
        (_sine(800.0, 1200.0), _sine(2400.0, 120.0, 3.14159265)),
        cnr_db=25.0,
        peaks=True,
    ),
    _trial(
        "25 kHz channel, tone that fits no window",
        1500.0,
        (_sine(1013.37, 4500.0),),
        spacing_hz=25e3,
        datatype="ci16_le",
        peaks=True,
        seconds=1.37,
    ),
)
