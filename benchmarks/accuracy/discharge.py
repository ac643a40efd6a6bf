"""Discharge trials: battery logs whose course is known by formula, with a meter's noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchmarks.accuracy.trial import Trial, Truth
from harness.measure.discharge import discharge_from_log
from harness.measure.setup import Options
from harness.readings import Findings
from harness.recordings import read_log
from harness.uncertainty import Contribution
from tests.truth.battery import BatteryRun


@dataclass(frozen=True, kw_only=True)
class Meter:
    """Noise of what is logged, from row to row; offsets drawn from what the bench declares."""

    power_noise_db: float = 0.02
    current_noise_a: float = 0.005
    frequency_noise_hz: float = 0.3
    voltage_offset_v: float = 0.0
    current_offset_a: float = 0.0

    @property
    def options(self) -> Options:
        """What the bench file would declare."""
        return Options(
            voltage_contributions=_declared("bench.meter.voltage_v", self.voltage_offset_v),
            current_contributions=_declared("bench.meter.current_a", self.current_offset_a),
        )


def _declared(name: str, standard: float) -> tuple[Contribution, ...]:
    part = Contribution(name=name, standard_uncertainty=standard, source="bench file")
    return (part,) if standard else ()


def _run(signal: str, course: BatteryRun, meter: Meter = Meter()) -> Trial:
    """Let the load come and go anywhere between two rows, and the knee anywhere, as they do."""

    def drawn(draw: int) -> BatteryRun:
        on_s, off_s, knee_s = course.interval_s * np.random.default_rng([draw, 93]).random(3)
        return replace(
            course,
            rest_s=10.0 * course.interval_s + on_s,
            run_s=course.run_s + off_s - on_s,
            knee_s=course.knee_s + knee_s,
        )

    def measure(draw: int, folder: Path) -> Findings:
        log = read_log(drawn(draw).write(folder / "log.csv"), None)
        rng = np.random.default_rng([draw, 92])
        loaded = log.current_a > 0.0
        noise = rng.standard_normal((3, len(loaded)))
        offset_v, offset_a = rng.standard_normal(2) * (
            meter.voltage_offset_v,
            meter.current_offset_a,
        )
        seen_a = log.current_a + np.where(loaded, offset_a + meter.current_noise_a * noise[0], 0.0)
        noisy = replace(
            log,
            power_dbm=log.power_dbm + meter.power_noise_db * noise[1],
            frequency_error_hz=log.frequency_error_hz + meter.frequency_noise_hz * noise[2],
            current_a=seen_a,
            voltage_v=log.voltage_v + offset_v,
        )
        return discharge_from_log(noisy, meter.options)

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
    _run(
        "80 min, a row each 2 min, much noise",
        BatteryRun(
            slope_db_per_h=-1.2,
            knee_s=2400.0,
            knee_db_per_h=-7.0,
            run_s=80 * 60.0,
            interval_s=120.0,
        ),
        Meter(power_noise_db=0.06, current_noise_a=0.02, frequency_noise_hz=1.0),
    ),
    _run(
        "6 h, 1 dB down at the knee itself, a row each 5 min",
        BatteryRun(knee_s=5 * 3600.0 - 150.0, interval_s=300.0),
    ),
    _run(
        "6 h, meter declared, a row each 10 s",
        BatteryRun(interval_s=10.0),
        Meter(voltage_offset_v=0.03, current_offset_a=0.004),
    ),
)
