"""What the times of many keyings become: attack time, hang time and squelch tail with their U."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from harness.measure.answers import Answers, Fall
from harness.measure.hang_timer import TimerRun, judge_hang_timer
from harness.measure.keying import model_uncertainty_s
from harness.measure.pairs import Pair
from harness.measure.setup import Channel
from harness.measure.spread import range_in_words
from harness.measure.tail import EDGE_S, GRAIN_S, ONSET_S, RINGING_S, TONE_END_S
from harness.measure.time_out import Cuts
from harness.readings import ConditionValue, Reading, measured, not_measured
from harness.uncertainty import Contribution, rectangular, scaled

UNKNOWN_DELAY_S = 3e-3
"""Greatest delay of an analogue repeater from its port to its transmitter, the half-width of a
rectangle. Chosen: a narrow IF filter and the audio filters take about a millisecond each."""
SHORTEST_SEEN_S = 2e-3
"""A noise burst as long as this is seen, a shorter one may be taken for the tone's end. By
simulation, behind audio filters from 2.8 to 6 kHz."""

Conditions = Mapping[str, ConditionValue]


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
        *repeatability(f"{output.name}.{name}", pairs),
        *_shifts(output, +1.0, float(np.mean([pair.to_s for pair in pairs]))),
        *_shifts(source, -1.0, float(np.mean([pair.from_s for pair in pairs]))),
    ]
    return _reading(name, pairs, contributions, conditions, recordings)


def hang_of_output(
    ours: Answers, output: Channel, delay_s: float | None, conditions: Conditions
) -> Reading:
    """Give the mean hang time where the input's drop was read from the repeated audio.

    Parameters
    ----------
    delay_s : the repeater's audio delay, already taken off; None where it is not known
    """
    hangs = ours.hangs
    if not hangs:
        return _no_hang_seen(ours, output, delay_s, conditions)
    is_noise = all(fall.tail.is_burst for fall in ours.falls if fall.tail is not None)
    contributions = [
        *repeatability(f"{output.name}.hang_time", hangs),
        *clock_part(output, 1.0, float(np.mean([pair.lasted_s for pair in hangs]))),
        filter_part(output, 1.0),
        _onset(output, "input_dropped", -1.0, ONSET_S if is_noise else TONE_END_S),
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


def _no_hang_seen(
    ours: Answers, output: Channel, delay_s: float | None, conditions: Conditions
) -> Reading:
    """Give a bound where the test tone is heard up to every fall, or say that nothing shows it."""
    toned = [fall for fall in ours.falls if fall.has_tone_to_end]
    if not toned or len(toned) < len(ours.falls):
        return not_measured(
            "hang_time",
            "The repeated audio does not show when the input dropped.",
            recordings=(output.name,),
            conditions=conditions,
        )
    return Reading(
        name="hang_time",
        # The tone may have ended within what is left out at the edge, and a grain.
        value=EDGE_S + GRAIN_S + (UNKNOWN_DELAY_S if delay_s is None else delay_s),
        unit="s",
        bound="upper",
        count=len(toned),
        conditions=conditions,
        recordings=(output.name,),
        note="The test tone is heard up to the carrier's end: no hang, or each time the"
        " transmitter was cut with the input still on",
    )


def tail_reading(
    falls: Sequence[Fall], absent: frozenset[int], output: Channel, conditions: Conditions
) -> Reading:
    """Give the mean length of the noise burst, or that there is none.

    Parameters
    ----------
    absent : numbers of the falls that show when the input dropped, and no burst after it
    """
    found = [(fall, pair) for fall in falls if (pair := fall.burst()) is not None]
    without = sum(fall.number in absent for fall in falls)
    if not found:
        return _no_tail_seen(without, output, conditions)
    pairs = [pair for _, pair in found]
    contributions = [
        *repeatability(f"{output.name}.squelch_tail", pairs),
        *clock_part(output, 1.0, float(np.mean([pair.lasted_s for pair in pairs]))),
        _onset(output, "burst_begins", -1.0),
        # It ends by itself, or with the carrier.
        filter_part(output, 1.0)
        if all(fall.ends_with_audio for fall, _ in found)
        else _ringing(output),
    ]
    note = f"{without} of {without + len(pairs)} drops have no tail" if without else ""
    return _reading("squelch_tail", pairs, contributions, conditions, (output.name,), note)


def _no_tail_seen(without: int, output: Channel, conditions: Conditions) -> Reading:
    if not without:
        return not_measured(
            "squelch_tail",
            "No noise burst seen in the repeated audio.",
            recordings=(output.name,),
            conditions=conditions,
        )
    return Reading(
        name="squelch_tail",
        value=SHORTEST_SEEN_S,
        unit="s",
        bound="upper",
        count=without,
        conditions=conditions,
        recordings=(output.name,),
        note="tail absent: no noise follows the input's end",
    )


def timer_reading(
    runs: Sequence[TimerRun], conditions: Conditions, recordings: tuple[str, ...]
) -> list[Reading]:
    """Give the state of the hang timer; nothing where there are too few hang times."""
    judgement = judge_hang_timer(runs)
    if judgement is None:
        return []
    return [
        Reading(
            name="hang_timer",
            value=judgement.state,
            unit="",
            count=len(runs),
            conditions=conditions,
            recordings=recordings,
            note=judgement.evidence,
        )
    ]


def time_out_reading(cuts: Cuts, output: Channel, conditions: Conditions) -> list[Reading]:
    """Give the mean time after which a timer cuts; nothing where none does."""
    pairs = cuts.by_timer
    if not pairs:
        return []
    contributions = [
        *repeatability(f"{output.name}.time_out", pairs),
        *clock_part(output, 1.0, float(np.mean([pair.lasted_s for pair in pairs]))),
        # Of a rise and of a fall: it makes one early and the other late.
        replace(filter_part(output, 2.0), name=f"{output.name}.channel_filter_both_s"),
    ]
    note = "" if len(pairs) > 1 else "one cut: that a timer does it is not known"
    return [_reading("time_out", pairs, contributions, conditions, (output.name,), note)]


def _reading(
    name: str,
    pairs: Sequence[Pair],
    contributions: Sequence[Contribution],
    conditions: Conditions,
    recordings: tuple[str, ...],
    note: str = "",
) -> Reading:
    """Make the reading of a mean; its note says how the single times lie, and what is given."""
    return measured(
        name,
        float(np.mean([pair.lasted_s for pair in pairs])),
        contributions,
        count=len(pairs),
        conditions=conditions,
        recordings=recordings,
        note="; ".join(words for words in (note, range_in_words(pairs)) if words),
    )


def repeatability(name: str, pairs: Sequence[Pair]) -> list[Contribution]:
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
        *clock_part(channel, sign, mean_s),
        filter_part(channel, sign),
    ]


def clock_part(channel: Channel, sign: float, time_s: float) -> list[Contribution]:
    """Give the clock's part: 1 ppm too fast puts a moment 1e-6 of its time earlier."""
    return list(scaled(channel.clock_contributions, -sign * 1e-6 * time_s))


def filter_part(channel: Channel, sign: float) -> Contribution:
    """Give the channel filter's part in an edge."""
    return Contribution(
        name=f"{channel.name}.channel_filter_s",
        standard_uncertainty=model_uncertainty_s(channel.spacing_hz),
        sensitivity=sign,
        source="the channel filter's part in an edge",
        distribution="rectangular",
    )


def _onset(channel: Channel, what: str, sign: float, half_width_s: float = ONSET_S) -> Contribution:
    return Contribution(
        name=f"{channel.name}.{what}",
        standard_uncertainty=rectangular(half_width_s),
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
