"""What the times of many keyings become: attack time, hang time and squelch tail with their U."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.measure.keying import Edge, model_uncertainty_s
from harness.measure.pairs import Pair
from harness.measure.setup import Channel
from harness.measure.tail import ONSET_S, RINGING_S, Tail
from harness.readings import ConditionValue, Reading, measured, not_measured
from harness.uncertainty import Contribution, rectangular, scaled

UNKNOWN_DELAY_S = 3e-3
"""Greatest delay of an analogue repeater from its port to its transmitter, the half-width of a
rectangle. Chosen: a narrow IF filter and the audio filters take about a millisecond each."""

Conditions = Mapping[str, ConditionValue]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drop:
    """A fall of the output, numbered from 1 in the take, and what its audio showed before it."""

    number: int
    edge: Edge
    tail: Tail

    def hang(self, output: Channel, delay_s: float) -> Pair:
        """Give the time from the input's drop, as the audio tells it, to this edge."""
        return Pair(
            number=self.number,
            from_s=self.tail.input_dropped_s + output.skew_s - delay_s,
            to_s=self.edge.time_s,
            noise_s=math.hypot(self.edge.uncertainty_s, self.tail.dropped_uncertainty_s),
        )

    def burst(self, output: Channel) -> Pair:
        """Give the noise burst, up to where it ends by itself or with the carrier."""
        tail = self.tail
        ends_by_itself = tail.burst_end_s is not None
        return Pair(
            number=self.number,
            from_s=tail.input_dropped_s,
            to_s=self.edge.time_s - output.skew_s if tail.burst_end_s is None else tail.burst_end_s,
            noise_s=math.hypot(
                tail.dropped_uncertainty_s,
                tail.end_uncertainty_s if ends_by_itself else self.edge.uncertainty_s,
            ),
        )


def between_recordings(
    name: str, pairs: Sequence[Pair], source: Channel, output: Channel, conditions: Conditions
) -> Reading:
    """Give the mean time between edges of the input and of the output."""
    recordings = (source.name, output.name)
    if not pairs:
        return not_measured(
            name,
            "No pair of edges that belong together.",
            recordings=recordings,
            conditions=conditions,
        )
    contributions = [
        *_repeatability(f"{output.name}.{name}", pairs),
        *_shifts(output, +1.0, float(np.mean([pair.to_s for pair in pairs]))),
        *_shifts(source, -1.0, float(np.mean([pair.from_s for pair in pairs]))),
    ]
    return _reading(name, pairs, contributions, conditions, recordings)


def hang_of_output(
    hangs: Sequence[Pair], output: Channel, delay_s: float | None, conditions: Conditions
) -> Reading:
    """Give the mean hang time where the input's drop was read from the repeated audio.

    Parameters
    ----------
    delay_s : the repeater's audio delay, already taken off; None where it is not known
    """
    if not hangs:
        return not_measured(
            "hang_time",
            "The repeated audio does not show when the input dropped.",
            recordings=(output.name,),
            conditions=conditions,
        )
    contributions = [
        *_repeatability(f"{output.name}.hang_time", hangs),
        *_clock(output, 1.0, float(np.mean([pair.lasted_s for pair in hangs]))),
        _filter(output, 1.0),
        _onset(output, "input_dropped", -1.0),
    ]
    if delay_s is None:
        contributions.append(
            Contribution(
                name=f"{output.name}.repeater_delay_s",
                standard_uncertainty=rectangular(UNKNOWN_DELAY_S),
                source="audio delay not given; up to 3 ms, chosen",
                distribution="rectangular",
            )
        )
    return _reading("hang_time", hangs, contributions, conditions, (output.name,))


def tail_reading(drops: Sequence[Drop], output: Channel, conditions: Conditions) -> Reading:
    """Give the mean length of the noise burst."""
    bursts = [drop for drop in drops if drop.tail.is_burst]
    ends_by_itself = any(drop.tail.burst_end_s is not None for drop in bursts)
    pairs = [drop.burst(output) for drop in bursts]
    if not pairs:
        return not_measured(
            "squelch_tail",
            "No noise burst seen in the repeated audio.",
            recordings=(output.name,),
            conditions=conditions,
        )
    contributions = [
        *_repeatability(f"{output.name}.squelch_tail", pairs),
        *_clock(output, 1.0, float(np.mean([pair.lasted_s for pair in pairs]))),
        _onset(output, "burst_begins", -1.0),
        # It ends by itself, or with the carrier.
        _ringing(output) if ends_by_itself else _filter(output, 1.0),
    ]
    return _reading("squelch_tail", pairs, contributions, conditions, (output.name,))


def _reading(
    name: str,
    pairs: Sequence[Pair],
    contributions: Sequence[Contribution],
    conditions: Conditions,
    recordings: tuple[str, ...],
) -> Reading:
    return measured(
        name,
        float(np.mean([pair.lasted_s for pair in pairs])),
        contributions,
        count=len(pairs),
        conditions=conditions,
        recordings=recordings,
    )


def _repeatability(name: str, pairs: Sequence[Pair]) -> list[Contribution]:
    """Scatter of the mean; of a single one, the noise on its edges."""
    if len(pairs) > 1:
        lasted = np.array([pair.lasted_s for pair in pairs])
        return [
            Contribution(
                name=f"{name}.repeatability",
                standard_uncertainty=float(lasted.std(ddof=1) / math.sqrt(len(pairs))),
                kind="A",
                degrees_of_freedom=float(len(pairs) - 1),
                source="scatter of the keyings",
            )
        ]
    return [
        Contribution(
            name=f"{name}.noise",
            standard_uncertainty=pairs[0].noise_s,
            source="noise on the edges of one keying",
        )
    ]


def _shifts(channel: Channel, sign: float, mean_s: float) -> list[Contribution]:
    """List what moves every edge of a recording: its skew, its clock, its filter."""
    return [
        *scaled(channel.skew_contributions, sign),
        *_clock(channel, sign, mean_s),
        _filter(channel, sign),
    ]


def _clock(channel: Channel, sign: float, time_s: float) -> list[Contribution]:
    """Give the clock's part: 1 ppm too fast puts a moment 1e-6 of its time earlier."""
    return list(scaled(channel.clock_contributions, -sign * 1e-6 * time_s))


def _filter(channel: Channel, sign: float) -> Contribution:
    return Contribution(
        name=f"{channel.name}.channel_filter_s",
        standard_uncertainty=model_uncertainty_s(channel.spacing_hz),
        sensitivity=sign,
        source="the channel filter's part in an edge",
        distribution="rectangular",
    )


def _onset(channel: Channel, what: str, sign: float) -> Contribution:
    return Contribution(
        name=f"{channel.name}.{what}",
        standard_uncertainty=rectangular(ONSET_S),
        sensitivity=sign,
        source="onset in filtered audio, by simulation",
        distribution="rectangular",
    )


def _ringing(channel: Channel) -> Contribution:
    return Contribution(
        name=f"{channel.name}.burst_ends",
        standard_uncertainty=rectangular(RINGING_S),
        source="how long the audio filter rings on, by simulation",
        distribution="rectangular",
    )
