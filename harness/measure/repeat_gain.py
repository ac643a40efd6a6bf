"""Repeat gain: deviation out against deviation in, from the two recordings of one take.

Where the input holds one tone after another, each stretch of it is set against the same time of the
output; a sweep by twelfths of an octave, tones that stand together line by line. With steps of
level each step has its gain. The noise that each tone is fitted in is all its uncertainty: what
both recordings share (the sample clock, the discriminator) drops out of the ratio.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.measure.audio_frame import AudioFrame
from harness.measure.audio_response import ResponsePoint, response_points
from harness.measure.sinad import mean_over
from harness.measure.stimulus import APART, Plateau, StimulusKind, StimulusTrack, ToneRecord
from harness.readings import Axis, ConditionValue, Reading, Series, measured
from harness.uncertainty import Contribution

NAME = "repeat_gain"
LEAST_CARRIER_RATIO = 10.0
"""Carrier to noise in the input channel below which its tone reads low (the discriminator's
clicks): such frames are left out. Chosen: at 10 dB the tone is low by less than 0.01 %."""
GUARD_S = 0.05
"""Left out of the output at each end of a stretch of the input: the unit's audio delay and the
skew of the recorders. Chosen."""
SCALE_DB = 20.0 / math.log(10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """Gain at one tone; ``deviation_hz`` is that of the input."""

    tone_hz: float
    deviation_hz: float
    gain_db: float
    standard_db: float
    count: int


def from_points(came_in: ResponsePoint, went_out: ResponsePoint) -> Gain:
    """Give the gain between two amplitudes of one tone."""
    relative = came_in.amplitude_variance / came_in.amplitude**2
    relative += went_out.amplitude_variance / went_out.amplitude**2
    return Gain(
        tone_hz=came_in.frequency_hz,
        deviation_hz=came_in.amplitude,
        gain_db=20.0 * math.log10(went_out.amplitude / came_in.amplitude),
        standard_db=SCALE_DB * math.sqrt(relative),
        count=min(came_in.count, went_out.count),
    )


def point_of_frames(frames: Sequence[AudioFrame]) -> ResponsePoint | None:
    """Amplitude over frames of one tone; None where no frame's input carrier is strong enough."""
    kept = [f for f in frames if f.carrier_power >= LEAST_CARRIER_RATIO * f.noise_power]
    kept = [f for f in kept if f.amplitude > 0.0 and f.tone_power[0] > f.rest_power[0] / 10.0]
    if not kept:
        return None
    seconds = np.array([f.duration_s for f in kept])
    share = seconds / seconds.sum()
    # Squares are what noise is taken off without bias.
    square = float(share @ np.array([f.amplitude**2 for f in kept]))
    return ResponsePoint(
        frequency_hz=mean_over(kept, "tone_hz"),
        amplitude=math.sqrt(square),
        amplitude_variance=float(share**2 @ [f.amplitude_variance for f in kept]),
        count=len(kept),
    )


def gains(came_in: StimulusTrack, went_out: StimulusTrack, kind: StimulusKind) -> list[Gain]:
    """Give the gain at each tone of the input that the output answers."""
    if kind in ("swept", "multitone"):
        answers = response_points(went_out, kind)
        return [
            from_points(point, answer)
            for point in response_points(came_in, kind)
            if (answer := _nearest(point, answers, kind)) is not None
        ]
    pairs = []
    stretches = came_in.plateaus()
    for number, stretch in enumerate(stretches):
        # Only beside another stretch is there something to keep clear of.
        begin_s = stretch.start_s if number else -math.inf
        end_s = stretch.end_s if number + 1 < len(stretches) else math.inf
        answer = _answer(stretch, went_out.records, begin_s, end_s)
        if answer is not None:
            pairs.append((_point(stretch), answer))
    return [from_points(*pair) for pair in _merged(pairs)]


def _point(stretch: Plateau) -> ResponsePoint:
    return ResponsePoint(
        frequency_hz=stretch.frequency_hz,
        amplitude=stretch.amplitude,
        amplitude_variance=stretch.amplitude_variance,
        count=stretch.count,
    )


def _nearest(
    point: ResponsePoint, answers: Sequence[ResponsePoint], kind: StimulusKind
) -> ResponsePoint | None:
    if not answers:
        return None
    answer = min(answers, key=lambda a: abs(a.frequency_hz - point.frequency_hz))
    # Bins of a sweep stand where the grains fell; lines stand where they are.
    within = 0.03 if kind == "swept" else 0.002
    off = abs(answer.frequency_hz / point.frequency_hz - 1.0)
    return answer if off < within and answer.amplitude > 0.0 < point.amplitude else None


def _answer(
    stretch: Plateau, records: Sequence[ToneRecord], begin_s: float, end_s: float
) -> ResponsePoint | None:
    """Tone of the output during a stretch of the input.

    A grain keeps clear of the stretch's ends; a frame, which is the same all through, need not.
    """
    inside = [
        r
        for r in records
        if r.start_s >= begin_s + (GUARD_S if r.is_grain else -GUARD_S)
        and r.end_s <= end_s + (0.0 if r.is_grain else GUARD_S)
        and abs(r.frequency_hz / stretch.frequency_hz - 1.0) < APART
        and r.amplitude > 0.0
    ]
    if not inside:
        return None
    seconds = np.array([r.duration_s for r in inside])
    share = seconds / seconds.sum()
    overlap = np.array([2.0 if r.is_grain else 1.0 for r in inside])
    return ResponsePoint(
        frequency_hz=stretch.frequency_hz,
        amplitude=float(share @ [r.amplitude for r in inside]),
        amplitude_variance=float(share**2 * overlap @ [r.amplitude_variance for r in inside]),
        count=len(inside),
    )


def _merged(
    pairs: Sequence[tuple[ResponsePoint, ResponsePoint]],
) -> list[tuple[ResponsePoint, ResponsePoint]]:
    """Put stretches of the same tone and the same deviation together."""
    groups: list[list[tuple[ResponsePoint, ResponsePoint]]] = []
    for pair in sorted(pairs, key=lambda p: (round(p[0].frequency_hz, -1), p[0].amplitude)):
        first = groups[-1][0][0] if groups else None
        if (
            first is not None
            and abs(pair[0].frequency_hz / first.frequency_hz - 1.0) < APART
            and abs(pair[0].amplitude / first.amplitude - 1.0) < 0.02
        ):
            groups[-1].append(pair)
        else:
            groups.append([pair])
    return [(_mean([p[0] for p in g]), _mean([p[1] for p in g])) for g in groups]


def _mean(points: Sequence[ResponsePoint]) -> ResponsePoint:
    count = len(points)
    return ResponsePoint(
        frequency_hz=float(np.mean([p.frequency_hz for p in points])),
        amplitude=float(np.mean([p.amplitude for p in points])),
        amplitude_variance=float(np.sum([p.amplitude_variance for p in points])) / count**2,
        count=sum(p.count for p in points),
    )


def gain_reading(
    gain: Gain, more: Mapping[str, ConditionValue], recordings: tuple[str, ...]
) -> Reading:
    """Give the reading of one gain."""
    where = "_".join(f"{value:g}" for value in more.values() if not isinstance(value, str))
    name = f"{NAME}.noise_{gain.tone_hz:.1f}_{gain.deviation_hz:.1f}_{where}"
    return measured(
        NAME,
        gain.gain_db,
        [
            Contribution(
                name=name.rstrip("_"),
                standard_uncertainty=gain.standard_db,
                kind="A",
                source="noise beside the tone, in and out",
            )
        ],
        count=gain.count,
        conditions={
            **more,
            "tone_hz": round(gain.tone_hz, 1),
            "deviation_hz": round(gain.deviation_hz, 1),
        },
        recordings=recordings,
    )


def gain_series(
    found: Sequence[Gain], levels_dbm: Sequence[float] | None = None
) -> tuple[Series, ...]:
    """Give gain against frequency, against deviation, or against input level where they differ."""
    if len(found) < 2:
        return ()
    if levels_dbm is not None:
        return (_against("level", "input_level_port", "dBm", levels_dbm, found),)
    tones_hz = [gain.tone_hz for gain in found]
    if max(tones_hz) > min(tones_hz) * (1.0 + APART):
        # One deviation a tone, the largest, makes a curve; the readings hold all.
        best: dict[int, Gain] = {}
        for gain in found:
            key = round(math.log(gain.tone_hz) / APART)
            if key not in best or gain.deviation_hz > best[key].deviation_hz:
                best[key] = gain
        curve = sorted(best.values(), key=lambda gain: gain.tone_hz)
        return (_against("frequency", "audio_frequency", "Hz", [g.tone_hz for g in curve], curve),)
    return (_against("deviation", "deviation_in", "Hz", [g.deviation_hz for g in found], found),)


def _against(
    what: str, axis_name: str, unit: str, at: Sequence[float], found: Sequence[Gain]
) -> Series:
    order = np.argsort(at)
    axis = Axis(name=axis_name, unit=unit, values=np.array(at, dtype=np.float64)[order])
    values = np.array([gain.gain_db for gain in found])[order]
    return Series(name=f"{NAME}_against_{what}", unit="dB", axes=(axis,), values=values)
