"""What of the attack time is the squelch's, and what the transmitter's.

An input that comes back within the hang finds the transmitter keyed: its test tone is heard as soon
as the squelch has opened. From the input's rise to there, less what the audio takes from the gate
to the output, is the squelch attack; what a cold attack takes longer is the key-up delay.

The audio's whole delay is told by the drops of the same take, from the input's end to where the
repeated audio shows it. How much of the delay lies behind the gate is not seen: half of it, give or
take the other half. As the same recordings tell both, half of the skew drops out.

Taken for granted: the squelch opens as it does from rest. The way between the input's end and its
return should be some of its closing times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from harness.measure.answers import Answers
from harness.measure.pairs import Pair
from harness.measure.setup import Channel
from harness.measure.spread import range_in_words
from harness.measure.tail import ONSET_S
from harness.measure.timing_readings import Conditions, filter_part, repeatability
from harness.readings import Reading, measured, not_measured
from harness.uncertainty import Contribution, rectangular, scaled

TONE_START_S = 2e-4
"""Half-width of what audio filters do to a tone's start. By simulation: 0.05 ms early to 0.16 ms
late, by the tone's phase, behind filters of third order from 2.8 to 6 kHz."""


def squelch_attack(
    ours: Answers, attack: Reading, source: Channel, output: Channel, conditions: Conditions
) -> list[Reading]:
    """Give squelch attack and key-up delay.

    Parameters
    ----------
    ours : with the returns of the input, and the drops that tell the audio's delay
    attack : the attack time under the same conditions
    """
    more = {"recordings": (source.name, output.name), "conditions": conditions}
    why = ""
    if not ours.reopened:
        why = "The audio shows no test tone that comes back within the hang."
    elif not ours.delays:
        why = "No drop shows how long the repeated audio takes."
    if why:
        return [not_measured(name, why, **more) for name in ("squelch_attack", "key_up_delay")]
    delay_s = max(_mean(ours.delays), 0.0)
    value_s = _mean(ours.reopened) - delay_s / 2.0
    contributions = [
        *repeatability(f"{output.name}.squelch_attack", ours.reopened),
        # Half of the delay is taken off, and by half of it the start may be elsewhere.
        *scaled(repeatability(f"{output.name}.audio_delay", ours.delays), -0.5),
        _part(f"{output.name}.tone_starts", TONE_START_S, "a tone's start in filtered audio"),
        _part(f"{output.name}.audio_delay_shown", 0.5 * ONSET_S, "onset in filtered audio"),
        _part(
            f"{output.name}.gate_in_audio",
            delay_s / 2.0,
            f"where in {1e3 * delay_s:.2g} ms of audio delay the gate lies",
        ),
        # The input's rise and its fall: one is early where the other is late.
        replace(filter_part(source, 1.5), name=f"{source.name}.channel_filter_both_s"),
        *_skew_left(source, output),
        *scaled(source.clock_contributions, 1e-6 * _apart(ours, "from_s")),
        *scaled(output.clock_contributions, -1e-6 * _apart(ours, "to_s")),
    ]
    squelch = measured(
        "squelch_attack",
        value_s,
        contributions,
        count=len(ours.reopened),
        note=range_in_words(
            [replace(pair, to_s=pair.to_s - delay_s / 2.0) for pair in ours.reopened]
        ),
        **more,
    )
    if not isinstance(attack.value, float):
        return [squelch, not_measured("key_up_delay", "There is no attack from rest.", **more)]
    key_up = measured(
        "key_up_delay",
        attack.value - value_s,
        [*attack.contributions, *scaled(contributions, -1.0)],
        count=min(attack.count, squelch.count),
        **more,
    )
    return [squelch, key_up]


def _mean(pairs: Sequence[Pair]) -> float:
    return float(np.mean([pair.lasted_s for pair in pairs]))


def _part(name: str, half_width_s: float, source: str) -> Contribution:
    return Contribution(
        name=name,
        standard_uncertainty=rectangular(half_width_s),
        source=source,
        distribution="rectangular",
    )


def _skew_left(source: Channel, output: Channel) -> list[Contribution]:
    """Half of the skew stays, as half of the delay is taken off."""
    return [
        *scaled(output.skew_contributions, 0.5),
        *scaled(source.skew_contributions, -0.5),
    ]


def _apart(ours: Answers, end: str) -> float:
    """Time from the mean drop to the mean return, half of the drop's part counted."""
    returned, dropped = (
        float(np.mean([getattr(pair, end) for pair in pairs]))
        for pairs in (ours.reopened, ours.delays)
    )
    return returned - 0.5 * dropped
