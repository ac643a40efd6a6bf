"""Feed made audio to the audio measurement as channel blocks, without files between."""

import itertools
from collections.abc import Sequence

import numpy as np

from harness.blocks import Block
from harness.measure.kinds import KINDS
from harness.measure.setup import Channel, Options
from tests.truth.audio import Stretch
from tests.truth.cases import Case

NEAR = 0.01
"""A condition is a measured number: alike within one part in a hundred."""


def measure_stretches(
    stretches, *, kind="audio", roles=None, cuts=(), gain=1.0, steps=(), **options
):
    """Findings of FM carriers (output, or input and output) or, role "audio", of audio as it is."""
    roles = roles or (("output",) if len(stretches) == 1 else ("input", "output"))
    channels = {
        role: Channel(
            name=role,
            role=role,
            signal="audio" if role == "audio" else "iq",
            sample_rate_hz=stretch.rate_hz,
            steps=tuple(steps),
        )
        for role, stretch in zip(roles, stretches, strict=True)
    }
    measurement = KINDS[kind].make(channels, Options(**options))
    for role, stretch in zip(roles, stretches, strict=True):
        samples = gain * (stretch.audio if role == "audio" else carrier_of(stretch))
        edges = [0, *sorted(cuts), len(samples)]
        for first, last in itertools.pairwise(edges):
            measurement.push(role, Block(samples[first:last], first, stretch.rate_hz))
    return measurement.finish()


def carrier_of(stretch: Stretch) -> np.ndarray:
    return stretch.carrier(100.0).astype(np.complex64)


def readings_of(findings, name, **conditions):
    """Readings of a name under conditions; a number matches within one part in a hundred."""

    def holds(found, wanted):
        if isinstance(wanted, float):
            return isinstance(found, float) and abs(found - wanted) <= NEAR * abs(wanted)
        return found == wanted

    return [
        r
        for r in findings.readings
        if r.name == name and all(holds(r.conditions.get(k), v) for k, v in conditions.items())
    ]


def one(findings, name, **conditions):
    found = readings_of(findings, name, **conditions)
    assert len(found) == 1, f"{len(found)} readings {name} {conditions}"
    return found[0]


def covered(case: Case, draw: int) -> tuple[bool, float, float]:
    """Measure one realisation of a case: whether its interval holds the truth, error, U."""
    stretches, truth = case.make(draw)
    findings = measure_stretches(stretches, kind=case.kind, rated_deviation_hz=2500.0)
    reading = one(findings, case.reading, **case.conditions)
    low, high = reading.interval or (
        reading.value - reading.expanded_uncertainty,
        reading.value + reading.expanded_uncertainty,
    )
    return low <= truth <= high, reading.value - truth, reading.expanded_uncertainty


def rows_of(path) -> Sequence[dict[str, str]]:
    import csv

    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
