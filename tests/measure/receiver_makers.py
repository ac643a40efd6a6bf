"""Takes of a receiver whose answer is known, by number of the draw: ``make(draw) -> take, truth``.

Each tells one reading. Levels, offsets and centres move with the draw, so that no grid is lucky.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
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


@dataclass(frozen=True)
class Case:
    """How a take with a known answer is made, and which reading tells it."""

    reading: str
    make: Callable[[int], tuple[ReceiverTake, float]]
    conditions: dict[str, Any]


def _shift_db(draw: int) -> float:
    """Where the sweep's levels lie about the grid, different for each draw."""
    return float(np.random.default_rng([draw, 5]).uniform(-0.5, 0.5))


def sensitivity(draw: int) -> tuple[ReceiverTake, float]:
    """12.5 kHz channel, steps of 1 dB of 1.5 s."""
    levels = NARROW_12DB_DBM + _shift_db(draw) + np.arange(-5.0, 6.0)
    return ReceiverTake(steps=level_steps(levels, seconds=1.5), draw=draw), NARROW_12DB_DBM


def sensitivity_among_clicks(draw: int) -> tuple[ReceiverTake, float]:
    """25 kHz channel at 3000 Hz: 12 dB SINAD lies below threshold, 2.5 dB of SINAD to a dB."""
    levels = WIDE_12DB_DBM + _shift_db(draw) + np.arange(-3.0, 5.0)
    take = ReceiverTake(
        steps=level_steps(levels, seconds=2.5), receiver=WIDE, deviation_hz=3000.0, draw=draw
    )
    return take, WIDE_12DB_DBM


def quieting(draw: int) -> tuple[ReceiverTake, float]:
    """Noise without a signal, then carriers without modulation in steps of 1 dB."""
    levels = NARROW_QUIETING_DBM + _shift_db(draw) + np.arange(-5.0, 6.0)
    carriers = level_steps(levels, modulated=False, seconds=1.5)
    take = ReceiverTake(steps=(Step(level_dbm=None, seconds=3.0), *carriers), draw=draw)
    return take, NARROW_QUIETING_DBM


def _off_centre(draw: int) -> FmReceiver:
    """The middle lies anywhere within 600 Hz, on no grid of the offsets."""
    centre_hz = float(np.random.default_rng([draw, 6]).uniform(-600.0, 600.0))
    return FmReceiver(centre_hz=centre_hz)


def centre(draw: int) -> tuple[ReceiverTake, float]:
    """6 dB above the sensitivity, offsets by 250 Hz where SINAD falls."""
    receiver = _off_centre(draw)
    high = by_step(3500.0, 6000.0, 250.0)
    offsets = (*(-o for o in reversed(high)), 0.0, *high)
    level_dbm = NARROW_12DB_DBM + 6.0
    steps = tuple(Step(level_dbm=level_dbm, offset_hz=o, seconds=2.0) for o in offsets)
    return ReceiverTake(steps=steps, receiver=receiver, draw=draw), receiver.centre_hz


def centre_by_sensitivity(draw: int) -> tuple[ReceiverTake, float]:
    """Sweeps of level on the channel and about the edges, no two offsets at one level."""
    receiver = _off_centre(draw)
    high = by_step(3600.0, 5200.0, 400.0)
    steps: tuple[Step, ...] = ()
    for number, offset_hz in enumerate((*(-o for o in reversed(high)), 0.0, *high)):
        levels = NARROW_12DB_DBM + 0.17 * number + np.arange(-4.0, 11.0, 2.0)
        steps += level_steps(levels, offset_hz=offset_hz, seconds=1.0)
    return ReceiverTake(steps=steps, receiver=receiver, draw=draw), receiver.centre_hz


def desensitisation(draw: int) -> tuple[ReceiverTake, float]:
    """Transmitter off, then on, which raises the noise by 2.7 dB."""
    receiver = FmReceiver(transmitter_noise_db=DESENSITISED_DB)
    first = NARROW_12DB_DBM + _shift_db(draw)
    steps = level_steps(first + np.arange(-4.0, 5.0), transmitter="off", seconds=1.5)
    steps += level_steps(first + 3.0 + np.arange(-4.0, 5.0), transmitter="on", seconds=1.5)
    return ReceiverTake(steps=steps, receiver=receiver, draw=draw), DESENSITISED_DB


CASES: dict[str, Case] = {
    "sensitivity": Case("sensitivity_12db_sinad", sensitivity, {}),
    "sensitivity among clicks": Case("sensitivity_12db_sinad", sensitivity_among_clicks, {}),
    "quieting": Case("quieting_20db", quieting, {}),
    "centre": Case("receiver_centre", centre, {"method": "acceptance bandwidth"}),
    "centre by sensitivity": Case(
        "receiver_centre", centre_by_sensitivity, {"method": "sensitivity against offset"}
    ),
    "desensitisation": Case("desensitisation", desensitisation, {}),
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
