"""The keying of one channel: blocks in, ``keying_machine.py`` over them, edges refined.

Memory: some 50 ms of samples, the trace of one keying, and every edge.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block, Frames
from harness.dsp.demodulate import power
from harness.measure.first_keying import FirstKeying, Trace
from harness.measure.history import History
from harness.measure.keying import NOISE_MOMENT_RATIO, Edge, Keying, Spans, filter_half_s
from harness.measure.keying_machine import Change, KeyingMachine, Rules
from harness.measure.setup import Channel
from harness.uncertainty import rectangular
from harness.units import ratio_from_db

FloatArray = NDArray[np.float64]

SETTLE_S = 0.05
GRAIN_SAMPLES = 8
GRAIN_S = 1e-4
"""A frame of the machine has so many channel samples (six independent ones, a third of a
millisecond at 12.5 kHz spacing) and is at least so long. Chosen."""
INDEPENDENT = 5.0
"""So many times less noise power has a frame's mean. Chosen: six, but for what the filter ties
together at its edge."""
SLOW_GRAINS = 6
"""An edge is slow when it takes so many grains from a quarter to three quarters. Chosen."""
LEAST_KEYING_S = 1e-4
"""What is shorter is an impulse, not a keying. Chosen: sparks last microseconds, and 12.5 kHz
stretches them to 70."""
CHUNK_GRAINS = 256
FINENESS = 8
KERNEL_SAMPLES = 12
LOW_CONTRAST = ratio_from_db(25.0)
"""Below this, power is smoothed over one frame before its half is looked for. Chosen: noise
25 dB down moves an edge by less than a sample."""
LEAST_SHARE = ratio_from_db(-20.0)
"""Changes this far under the strongest keying are no keyings of the same transmitter. Chosen."""
LEAST_OUTPUT_PORT_DBM = -20.0
"""A calibrated transmitter's port below this is not keyed, whatever the envelope looks like.
Chosen: 10 microwatts, far above a leak and far below any repeater."""


class CarrierKeying:
    """Keying of an IQ channel, from its power.

    Parameters
    ----------
    channel : Channel of complex blocks
    """

    def __init__(self, channel: Channel) -> None:
        rate_hz = channel.sample_rate_hz
        self._grain = grain = max(math.ceil(GRAIN_S * rate_hz), GRAIN_SAMPLES)
        settle = max(math.ceil(SETTLE_S * rate_hz / grain), 16)
        jump = ratio_from_db(10.0)
        self._rate_hz = rate_hz
        self._half_s = filter_half_s(channel.spacing_hz)
        self._machine = KeyingMachine(Rules(jump=jump, least_contrast=jump, settle_frames=settle))
        self._settle_samples = settle * grain
        chunk = CHUNK_GRAINS * grain
        self._frames = Frames(chunk, align=grain)
        self._history = History(self._settle_samples + 3 * chunk)
        self._first = FirstKeying(grain / rate_hz)
        self._pending: list[Change] = []
        self._new_edges: list[Edge] = []
        is_output = channel.role == "output"
        least_power = 0.0
        if is_output and channel.level_offset_db is not None:
            least_power = ratio_from_db(LEAST_OUTPUT_PORT_DBM - channel.level_offset_db)
        self._least_power = least_power
        self._spans = Spans(
            least_share=LEAST_SHARE, least_power=least_power, least_length_s=LEAST_KEYING_S
        )
        self._stretch_start: int | None = None
        self._moments = np.zeros(3)
        self._fine = _fine_matrix(grain)

    def push(self, block: Block) -> None:
        """Take a complex block."""
        if self._frames.interrupted_by(block):
            self._end_stretch()
        for frame in self._frames.push(block):
            self._take(frame)

    def finish(self) -> Keying:
        """Give the keying on the recording's own clock."""
        self._end_stretch()
        return Keying(spans=self._spans.spans())

    def new_edges(self) -> list[Edge]:
        """Give the edges found since the last call; some may yet turn out to be none."""
        given, self._new_edges = self._new_edges, []
        return given

    @property
    def trace(self) -> Trace | None:
        """Envelope of the first whole keying, if there was one."""
        return self._first.trace() if self._first.is_whole else None

    def _take(self, frame: Block) -> None:
        grains = len(frame.samples) // self._grain
        if not grains:
            return
        samples_power = power(frame.samples)
        if self._stretch_start is None:
            self._stretch_start = frame.start
        self._moments += (
            len(samples_power),
            samples_power.sum(),
            (samples_power * samples_power).sum(),
        )
        powers = samples_power[: grains * self._grain].reshape(grains, self._grain).mean(axis=1)
        self._history.push(frame)
        first = frame.start // self._grain
        changes = self._machine.push(first, powers)
        self._refine_pending()
        self._pending += changes
        fell = any(not c.is_rising and not c.is_withdrawal for c in changes)
        rose = any(c.is_rising for c in changes)
        is_on = self._machine.state in ("rising", "on")
        if any(c.is_withdrawal for c in changes):
            self._first.restart()
        if fell and not rose and not self._first.is_begun:
            self._first.restart()
            fell = False
        if self._first.is_begun and not is_on and not fell:
            self._first.restart()
        self._first.push(first, powers, is_on=is_on, fell=fell)

    def _end_stretch(self) -> None:
        rest = self._frames.rest()
        if rest is not None:
            self._take(rest)
        self._pending += self._machine.interrupt()
        self._refine_pending()
        if self._stretch_start is not None:
            self._spans.end_stretch(
                self._stretch_start / self._rate_hz,
                self._history.end / self._rate_hz,
                self._keyed_if_steady(),
            )
        self._history.clear()
        self._first.restart()
        self._stretch_start = None
        self._moments = np.zeros(3)

    def _keyed_if_steady(self) -> bool | None:
        count, second, fourth = self._moments
        if second <= 0.0 or count < 8 * self._grain:
            return False if count else None
        mean = second / count
        if mean < self._least_power:
            return False
        above, below = self._machine.above, self._machine.below
        if above is not None and below is not None:
            return bool(mean > math.sqrt(above * below))
        return bool(fourth / count < NOISE_MOMENT_RATIO * mean * mean)

    def _refine_pending(self) -> None:
        """Turn the machine's changes into edges, when the samples behind them are there."""
        for change in self._pending:
            if change.is_withdrawal:
                self._spans.withdraw()
            else:
                edge = self._edge(change)
                self._spans.add(edge)
                self._new_edges.append(edge)
        self._pending = []

    def _edge(self, change: Change) -> Edge:
        """Find where the power crosses half of its settled value, near a change."""
        half = change.below + (change.above - change.below) / 2.0
        at = change.frame * self._grain
        if change.is_rising:
            near = self._history.cut(at - 2 * self._grain, at + self._settle_samples)
        else:
            near = self._history.cut(at - self._settle_samples, at + self._grain)
        grains = len(near.samples) // self._grain
        if not grains:
            return self._coarse_edge(change, at)
        kept = near.samples[: grains * self._grain]
        mean = power(kept).reshape(grains, self._grain).mean(axis=1)
        high = np.flatnonzero(mean >= half)
        if not len(high):
            return self._coarse_edge(change, at)
        slow = self._slow_edge(change, near.start, mean)
        if slow is not None:
            return slow
        grain = int(high[0]) if change.is_rising else int(high[-1]) + 1
        centre = near.start + grain * self._grain
        margin = KERNEL_SAMPLES + 2 * self._grain
        segment = self._history.cut(centre - margin, centre + margin)
        if len(segment.samples) < 2 * margin:
            return self._coarse_edge(change, centre)
        envelope = power(self._fine @ segment.samples)
        contrast = change.above / max(change.below, change.above * 1e-12)
        first = float(segment.start + KERNEL_SAMPLES)
        if contrast < LOW_CONTRAST:
            width = self._grain * FINENESS
            sums = np.cumsum(np.concatenate([[0.0], envelope]))
            envelope = (sums[width:] - sums[:-width]) / width
            first += (width - 1) / 2.0 / FINENESS
        position = _crossing(envelope, half, is_rising=change.is_rising)
        if position is None:
            return self._coarse_edge(change, centre)
        quarter = _crossing(
            envelope,
            change.below + (change.above - change.below) / 4.0,
            is_rising=change.is_rising,
        )
        seen_s = self._half_s
        if quarter is not None:
            seen_s = max(abs(position - quarter) / FINENESS / self._rate_hz, self._half_s)
        shift_s = seen_s - math.sqrt(seen_s**2 - self._half_s**2)
        if contrast < LOW_CONTRAST:
            shift_s = 0.0
        time_s = (first + position / FINENESS) / self._rate_hz
        return Edge(
            time_s=time_s - shift_s if change.is_rising else time_s + shift_s,
            is_rising=change.is_rising,
            uncertainty_s=_noise_s(
                contrast * (INDEPENDENT if contrast < LOW_CONTRAST else 1.0), seen_s, self._half_s
            ),
            settled_power=change.above,
        )

    def _slow_edge(self, change: Change, start: int, mean: FloatArray) -> Edge | None:
        """Place an edge that takes many grains: a parabola through them from 1/4 to 3/4.

        The first crossing alone would come early by the noise on so gentle a slope.
        """
        order = mean if change.is_rising else mean[::-1]
        share = (order - change.below) / (change.above - change.below)
        first, last = (int(np.argmax(share >= level)) for level in (0.25, 0.75))
        if last - first < SLOW_GRAINS:
            return None
        x = np.arange(first, last + 1, dtype=np.float64)
        middle = (first + last) / 2.0
        fitted = np.polynomial.Polynomial.fit(x - middle, share[first : last + 1], 2)
        roots = np.asarray((fitted - 0.5).roots(), dtype=np.complex128)
        inside = roots.real[(np.abs(roots.imag) < 1e-9) & (np.abs(roots.real) <= last - middle)]
        if not len(inside):
            return None
        grains = middle + float(inside[np.argmin(np.abs(inside))]) + 0.5
        sample = start + (grains if change.is_rising else len(mean) - grains) * self._grain
        residual = float(np.std(fitted(x - middle) - share[first : last + 1]))
        slope = abs(float(fitted.deriv()(grains - 0.5 - middle)))
        scatter = residual / slope * math.sqrt(2.25 / len(x)) if slope else float(last - first)
        return Edge(
            time_s=sample / self._rate_hz,
            is_rising=change.is_rising,
            uncertainty_s=scatter * self._grain / self._rate_hz,
            settled_power=change.above,
        )

    def _coarse_edge(self, change: Change, sample: int) -> Edge:
        grain_s = self._grain / self._rate_hz
        return Edge(
            time_s=sample / self._rate_hz,
            is_rising=change.is_rising,
            uncertainty_s=rectangular(2.0 * grain_s),
            settled_power=change.above,
        )


def _noise_s(contrast: float, seen_s: float, half_s: float) -> float:
    """Scatter of an edge by the noise on it, as much less as it has been averaged.

    At half power a carrier S in noise N has the power S/2 with standard deviation sqrt(S N);
    between a quarter and half of S the power rises by S/4 in ``seen_s``. The same noise on
    ``seen_s`` moves the filter's part, ``half_s``, about as much again.
    """
    share = 4.0 * math.sqrt(1.0 / contrast)
    return math.hypot(share * seen_s, min(share, 1.0) * half_s)


def _fine_matrix(grain: int) -> FloatArray:
    """Interpolate band-limited samples at a fraction: sinc under a Kaiser window."""
    samples = 2 * (KERNEL_SAMPLES + 2 * grain)
    inner = samples - 2 * KERNEL_SAMPLES
    t = KERNEL_SAMPLES + np.arange(inner * FINENESS + 1) / FINENESS
    distance = t[:, None] - np.arange(samples)[None, :]
    inside = np.clip(1.0 - (distance / KERNEL_SAMPLES) ** 2, 0.0, None)
    window = np.where(inside > 0.0, np.i0(6.0 * np.sqrt(inside)) / np.i0(6.0), 0.0)
    return np.asarray(np.sinc(distance) * window, dtype=np.float64)


def _crossing(envelope: FloatArray, level: float, *, is_rising: bool) -> float | None:
    """First place where a rising envelope reaches a level; the last for a falling one."""
    if not is_rising:
        mirrored = _crossing(envelope[::-1], level, is_rising=True)
        return None if mirrored is None else len(envelope) - 1 - mirrored
    high = envelope >= level
    ups = np.flatnonzero(high[1:] & ~high[:-1])
    if not len(ups):
        return None
    at = int(ups[0])
    return at + float((level - envelope[at]) / (envelope[at + 1] - envelope[at]))
