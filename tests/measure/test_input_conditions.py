"""What the input recording shows: fade, impulses and offset, each made by its formula.

Levels are told to a calibrated input channel; what is stated is a condition of every reading.
"""

from dataclasses import replace

import numpy as np
import pytest

from harness.blocks import Block
from harness.measure.input_conditions import InputWatch
from harness.measure.setup import Options
from harness.measure.squelch import Squelch
from tests.measure.pick import pick
from tests.measure.squelch_takes import (
    CALIBRATION,
    FULL_SCALE_DBM,
    RATE_HZ,
    Take,
    channel,
    cut,
    laid_out,
    obeyed,
    output_iq,
)

NOMINAL_HZ = 158.425e6
UP = tuple(float(level) for level in np.arange(-118.0, -107.9, 0.75))
PLAN = [(None, 0.3), *((level, 0.2) for level in UP)] * 6 + [(None, 0.3)]
STEPS = laid_out(PLAN)


def made(*, fade_db=0.0, fade_hz=0.2, offset_hz=0.0, impulses_per_s=0.0, noise_db=-25.0, draw=1):
    """Input samples of the plan; noise below the carrier at -112 dBm."""
    rng = np.random.default_rng([draw, 71])
    count = round(STEPS[-1].end_s * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    envelope = np.zeros(count)
    for step in STEPS:
        if step.level_port_dbm is not None:
            span = slice(round(step.start_s * RATE_HZ), round(step.end_s * RATE_HZ))
            envelope[span] = 10.0 ** ((step.level_port_dbm - FULL_SCALE_DBM) / 20.0)
    envelope *= 10.0 ** (-0.5 * fade_db * (1.0 - np.cos(2 * np.pi * fade_hz * time_s)) / 20.0)
    iq = envelope * np.exp(2j * np.pi * offset_hz * time_s)
    reference = 10.0 ** ((-112.0 - FULL_SCALE_DBM + noise_db) / 20.0) / np.sqrt(2.0)
    iq = iq + reference * (rng.standard_normal(count) + 1j * rng.standard_normal(count))
    number = rng.poisson(impulses_per_s * time_s[-1])
    places = rng.integers(0, count - 2, number)
    for place in places:
        # As behind a channel filter: two samples, 30 dB above the strongest carrier.
        iq[place : place + 2] += 10.0 ** ((-78.0 - FULL_SCALE_DBM) / 20.0) * np.exp(
            2j * rng.random()
        )
    return iq.astype(np.complex64)


def input_channel(**more):
    return channel(
        Take(steps=STEPS, keyed_s=()),
        "input",
        level_offset_db=FULL_SCALE_DBM,
        level_contributions=(CALIBRATION,),
        centre_hz=NOMINAL_HZ,
        nominal_hz=NOMINAL_HZ,
        **more,
    )


def conditions(iq, source=None, sizes=(50_000,)):
    watch = InputWatch(STEPS, source or input_channel())
    for block in cut(iq, sizes):
        watch.push(block)
    return watch.conditions(range(len(STEPS)))


@pytest.mark.parametrize("draw", range(4))
@pytest.mark.parametrize("noise_db", [-40.0, -25.0, -15.0, -8.0, 3.0])
def test_a_clean_input_states_nothing_however_noisy(noise_db, draw):
    assert conditions(made(noise_db=noise_db, draw=draw)) == {}


@pytest.mark.parametrize(("fade_db", "fade_hz"), [(3.0, 0.05), (6.0, 0.2), (2.0, 1.0)])
def test_a_fade_is_stated_with_its_depth(fade_db, fade_hz):
    found = conditions(made(fade_db=fade_db, fade_hz=fade_hz))
    assert set(found) == {"input_fade_db"}
    # Steps set alike come at six moments of the fade: most of its depth, and never more but for
    # the noise, 0.2 dB.
    assert 0.6 * fade_db <= found["input_fade_db"] <= fade_db + 0.2


@pytest.mark.parametrize("rate", [10.0, 100.0, 300.0])
def test_impulses_are_counted_by_the_second(rate):
    found = conditions(made(impulses_per_s=rate))
    assert set(found) == {"input_impulses_per_s"}
    # Some 18 s are looked at: five sigma of the number, and two figures that are printed; of 300
    # a second a few fall upon each other.
    assert found["input_impulses_per_s"] == pytest.approx(rate, rel=0.1 + 5 / np.sqrt(18.0 * rate))


@pytest.mark.parametrize("offset_hz", [-2000.0, -300.0, 300.0, 1500.0])
def test_an_offset_is_measured(offset_hz):
    # To 10 Hz, as stated; averaged over a quarter of a million samples the noise is no more.
    assert conditions(made(offset_hz=offset_hz)) == {"input_offset_hz": offset_hz}


def test_a_small_offset_is_none_and_one_that_nobody_sees_is_as_annotated():
    assert conditions(made(offset_hz=200.0)) == {}
    watch = InputWatch([replace(step, offset_hz=1500.0) for step in STEPS], None)
    assert watch.conditions(range(len(STEPS))) == {"input_offset_hz": 1500.0}
    assert InputWatch(STEPS, None).conditions(range(len(STEPS))) == {}


def test_a_label_that_all_steps_carry_is_stated():
    labelled = [
        step if step.level_port_dbm is None else replace(step, label="car ignition")
        for step in STEPS
    ]
    watch = InputWatch(labelled, None)
    assert watch.conditions(range(len(STEPS))) == {"stimulus": "car ignition"}


def test_any_cut_states_the_same():
    iq = made(fade_db=3.0, offset_hz=700.0, impulses_per_s=20.0)
    whole = conditions(iq, sizes=(10**9,))
    assert set(whole) == {"input_fade_db", "input_offset_hz", "input_impulses_per_s"}
    assert conditions(iq, sizes=(1234, 77, 4096, 1)) == whole


@pytest.mark.parametrize(
    "disturbed", [{"fade_db": 6.0, "fade_hz": 0.07}, {"impulses_per_s": 300.0}]
)
def test_thresholds_are_those_of_the_levels_as_they_were(disturbed):
    """A unit that opens at -111.6 dBm of what really came."""
    source = made(**disturbed)
    fade_db, fade_hz = disturbed.get("fade_db", 0.0), disturbed.get("fade_hz", 0.0)
    came = tuple(
        replace(
            step,
            level_port_dbm=None
            if step.level_port_dbm is None
            else step.level_port_dbm
            - 0.5 * fade_db * (1.0 - np.cos(2 * np.pi * fade_hz * (step.start_s + step.end_s) / 2)),
        )
        for step in STEPS
    )
    take = Take(steps=STEPS, keyed_s=obeyed(came, (-111.6,), (-114.2,)))
    squelch = Squelch({"output": channel(take), "input": input_channel()}, Options())
    for role, iq in (("input", source), ("output", output_iq(take))):
        for block in cut(iq):
            squelch.push(role, block)
    found = squelch.finish()
    opening = pick(found, "squelch_opening")
    assert set(opening.conditions) - {"knob"}
    # The step of 0.75 dB, and what the level moves within one of 0.2 s: 0.3 dB.
    assert opening.value == pytest.approx(-111.6, abs=0.55)
    # Each sweep opened at the same level of what came: what spread is left is hidden in the steps,
    # and six sweeps bound it. Levels as set would spread by the fade's own 2 dB rms.
    assert pick(found, "squelch_spread").value < 1.5


def test_a_gap_in_the_input_is_no_impulse():
    iq = made()
    watch = InputWatch(STEPS, input_channel())
    watch.push(Block(iq[:40_000], 0, RATE_HZ))
    watch.push(Block(iq[60_000:], 60_000, RATE_HZ, lost_before=20_000))
    assert watch.conditions(range(len(STEPS))) == {}
