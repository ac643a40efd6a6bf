"""Takes of a receiver whose answer is known, by number of the draw: ``make(draw) -> take, truth``.

Each tells one reading. Levels, offsets and centres move with the draw, so that no grid is lucky.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np

from harness.blocks import Block
from harness.measure.audio import Audio
from harness.measure.setup import NO_MODULATION, NO_SIGNAL, Channel, Options
from harness.measure.setup import Step as MeasuredStep
from tests.truth.receiver import (
    AUDIO_RATE_HZ,
    FmReceiver,
    ReceiverTake,
    Step,
    by_step,
    level_steps,
)

NARROW = FmReceiver()
WIDE = FmReceiver(width_hz=16e3)
# Of these two at their noise figure of 5 dB, by tests/truth/receiver.py, long_run: four levels of
# 96 s each, good to 0.02 dB; test_receiver.py runs them again where slow tests are run.
NARROW_12DB_DBM = -118.091
WIDE_12DB_DBM = -120.884
NARROW_QUIETING_DBM = -117.575
DESENSITISED_DB = 2.7


NARROW_ACCEPTANCE_HZ, WIDE_ACCEPTANCE_HZ = 9297.0, 10929.0
"""By acceptance_hz of the same file, five offsets of 96 s each: good to 3 Hz."""


@dataclass(frozen=True)
class Case:
    """How a take with a known answer is made, and which reading tells it.

    ``also`` holds other readings of the same take with their truth.
    """

    reading: str
    make: Callable[[int], tuple[ReceiverTake, float]]
    conditions: dict[str, Any] = field(default_factory=dict)
    also: dict[str, float] = field(default_factory=dict)


def _shift_db(draw: int) -> float:
    """Where the sweep's levels lie about the grid, different for each draw."""
    return float(np.random.default_rng([draw, 5]).uniform(-0.5, 0.5))


def _levels(about_dbm: float, draw: int, low_db: float, high_db: float, step_db: float) -> Any:
    return about_dbm + _shift_db(draw) * step_db + np.arange(low_db, high_db + 1e-6, step_db)


def _sensitivity(
    step_db: float = 1.0, seconds: float = 1.5, noise_figure_db: float = 5.0
) -> Callable[[int], tuple[ReceiverTake, float]]:
    """12.5 kHz channel; noise by so many dB more costs as many dB."""
    truth_dbm = NARROW_12DB_DBM + noise_figure_db - 5.0

    def make(draw: int) -> tuple[ReceiverTake, float]:
        levels = _levels(truth_dbm, draw, -5.0 * step_db, 5.0 * step_db, step_db)
        receiver = FmReceiver(noise_figure_db=noise_figure_db)
        steps = level_steps(levels, seconds=seconds)
        return ReceiverTake(steps=steps, receiver=receiver, draw=draw), truth_dbm

    return make


def _sensitivity_among_clicks(
    step_db: float = 1.0, seconds: float = 2.5
) -> Callable[[int], tuple[ReceiverTake, float]]:
    """25 kHz channel at 3000 Hz: 12 dB SINAD lies below threshold, 2.5 dB of SINAD to a dB."""

    def make(draw: int) -> tuple[ReceiverTake, float]:
        levels = _levels(WIDE_12DB_DBM, draw, -3.0, 4.0, step_db)
        take = ReceiverTake(
            steps=level_steps(levels, seconds=seconds),
            receiver=WIDE,
            deviation_hz=3000.0,
            draw=draw,
        )
        return take, WIDE_12DB_DBM

    return make


def _quieting(
    step_db: float = 1.0, seconds: float = 1.5, noise_figure_db: float = 5.0
) -> Callable[[int], tuple[ReceiverTake, float]]:
    """Noise without a signal for two steps' length, then carriers without modulation."""
    truth_dbm = NARROW_QUIETING_DBM + noise_figure_db - 5.0

    def make(draw: int) -> tuple[ReceiverTake, float]:
        levels = _levels(truth_dbm, draw, -5.0 * step_db, 5.0 * step_db, step_db)
        carriers = level_steps(levels, modulated=False, seconds=seconds)
        take = ReceiverTake(
            steps=(Step(level_dbm=None, seconds=2.0 * seconds), *carriers),
            receiver=FmReceiver(noise_figure_db=noise_figure_db),
            draw=draw,
        )
        return take, truth_dbm

    return make


def _centre_hz(draw: int) -> float:
    """Draw the middle anywhere within 600 Hz, on no grid of the offsets."""
    return float(np.random.default_rng([draw, 6]).uniform(-600.0, 600.0))


def _centre(
    step_hz: float = 250.0, seconds: float = 2.0, *, is_wide: bool = False
) -> Callable[[int], tuple[ReceiverTake, float]]:
    """6 dB above the sensitivity, many offsets where SINAD falls."""

    def make(draw: int) -> tuple[ReceiverTake, float]:
        receiver = replace(WIDE if is_wide else NARROW, centre_hz=_centre_hz(draw))
        first_hz = 4500.0 if is_wide else 3500.0
        high = by_step(first_hz, first_hz + 2500.0, step_hz)
        offsets = (*(-o for o in reversed(high)), 0.0, *high)
        level_dbm = 6.0 + (WIDE_12DB_DBM if is_wide else NARROW_12DB_DBM)
        take = ReceiverTake(
            steps=tuple(Step(level_dbm=level_dbm, offset_hz=o, seconds=seconds) for o in offsets),
            receiver=receiver,
            deviation_hz=3000.0 if is_wide else 1500.0,
            draw=draw,
        )
        return take, receiver.centre_hz

    return make


def centre_by_sensitivity(draw: int) -> tuple[ReceiverTake, float]:
    """Sweeps of level on the channel and about the edges, no two offsets at one level."""
    receiver = FmReceiver(centre_hz=_centre_hz(draw))
    high = by_step(3600.0, 5200.0, 400.0)
    steps: tuple[Step, ...] = ()
    for number, offset_hz in enumerate((*(-o for o in reversed(high)), 0.0, *high)):
        levels = NARROW_12DB_DBM + 0.17 * number + np.arange(-4.0, 11.0, 2.0)
        steps += level_steps(levels, offset_hz=offset_hz, seconds=1.0)
    return ReceiverTake(steps=steps, receiver=receiver, draw=draw), receiver.centre_hz


def _desensitisation(
    by_db: float, step_db: float = 1.0, seconds: float = 1.5
) -> Callable[[int], tuple[ReceiverTake, float]]:
    """Transmitter off, then on, which raises the noise by so much."""

    def make(draw: int) -> tuple[ReceiverTake, float]:
        receiver = FmReceiver(transmitter_noise_db=by_db)
        levels = _levels(NARROW_12DB_DBM, draw, -4.0, 4.0, step_db)
        steps = level_steps(levels, transmitter="off", seconds=seconds)
        steps += level_steps(levels + by_db + 0.3, transmitter="on", seconds=seconds)
        return ReceiverTake(steps=steps, receiver=receiver, draw=draw), by_db

    return make


_BY_EDGES = {"method": "acceptance bandwidth"}
CASES: dict[str, Case] = {
    "sensitivity": Case("sensitivity_12db_sinad", _sensitivity()),
    "sensitivity, steps of 2 dB": Case("sensitivity_12db_sinad", _sensitivity(2.0)),
    "sensitivity, a deaf receiver, 0.8 s": Case(
        "sensitivity_12db_sinad", _sensitivity(1.0, 0.8, 9.0)
    ),
    "sensitivity among clicks": Case("sensitivity_12db_sinad", _sensitivity_among_clicks()),
    "sensitivity among clicks, 1 s": Case(
        "sensitivity_12db_sinad", _sensitivity_among_clicks(1.0, 1.0)
    ),
    "quieting": Case("quieting_20db", _quieting()),
    "quieting, steps of 2 dB": Case("quieting_20db", _quieting(2.0)),
    "quieting, steps of 0.5 dB": Case("quieting_20db", _quieting(0.5, 1.0)),
    "quieting, a deaf receiver": Case("quieting_20db", _quieting(1.0, 1.5, 9.0)),
    "quieting, 0.7 s": Case("quieting_20db", _quieting(1.0, 0.7)),
    "centre": Case(
        "receiver_centre",
        _centre(),
        _BY_EDGES,
        also={"acceptance_bandwidth": NARROW_ACCEPTANCE_HZ},
    ),
    "centre, offsets by 125 Hz": Case(
        "receiver_centre",
        _centre(125.0, 1.0),
        _BY_EDGES,
        also={"acceptance_bandwidth": NARROW_ACCEPTANCE_HZ},
    ),
    "centre, 0.8 s": Case(
        "receiver_centre",
        _centre(250.0, 0.8),
        _BY_EDGES,
        also={"acceptance_bandwidth": NARROW_ACCEPTANCE_HZ},
    ),
    "centre, 25 kHz channel": Case(
        "receiver_centre",
        _centre(250.0, 1.5, is_wide=True),
        _BY_EDGES,
        also={"acceptance_bandwidth": WIDE_ACCEPTANCE_HZ},
    ),
    "centre, offsets by 500 Hz": Case(
        "receiver_centre",
        _centre(500.0),
        _BY_EDGES,
        also={"acceptance_bandwidth": NARROW_ACCEPTANCE_HZ},
    ),
    "centre by sensitivity": Case(
        "receiver_centre", centre_by_sensitivity, {"method": "sensitivity against offset"}
    ),
    "desensitisation": Case("desensitisation", _desensitisation(DESENSITISED_DB)),
    "desensitisation of 0.5 dB": Case("desensitisation", _desensitisation(0.5)),
    "desensitisation of 6 dB": Case("desensitisation", _desensitisation(6.0)),
    "desensitisation, steps of 2 dB": Case(
        "desensitisation", _desensitisation(DESENSITISED_DB, 2.0)
    ),
    "desensitisation, 0.8 s": Case("desensitisation", _desensitisation(DESENSITISED_DB, 1.0, 0.8)),
}


def measure_take(take: ReceiverTake, cuts: Iterable[int] = (), **options: Any) -> Any:
    """Measure a take without a file in between, in blocks cut at these samples."""
    steps = tuple(
        MeasuredStep(
            start_s=begin_s,
            end_s=end_s,
            level_port_dbm=s.level_dbm,
            offset_hz=s.offset_hz,
            transmitter=s.transmitter,
            label=NO_SIGNAL if s.level_dbm is None else "" if s.modulated else NO_MODULATION,
        )
        for s, (begin_s, end_s) in zip(take.steps, take.spans_s(), strict=True)
    )
    channel = Channel(
        name=take.name, role="audio", signal="audio", sample_rate_hz=AUDIO_RATE_HZ, steps=steps
    )
    measurement = Audio({"audio": channel}, Options(**options))
    audio = np.concatenate(take.pieces())
    edges = [0, *(int(cut) for cut in cuts), len(audio)]
    for start, end in pairwise(edges):
        measurement.push("audio", Block(audio[start:end], start, AUDIO_RATE_HZ))
    return measurement.finish()
