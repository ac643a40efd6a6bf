"""Audio trials: SINAD of tone and noise built into the audio, sensitivity of level sweeps."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from benchmarks.accuracy.trial import Trial, Truth
from harness.measure.run import measure_recordings
from harness.readings import Findings
from tests.truth.files import quantise, step, write_pair
from tests.truth.repeater import (
    SPEECH_HZ,
    fm_through_limiter,
    noise_rms_for_sinad,
    straight,
    with_ceiling,
    with_knee,
)
from tests.truth.signals import band_noise, rectangular_noise

CENTRE_HZ = 153.825e6
L12_DBM = -117.23


def _chance_noise_rad(count: int, rate_hz: float, rms_hz: float, draw: int) -> np.ndarray:
    """Speech-band noise as phase; its power is ``rms_hz`` squared on average over the draws."""
    lines = round((SPEECH_HZ[1] - SPEECH_HZ[0]) * count / rate_hz)
    rng = np.random.default_rng([draw, 91])
    chance = np.sqrt(rng.gamma(lines) / lines)
    return band_noise(count, rate_hz, *SPEECH_HZ, rms_hz * chance, draw)[1]


def _sinad(
    sinad_db: float,
    *,
    tone_hz: float = 1000.0,
    deviation_hz: float = 1500.0,
    rate_hz: float = 50e3,
    datatype: str = "ci16_le",
    seconds: float = 3.0,
) -> Trial:
    def measure(draw: int, folder: Path) -> Findings:
        count = round(seconds * rate_hz)
        n = np.arange(count)
        rms_hz = noise_rms_for_sinad(deviation_hz, sinad_db)
        angle = _chance_noise_rad(count, rate_hz, rms_hz, draw)
        angle += deviation_hz / tone_hz * np.sin(2 * np.pi * tone_hz / rate_hz * n + 0.6)
        iq = 0.6 * np.exp(1j * (angle + 2 * np.pi * 3000.0 / rate_hz * n))
        path = write_pair(
            folder / "r", [iq], datatype, rate_hz, CENTRE_HZ, fields={"role": "output"}
        )
        return measure_recordings("audio", [path], at_hz=CENTRE_HZ + 3000.0, spacing_hz=12500.0)

    truth = Truth(reading="sinad", value=sinad_db, goal=0.2, conditions={"weighting": "flat"})
    return Trial(
        signal=f"{sinad_db:g} dB, {tone_hz:g} Hz at {deviation_hz:g} Hz, {datatype}",
        truths=(truth,),
        measure=measure,
    )


def _through_12(curve: Callable[[float], float]) -> Callable[[float], float]:
    """Move a curve along the level so that it passes 12 dB at its level exactly."""
    low, high = L12_DBM - 10.0, L12_DBM + 10.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if curve(middle) < 12.0 else (low, middle)
    return lambda level: curve(level - L12_DBM + low)


def _sweep(
    signal: str,
    curve: Callable[[float], float],
    levels_dbm: np.ndarray,
    dwell_s: float = 2.0,
    why: str | None = None,
) -> Trial:
    rate_hz, tone_hz, deviation_hz = 50e3, 1000.0, 1500.0
    sinad_db = _through_12(curve)

    def measure(draw: int, folder: Path) -> Findings:
        count = round(dwell_s * rate_hz)
        time_s = np.arange(count) / rate_hz
        chunks, notes = [], []
        for number, level in enumerate(levels_dbm):
            number_draw = 100 * draw + number
            rms_hz = noise_rms_for_sinad(deviation_hz, sinad_db(level))
            angle = _chance_noise_rad(count, rate_hz, rms_hz, number_draw)
            angle += 2 * np.pi * 700.0 * time_s
            angle += deviation_hz / tone_hz * np.sin(2 * np.pi * tone_hz * time_s)
            radio = rectangular_noise(count, rate_hz, 0.9 * rate_hz, 1e-5, number_draw)
            chunks.append(quantise(0.5 * np.exp(1j * angle) + radio, "cu8"))
            notes.append(step(number * dwell_s, dwell_s, rate_hz, float(level)))
        path = write_pair(
            folder / "r",
            chunks,
            "cu8",
            rate_hz,
            CENTRE_HZ,
            fields={"role": "output"},
            annotations=notes,
        )
        return measure_recordings("audio", [path], at_hz=CENTRE_HZ)

    truth = Truth(reading="sensitivity_12db_sinad", value=L12_DBM, goal=0.3)
    whys = {} if why is None else {truth.reading: why}
    return Trial(signal=signal, truths=(truth,), measure=measure, why=whys)


def _carrier_in_noise() -> Trial:
    """SINAD of an FM carrier in the noise of an IF: 21.42 dB by fm_post_detection.csv.

    Haykin & Moher, solution 9.18: S/N 21.393 dB at 20 dB, 11 kHz, 1500 Hz; +1 as ratios.
    """

    def measure(draw: int, folder: Path) -> Findings:
        iq = fm_through_limiter(75_000, 25e3, 1000.0, 1500.0, 11e3, 20.0, 200 + draw)
        path = write_pair(folder / "r", [0.5 * iq], "cf32_le", 25e3, CENTRE_HZ)
        return measure_recordings("audio", [path], at_hz=CENTRE_HZ)

    truth = Truth(reading="sinad", value=21.42, goal=0.2, conditions={"weighting": "flat"})
    return Trial(
        signal="FM carrier 20 dB above the noise of an 11 kHz IF (theory)",
        truths=(truth,),
        measure=measure,
    )


TRIALS = (
    _sinad(6.0),
    _sinad(12.0, rate_hz=250e3, datatype="cu8", seconds=2.0),
    _sinad(20.0, tone_hz=1013.37, seconds=2.21),
    _sinad(30.0, tone_hz=400.0, deviation_hz=2400.0),
    _sinad(40.0),
    _carrier_in_noise(),
    _sweep("straight curve, 1 dB steps", straight(L12_DBM), np.arange(-122.0, -108.9, 1.0)),
    _sweep("straight curve, 3 dB steps", straight(L12_DBM), np.arange(-122.0, -108.9, 3.0)),
    _sweep(
        "knee below 12 dB",
        with_knee(L12_DBM, 1.5, 2.0),
        np.arange(-122.0, -108.9, 1.0),
        why="a knee is no parabola: how far the points lie off the fitted one counts as scatter",
    ),
    _sweep("ceiling at 24 dB", with_ceiling(L12_DBM, 24.0), np.arange(-121.0, -108.9, 2.0)),
)
