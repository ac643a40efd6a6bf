"""Takes of a squelch whose thresholds, key-ups and steps are known, and their measurement.

A take here is made of steps of level and of a transmitter that obeys thresholds drawn anew at
each step without a signal. It keys ``ATTACK_S`` after the squelch opens and drops ``HANG_S`` after
it closes.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from harness.blocks import Block
from harness.measure.keying import Edge, Keying, Span
from harness.measure.setup import NO_SIGNAL, Channel, Options, Step
from harness.measure.squelch import Squelch
from harness.uncertainty import Contribution

RATE_HZ = 25e3
ATTACK_S, HANG_S = 0.02, 0.06
UP_S, DOWN_S, QUIET_S = 0.1, 0.16, 0.2
FULL_SCALE_DBM = -60.0
CALIBRATION = Contribution(name="bench.input.level", standard_uncertainty=0.4)


@dataclass(frozen=True, kw_only=True)
class Take:
    """Steps, spans of the transmitter, and the thresholds that were drawn."""

    steps: tuple[Step, ...]
    keyed_s: tuple[tuple[float, float], ...]
    opens: tuple[float, ...] = ()
    closes: tuple[float, ...] = ()

    @property
    def end_s(self):
        return self.steps[-1].end_s


def laid_out(plan, knob="3:00"):
    """Steps one after the other from (level or None, seconds)."""
    steps, at_s = [], 0.0
    for level, length_s in plan:
        label = NO_SIGNAL if level is None else ""
        steps.append(
            Step(start_s=at_s, end_s=at_s + length_s, level_port_dbm=level, knob=knob, label=label)
        )
        at_s += length_s
    return tuple(steps)


def obeyed(steps, opens, closes, hang_s=HANG_S):
    """Spans of a transmitter whose squelch obeys one pair of thresholds after each quiet step."""
    spans, number, is_open, on_s, off_s = [], -1, False, None, None
    for step in steps:
        level = -math.inf if step.level_port_dbm is None else step.level_port_dbm
        number += level == -math.inf
        limit = closes if is_open else opens
        now_open = level >= limit[min(max(number, 0), len(limit) - 1)]
        if now_open and not is_open:
            if off_s is not None and step.start_s + ATTACK_S < off_s:
                off_s = None
            if on_s is None:
                on_s = step.start_s + ATTACK_S
        if is_open and not now_open:
            off_s = step.start_s + hang_s
        is_open = now_open
        if off_s is not None and off_s <= step.end_s and on_s is not None:
            spans.append((on_s, off_s))
            on_s = off_s = None
    if on_s is not None:
        spans.append((on_s, off_s or steps[-1].end_s + 1.0))
    return tuple(spans)


def shuffled_quantiles(mean, sigma, count, rng):
    """A sample of a normal with no luck in it: its quantiles, in any order.

    25 real draws have a spread that is 14 % off (one sigma) before anything is measured; how
    often the fit keeps its goals over real draws stands in test_ogive.py.
    """
    z = stats.norm.ppf((np.arange(count) + 0.5) / count)
    return tuple(float(v) for v in mean + sigma * rng.permutation(z))


def staircases(
    opening,
    closing,
    spread,
    *,
    sweeps,
    low=-118.0,
    high=-108.0,
    step=0.75,
    draw=1,
    down_s=DOWN_S,
    hang_s=HANG_S,
    knob="3:00",
):
    rng = np.random.default_rng([draw, 11])
    up = [low + step * k for k in range(math.floor((high - low) / step) + 1)]
    plan = [(None, QUIET_S), *((x, UP_S) for x in up), *((x, down_s) for x in up[-2::-1])]
    steps = laid_out([*plan * sweeps, (None, QUIET_S)], knob)
    opens = shuffled_quantiles(opening, spread, sweeps, rng)
    closes = tuple(
        min(o, c)
        for o, c in zip(opens, shuffled_quantiles(closing, spread, sweeps, rng), strict=True)
    )
    return Take(
        steps=steps,
        keyed_s=obeyed(steps, opens, closes, hang_s),
        opens=opens,
        closes=closes,
    )


def noise(count, draw):
    rng = np.random.default_rng([draw, 12])
    return 0.002 * (rng.standard_normal(count) + 1j * rng.standard_normal(count))


def output_iq(take, draw=1):
    count = round(take.end_s * RATE_HZ)
    envelope = np.zeros(count)
    for on_s, off_s in take.keyed_s:
        envelope[round(on_s * RATE_HZ) : round(off_s * RATE_HZ)] = 0.4
    turn = np.exp(2j * np.pi * 130.0 * np.arange(count) / RATE_HZ)
    return (envelope * turn + noise(count, draw)).astype(np.complex64)


def input_iq(take, error_db, draw=2):
    """What an input recording sees when the generator is ``error_db`` off its setting."""
    count = round(take.end_s * RATE_HZ)
    envelope = np.zeros(count)
    for step in take.steps:
        if step.level_port_dbm is not None:
            span = slice(round(step.start_s * RATE_HZ), round(step.end_s * RATE_HZ))
            envelope[span] = 10.0 ** ((step.level_port_dbm + error_db - FULL_SCALE_DBM) / 20.0)
    return (envelope + 0.05 * noise(count, draw)).astype(np.complex64)


def channel(take, role="output", **more):
    return Channel(name=f"take-{role}", role=role, sample_rate_hz=RATE_HZ, steps=take.steps, **more)


def cut(samples, sizes=(50_000,)):
    start, turn = 0, 0
    while start < len(samples):
        size = sizes[turn % len(sizes)]
        yield Block(samples[start : start + size], start, RATE_HZ)
        start, turn = start + size, turn + 1


def measure(take, *, options=None, source=None, source_channel=None, sizes=(50_000,)):
    channels = {"output": channel(take)}
    if source is not None:
        channels["input"] = source_channel
    squelch = Squelch(channels, options or Options())
    if source is not None:
        for block in cut(source, sizes):
            squelch.push("input", block)
    for block in cut(output_iq(take), sizes):
        squelch.push("output", block)
    return squelch.finish()


def exact_keying(take, end_s=None):
    """What a keying detector without fault would say of a take: no samples, so quick."""
    end_s = end_s or take.end_s
    spans, at_s, opened = [], 0.0, None
    for on_s, off_s in take.keyed_s:
        if on_s >= end_s:
            break
        if on_s > at_s:
            edge = Edge(time_s=on_s, is_rising=True, uncertainty_s=0.0, settled_power=1.0)
            spans.append(Span(start_s=at_s, end_s=on_s, keyed=False, opened=opened, closed=edge))
            opened = edge
        closed = None
        if off_s < end_s:
            closed = Edge(time_s=off_s, is_rising=False, uncertainty_s=0.0, settled_power=1.0)
        last_s = min(off_s, end_s)
        spans.append(Span(start_s=on_s, end_s=last_s, keyed=True, opened=opened, closed=closed))
        at_s, opened = last_s, closed
    if at_s < end_s:
        spans.append(Span(start_s=at_s, end_s=end_s, keyed=False, opened=opened))
    return Keying(spans=tuple(spans))


def measure_exactly(take, options=None):
    """Findings from steps and keying alone, by the measurement's own last part."""
    squelch = Squelch({"output": channel(take)}, options or Options())
    return squelch.found(exact_keying(take))
