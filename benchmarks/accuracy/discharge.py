"""Discharge trials: battery logs whose course is known by formula, with a meter's noise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from benchmarks.accuracy.trial import Trial, Truth
from harness.measure.discharge import discharge_from_log
from harness.measure.setup import Options
from harness.readings import Findings
from harness.recordings import read_log
from tests.truth.battery import BatteryRun

POWER_NOISE_DB = 0.02
CURRENT_NOISE_A = 0.005
FREQUENCY_NOISE_HZ = 0.3


def _run(signal: str, course: BatteryRun) -> Trial:
    """Let the load come and go anywhere between two rows, as it does."""

    def drawn(draw: int) -> BatteryRun:
        on_s, off_s = course.interval_s * np.random.default_rng([draw, 93]).random(2)
        return replace(course, rest_s=600.0 + on_s, run_s=course.run_s + off_s - on_s)

    def measure(draw: int, folder: Path) -> Findings:
        log = read_log(drawn(draw).write(folder / "log.csv"), None)
        rng = np.random.default_rng([draw, 92])
        loaded = log.current_a > 0.0
        noise_a = np.where(loaded, rng.normal(0.0, CURRENT_NOISE_A, len(loaded)), 0.0)
        noisy = replace(
            log,
            power_dbm=log.power_dbm + rng.normal(0.0, POWER_NOISE_DB, len(loaded)),
            frequency_error_hz=log.frequency_error_hz
            + rng.normal(0.0, FREQUENCY_NOISE_HZ, len(loaded)),
            current_a=log.current_a + noise_a,
        )
        return discharge_from_log(noisy, Options())

    def truths(draw: int) -> tuple[Truth, ...]:
        run = drawn(draw)
        step_s = run.interval_s
        first_s = step_s * np.ceil(run.rest_s / step_s) - run.rest_s
        last_s = step_s * (np.ceil((run.rest_s + run.run_s) / step_s) - 1) - run.rest_s
        drift_db = run.power_dbm(last_s) - run.power_dbm(first_s)
        missed_db = run.power_dbm(0.0) - run.power_dbm(first_s)
        drift_hz = run.drift_hz_per_h * (last_s - first_s) / 3600.0
        return (
            Truth(reading="power_drift", value=drift_db, goal=0.05),
            Truth(reading="frequency_drift", value=drift_hz, goal=0.5),
            Truth(reading="run_time", value=run.run_s, goal=step_s),
            Truth(reading="time_to_minus_1db", value=run.time_to_s(1.0 + missed_db), goal=step_s),
            Truth(reading="time_to_minus_3db", value=run.time_to_s(3.0 + missed_db), goal=step_s),
            Truth(reading="charge_delivered", value=run.charge_ah, goal=0.005, relative=True),
            Truth(reading="energy_delivered", value=run.energy_wh, goal=0.005, relative=True),
        )

    return Trial(signal=signal, truths=truths, measure=measure)


TRIALS = (
    _run("6 h, knee after 5 h, a row each minute", BatteryRun(interval_s=60.0)),
    _run(
        "8 h, late steep knee, a row each minute",
        BatteryRun(
            slope_db_per_h=-0.05,
            knee_db_per_h=-12.0,
            knee_s=7 * 3600.0,
            run_s=8 * 3600.0,
            interval_s=60.0,
        ),
    ),
    _run(
        "3 h, falling straight, a row each 30 s",
        BatteryRun(
            slope_db_per_h=-1.5,
            knee_s=3600.0,
            knee_db_per_h=-1.5,
            run_s=3 * 3600.0,
            interval_s=30.0,
        ),
    ),
)
