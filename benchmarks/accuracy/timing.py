"""Timing and squelch trials: keyings with known instants, staircases with hidden thresholds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from benchmarks.accuracy.trial import Trial, Truth
from harness.measure.run import measure_recordings
from harness.measure.setup import Options
from harness.readings import Findings
from tests.truth.repeater import Keyings, SquelchStaircases

INPUT_S = ((0.5003, 1.2001), (2.1, 2.9), (3.9, 4.5002))


def _keyings(
    signal: str, take: Keyings, *, output_only: bool = False, rate_hz: float = 50e3
) -> Trial:
    roles = ("output",) if output_only else ("input", "output")

    def measure(draw: int, folder: Path) -> Findings:
        paths = replace(take, draw=draw).write(folder, sample_rate_hz=rate_hz, noise_dbfs_hz=-80.0)
        return measure_recordings(
            "timing",
            [paths[role] for role in roles],
            spacing_hz=12500.0,
            options=Options(repeater_delay_s=take.audio_delay_s) if output_only else None,
        )

    truths = [Truth(reading="hang_time", value=take.hang_s, goal=2e-4)]
    if not output_only:
        truths.append(Truth(reading="attack_time", value=take.attack_s, goal=2e-4))
    return Trial(signal=signal, truths=tuple(truths), measure=measure)


def _staircases(signal: str, take: SquelchStaircases) -> Trial:
    def measure(draw: int, folder: Path) -> Findings:
        path = replace(take, draw=draw).write(folder / "r")
        return measure_recordings("squelch", [path], spacing_hz=12500.0)

    scale = np.sqrt(25.0 / take.sweeps)
    return Trial(
        signal=signal,
        truths=(
            Truth(reading="squelch_opening", value=take.opening_dbm, goal=0.3 * scale),
            Truth(reading="squelch_closing", value=take.closing_dbm, goal=0.3 * scale),
            Truth(
                reading="squelch_hysteresis",
                value=take.opening_dbm - take.closing_dbm,
                goal=0.42 * scale,
            ),
            Truth(reading="squelch_spread", value=take.spread_db, goal=0.3 * scale, relative=True),
        ),
        measure=measure,
    )


TAKE = Keyings(input_s=INPUT_S, attack_s=0.0321, hang_s=0.4127, duration_s=5.4)
STAIRS = SquelchStaircases(
    opening_dbm=-111.6,
    closing_dbm=-114.2,
    spread_db=0.75,
    levels_dbm=tuple(float(level) for level in np.arange(-118.0, -107.9, 0.75)),
    sweeps=25,
    dwell_s=0.12,
    attack_s=0.03,
    hang_s=0.05,
)

TRIALS = (
    _keyings("two recordings, rise 0.5 ms", TAKE),
    _keyings(
        "two recordings, rise 4 ms, short times",
        replace(TAKE, rise_s=0.004, attack_s=0.011, hang_s=0.0902),
    ),
    _keyings("two recordings at 250 kS/s", TAKE, rate_hz=250e3),
    _keyings(
        "output only, delay known",
        replace(TAKE, audio_delay_s=0.0012),
        output_only=True,
    ),
    _staircases("25 sweeps, spread 0.75 dB", STAIRS),
    _staircases(
        "25 sweeps, spread 0.75 dB, little hysteresis",
        replace(STAIRS, closing_dbm=-113.8, opening_dbm=-111.95),
    ),
    _staircases("12 sweeps, spread 0.75 dB", replace(STAIRS, sweeps=12, opening_dbm=-112.2)),
)
