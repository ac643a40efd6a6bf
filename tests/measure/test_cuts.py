"""However a recording is cut into blocks, every kind of measurement gives the same bits.

Truth by property (house rule: fixed frames counted from sample 0): the whole findings, readings,
series and cautions, as JSON. Tolerance: exact.
"""

import itertools
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.blocks import Block
from harness.measure.kinds import KINDS
from harness.measure.setup import NO_SIGNAL, Channel, Options, Step
from harness.readings import findings_json
from tests.measure.keyed_iq import RATE_HZ, keyed_iq

STEP_S = 0.3
LEVELS_DBM = (None, -110.0, -112.0, -110.0)
STEPS = tuple(
    Step(
        start_s=number * STEP_S,
        end_s=(number + 1) * STEP_S,
        level_port_dbm=level,
        label=NO_SIGNAL if level is None else "",
    )
    for number, level in enumerate(LEVELS_DBM)
)
DURATION_S = STEP_S * len(STEPS)
COUNT = round(DURATION_S * RATE_HZ)
GAP = (11_111, 12_345)
AUDIO_RATE_HZ = 24_000.0


def tone_hz(time_s):
    return 1500.0 * np.sin(2 * np.pi * 1000.0 * time_s)


OUTPUT = keyed_iq(DURATION_S, [(0.33, 1.13)], noise_db=-25.0, frequency_hz=tone_hz)
INPUT = keyed_iq(DURATION_S, [(0.30, 1.05)], noise_db=-12.0, frequency_hz=tone_hz, random=2)
AUDIO = np.sin(2 * np.pi * 1000.0 * np.arange(COUNT) / AUDIO_RATE_HZ) + np.random.default_rng(
    3
).normal(scale=0.1, size=COUNT)
SAMPLES = {"output": OUTPUT, "input": INPUT, "audio": AUDIO}
CASES = [(kind, signal) for kind, entry in KINDS.items() for signal in entry.signals]


def channel(role: str, steps: tuple[Step, ...]) -> Channel:
    if role == "audio":
        return Channel(name="audio", role="audio", signal="audio", sample_rate_hz=AUDIO_RATE_HZ)
    return Channel(
        name=role,
        role=role,
        sample_rate_hz=RATE_HZ,
        level_offset_db=-100.0 if role == "input" else 40.0,
        steps=steps,
    )


def blocks(role: str, places, gap: bool) -> list[Block]:
    rate_hz = AUDIO_RATE_HZ if role == "audio" else RATE_HZ
    samples = SAMPLES[role]
    edges = sorted({0, len(samples), *places, *(GAP if gap else ())})
    spans = [(a, b) for a, b in itertools.pairwise(edges) if not gap or not GAP[0] <= a < GAP[1]]
    lost = GAP[1] - GAP[0] if gap else 0
    return [Block(samples[a:b], a, rate_hz, lost if gap and a == GAP[1] else 0) for a, b in spans]


def measured(kind: str, signal: str, places, *, steps=STEPS, gap: bool = False) -> str:
    roles = ("audio",) if signal == "audio" else ("input", "output")
    measurement = KINDS[kind].make({role: channel(role, steps) for role in roles}, Options())
    for role in roles:
        for block in blocks(role, places, gap):
            measurement.push(role, block)
    return json.dumps(findings_json(measurement.finish()))


WHOLE = {
    (*case, bool(steps), gap): measured(*case, (), steps=steps, gap=gap)
    for case in CASES
    for steps in ((), STEPS)
    for gap in (False, True)
}


@pytest.mark.parametrize("gap", [False, True], ids=["whole", "gap"])
@pytest.mark.parametrize("steps", [(), STEPS], ids=["plain", "steps"])
@pytest.mark.parametrize(("kind", "signal"), CASES)
@settings(max_examples=6, deadline=None)
@given(places=st.sets(st.integers(1, COUNT - 1), max_size=40))
def test_random_cuts(kind: str, signal: str, steps, gap: bool, places: set[int]) -> None:
    again = measured(kind, signal, places, steps=steps, gap=gap)
    assert again == WHOLE[kind, signal, bool(steps), gap]


@pytest.mark.parametrize(("kind", "signal"), CASES)
def test_sample_by_sample(kind: str, signal: str) -> None:
    again = measured(kind, signal, range(1, COUNT))
    assert again == WHOLE[kind, signal, True, False]


@pytest.mark.parametrize("kind", [kind for kind, entry in KINDS.items() if "iq" in entry.signals])
def test_the_signal_gives_something_to_compare(kind: str) -> None:
    """Findings that say nothing would be the same for any cut."""
    readings = json.loads(WHOLE[kind, "iq", True, False])["readings"]
    assert any(reading["value"] is not None for reading in readings)


def test_a_block_longer_than_the_audio_that_is_kept() -> None:
    """Timing keeps ten seconds of audio; a keying early in one long block still has its tail."""
    burst_hz = np.random.default_rng(5).normal(scale=1500.0, size=40_000)

    def repeated_hz(time_s):
        held = burst_hz[np.minimum((time_s * 25e3).astype(int), len(burst_hz) - 1)]
        return np.where(time_s < 0.7, tone_hz(time_s), np.where(time_s < 0.8, held, 0.0))

    keyed = keyed_iq(1.3, [(0.2, 1.0)], frequency_hz=repeated_hz)
    quiet = np.tile(keyed[-5_000:], 60)
    samples = np.concatenate([keyed, quiet])

    def timing(places) -> str:
        measurement = KINDS["timing"].make({"output": channel("output", ())}, Options())
        for a, b in itertools.pairwise([0, *places, len(samples)]):
            measurement.push("output", Block(samples[a:b], a, RATE_HZ))
        return json.dumps(findings_json(measurement.finish()))

    cut = timing(range(4096, len(samples), 4096))
    assert timing(()) == cut
    tail = next(r for r in json.loads(cut)["readings"] if r["name"] == "squelch_tail")
    # DESIGN's goal for the tail.
    assert tail["value"] == pytest.approx(0.1, abs=1e-3)
