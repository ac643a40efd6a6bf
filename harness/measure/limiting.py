"""Deviation limiting: how far the unit's transmitter lets its deviation go, however hard driven.

From the two recordings of one take whose input holds one tone at several deviations, each for
three quarters of a second or longer. An eighth of a second is a frame of either; frames of the
input in a row that hold the same tone at the same deviation are a step, and the frames of the
output that lie well inside it are its answer: the peak of the waveform that their mean harmonics
make, as for every peak deviation of a tone.

The unit limits where the deviation out no longer follows the deviation in: by ``LIMITS_DB`` less at
the hardest drive than at the weakest. What it then gives is the reading. Else the deviation out at
the hardest drive is a lower bound: the limit lies beyond. The method is the modulation limiting
curve of 47 CFR 2.1047(b), with a deviation in the place of the input voltage.

Memory: some ten numbers a frame.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.blocks import Block, Frames
from harness.devices import Role
from harness.dsp.demodulate import HALF_TAPS
from harness.dsp.spectrum import fast_length
from harness.measure.carrier_frame import carrier_record, demodulated_frame, peak_filter
from harness.measure.modulation import (
    PeriodicFrame,
    half_peak_to_peak_variance,
    likely_harmonics,
    mean_harmonics,
    peaks,
)
from harness.measure.setup import Channel
from harness.readings import Axis, Findings, Reading, Series, measured
from harness.uncertainty import Contribution, scaled

NAME = "deviation_limiting"
CURVE = "deviation_out_against_deviation_in"
FRAME_S = 0.125
SAME_DEVIATION = 0.03
SAME_TONE = 0.01
"""Frames of the input that differ by less belong to one step. Chosen."""
GUARD_S = 0.05
"""Left out of the output at each end of a step: the unit's audio delay, the skew of the recorders.
Chosen."""
LIMITS_DB = 1.0
"""The output that follows by so much less than at the weakest drive is limited. Chosen: the point
of compression as the trade takes it (common practice, no source)."""
LEAST_RATIO = 1.5
"""The hardest drive is so much above the weakest, or nothing is said of limiting. Chosen."""
HIGHER_SIGMAS = 3.0
"""A step that gives more than the hardest drive does by so much is the limit instead. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TonedFrame:
    """What a frame holds: its time in the take, its tone and the harmonics of it."""

    start_s: float
    end_s: float
    tone_hz: float
    periodic: PeriodicFrame

    @property
    def tone_deviation_hz(self) -> float:
        """Deviation by the tone itself."""
        return float(np.abs(self.periodic.harmonics[0]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Driven:
    """One step: peak deviation in and out, the variance of the latter, frames of the output."""

    tone_hz: float
    in_hz: float
    out_hz: float
    out_variance: float
    count: int

    @property
    def gain_db(self) -> float:
        """Deviation out against deviation in."""
        return 20.0 * math.log10(self.out_hz / self.in_hz)


class TonedFrames:
    """Channel blocks in, frames with a tone out; one of each recording of a take."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        rate_hz = channel.sample_rate_hz
        self._peak_filter = peak_filter(channel.spacing_hz, rate_hz)
        hop = max(round(FRAME_S * rate_hz), 1)
        # The discriminator loses samples at each end; a few more transform quickly.
        length = max(fast_length(hop) + 2 * HALF_TAPS, hop)
        self._frames = Frames(length, hop)
        self.found: list[TonedFrame | None] = []
        """None where a frame has no tone: what is on either side is then two steps."""

    def push(self, block: Block) -> None:
        """Take a channel block."""
        if self._frames.interrupted_by(block):
            self.found.append(None)
        for frame in self._frames.push(block):
            self.found.append(self._toned(frame))

    def _toned(self, frame: Block) -> TonedFrame | None:
        demodulated = demodulated_frame(frame.samples, self._channel.sample_rate_hz)
        if demodulated is None or len(demodulated.keyed.runs) != 1:
            return None
        record = carrier_record(demodulated, self._channel.spacing_hz, self._peak_filter)
        if record.periodic is None:
            return None
        start_s = frame.start_s + self._channel.skew_s
        return TonedFrame(
            start_s=start_s,
            end_s=start_s + len(frame.samples) / self._channel.sample_rate_hz,
            tone_hz=record.tone_hz,
            periodic=record.periodic,
        )


class Limiting:
    """Blocks of a take's input and output in; reading and curve out.

    Parameters
    ----------
    channels : both of one take, IQ
    """

    def __init__(self, channels: Mapping[Role, Channel]) -> None:
        self._channels = channels
        self._frames = {role: TonedFrames(channels[role]) for role in ("input", "output")}

    def push(self, role: Role, block: Block) -> None:
        """Take a channel block of either."""
        if role in self._frames:
            self._frames[role].push(block)

    def finish(self) -> Findings:
        """Give the reading and the curve; neither where the input was not driven harder."""
        steps = [
            driven
            for group in _steps(self._frames["input"].found)
            if (driven := _driven(group, self._frames["output"].found)) is not None
        ]
        curve = _of_one_tone(steps)
        if len(curve) < 2 or curve[-1].in_hz < LEAST_RATIO * curve[0].in_hz:
            return Findings(kind="carrier", readings=())
        return Findings(
            kind="carrier", readings=(self._reading(curve),), series=(_curve_series(curve),)
        )

    def _reading(self, curve: Sequence[Driven]) -> Reading:
        names = tuple(self._channels[role].name for role in ("input", "output"))
        weakest, hardest = curve[0], curve[-1]
        lost_db = weakest.gain_db - hardest.gain_db
        common: dict[str, Any] = {
            "conditions": {
                "tone_hz": round(hardest.tone_hz, 1),
                "deviation_in_hz": round(hardest.in_hz, 1),
            },
            "recordings": names,
        }
        if lost_db < LIMITS_DB:
            return Reading(
                name=NAME,
                value=hardest.out_hz,
                unit="Hz",
                bound="lower",
                count=hardest.count,
                note=f"the deviation out still follows that in, to {lost_db:.1f} dB: it does not"
                " limit up to here",
                **common,
            )
        limit, where = hardest, "at the hardest drive"
        most = max(curve, key=lambda step: step.out_hz)
        apart = math.sqrt(most.out_variance + hardest.out_variance)
        if most.out_hz - hardest.out_hz > HIGHER_SIGMAS * apart:
            limit, where = most, f"at {most.in_hz:.0f} Hz in, more than at the hardest drive"
        repeat = Contribution(
            name=f"{NAME}.repeatability",
            standard_uncertainty=math.sqrt(limit.out_variance),
            kind="A",
            source="noise of the demodulated frequency",
        )
        clock = self._channels["output"].clock_contributions
        return measured(
            NAME,
            limit.out_hz,
            [repeat, *scaled(clock, limit.out_hz * 1e-6)],
            count=limit.count,
            note=f"{where}; {lost_db:.1f} dB less gain there than at {weakest.in_hz:.0f} Hz in",
            **common,
        )


def _steps(frames: Sequence[TonedFrame | None]) -> list[list[TonedFrame]]:
    """Frames in a row of one tone at one deviation; one that straddles two belongs to neither."""
    groups: list[list[TonedFrame]] = []
    last: TonedFrame | None = None
    for frame in frames:
        if frame is not None and last is not None and _is_same(last, frame):
            groups[-1].append(frame)
        elif frame is not None:
            groups.append([frame])
        last = frame
    return [group for group in groups if len(group) > 1]


def _is_same(one: TonedFrame, other: TonedFrame) -> bool:
    deviation = other.tone_deviation_hz / one.tone_deviation_hz
    return (
        abs(deviation - 1.0) < SAME_DEVIATION and abs(other.tone_hz / one.tone_hz - 1.0) < SAME_TONE
    )


def _driven(group: Sequence[TonedFrame], answers: Sequence[TonedFrame | None]) -> Driven | None:
    """Give what a step of the input is answered with; None where the output has no tone there."""
    begin_s, end_s = group[0].start_s, group[-1].end_s
    tone_hz = float(np.mean([frame.tone_hz for frame in group]))
    inside = [
        frame
        for frame in answers
        if frame is not None
        and frame.start_s >= begin_s + GUARD_S
        and frame.end_s <= end_s - GUARD_S
        and abs(frame.tone_hz / tone_hz - 1.0) < SAME_TONE
    ]
    if not inside:
        return None
    in_hz, _ = _peak(group)
    out_hz, out_variance = _peak(inside)
    return Driven(
        tone_hz=tone_hz, in_hz=in_hz, out_hz=out_hz, out_variance=out_variance, count=len(inside)
    )


def _peak(frames: Sequence[TonedFrame]) -> tuple[float, float]:
    """Half of peak-to-peak of the mean waveform, and its variance."""
    harmonics, variances = mean_harmonics(
        [frame.periodic for frame in frames], np.ones(len(frames))
    )
    likely = likely_harmonics(harmonics, variances)
    up_hz, down_hz = peaks(likely.amplitudes)
    return (up_hz - down_hz) / 2.0, half_peak_to_peak_variance(likely.variances)


def _of_one_tone(steps: Sequence[Driven]) -> list[Driven]:
    """Of the tone with the most steps, one for each deviation, by rising deviation in."""
    tones: list[list[Driven]] = []
    for step in sorted(steps, key=lambda step: step.tone_hz):
        if tones and abs(step.tone_hz / tones[-1][0].tone_hz - 1.0) < SAME_TONE:
            tones[-1].append(step)
        else:
            tones.append([step])
    most = max(tones, key=len, default=[])
    curve: list[list[Driven]] = []
    for step in sorted(most, key=lambda step: step.in_hz):
        if curve and abs(step.in_hz / curve[-1][0].in_hz - 1.0) < SAME_DEVIATION:
            curve[-1].append(step)
        else:
            curve.append([step])
    return [_together(same) for same in curve]


def _together(same: Sequence[Driven]) -> Driven:
    """Give the mean of steps of the same deviation in."""
    return Driven(
        tone_hz=float(np.mean([step.tone_hz for step in same])),
        in_hz=float(np.mean([step.in_hz for step in same])),
        out_hz=float(np.mean([step.out_hz for step in same])),
        out_variance=sum(step.out_variance for step in same) / len(same) ** 2,
        count=sum(step.count for step in same),
    )


def _curve_series(curve: Sequence[Driven]) -> Series:
    axis = Axis(name="deviation_in", unit="Hz", values=np.array([step.in_hz for step in curve]))
    return Series(
        name=CURVE,
        unit="Hz",
        axes=(axis,),
        values=np.array([step.out_hz for step in curve]),
        conditions={"tone_hz": round(curve[-1].tone_hz, 1)},
    )
