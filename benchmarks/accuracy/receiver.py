"""Trials of made audio and of a modelled receiver: the makers of the tests, one per reading."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from benchmarks.accuracy.trial import Trial, Truth
from harness.readings import Findings
from tests.measure.audio_channel import measure_stretches
from tests.measure.receiver_makers import CASES as RECEIVER_CASES
from tests.measure.receiver_makers import measure_take
from tests.truth.cases import CASES as AUDIO_CASES
from tests.truth.cases import Case

GOALS: Mapping[str, float] = {
    "sinad": 0.2,
    "audio_distortion": 0.1,
    "hum_and_noise": 0.3,
    "audio_response": 0.2,
    "repeat_gain": 0.1,
    "subaudible_tone": 0.1,
    "sensitivity_12db_sinad": 0.3,
    "quieting_20db": 0.3,
    "receiver_centre": 50.0,
    "acceptance_bandwidth": 50.0,
    "desensitisation": 0.4,
}
"""DESIGN section 3."""
SHARES: Mapping[str, float] = {"deviation_limiting": 0.005}
"""The same as a share of the truth."""
RATED_DEVIATION_HZ = 2500.0
WHY: Mapping[str, Mapping[str, str]] = {
    "hum and noise -40 dB, 0.7 s": {
        "hum_and_noise": "the window leaves some 3.5 blocks of 0.1 s, so that the coverage factor"
        " is about 3"
    },
    "SINAD where clicks rule, 8 dB carrier to noise": {
        "sinad": "two seconds hold few clicks: a draw with fewer than the mean reads high and knows"
        " too little of their scatter"
    },
    "FM receiver model: centre, offsets by 500 Hz": {
        "receiver_centre": "few offsets lie on each edge: U allows for a curve that no further"
        " point checks"
    },
}
"""Signals whose interval cannot hold the truth as often as it says, and the reason."""


def _truths(
    reading: str, make: Callable[[int], tuple[Any, float]], conditions: Mapping[str, Any]
) -> Callable[[int], tuple[Truth, ...]]:
    def truths(draw: int) -> tuple[Truth, ...]:
        value = make(draw)[1]
        is_share = reading in SHARES
        goal = SHARES[reading] if is_share else GOALS[reading]
        return (
            Truth(
                reading=reading, value=value, goal=goal, relative=is_share, conditions=conditions
            ),
        )

    return truths


def _of_audio(case: Case) -> Trial:
    def measure(draw: int, folder: Path) -> Findings:
        stretches, _ = case.make(draw)
        return measure_stretches(stretches, kind=case.kind, rated_deviation_hz=RATED_DEVIATION_HZ)

    return Trial(
        signal=case.name,
        truths=_truths(case.reading, case.make, case.conditions),
        measure=measure,
        why=WHY.get(case.name, {}),
    )


def _of_receiver(name: str) -> Trial:
    case = RECEIVER_CASES[name]
    of_first = _truths(case.reading, case.make, case.conditions)

    def truths(draw: int) -> tuple[Truth, ...]:
        more = (
            Truth(reading=reading, value=value, goal=GOALS[reading])
            for reading, value in case.also.items()
        )
        return (*of_first(draw), *more)

    def measure(draw: int, folder: Path) -> Findings:
        return measure_take(case.make(draw)[0])

    signal = f"FM receiver model: {name}"
    return Trial(signal=signal, truths=truths, measure=measure, why=WHY.get(signal, {}))


TRIALS = (
    *(_of_audio(case) for case in AUDIO_CASES),
    *(_of_receiver(name) for name in RECEIVER_CASES),
)
