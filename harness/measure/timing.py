"""Timing: attack time, hang time, squelch tail; and when any recording was keyed.

With input and output recorded, attack and hang are differences of edges (``keying.py``). From
the output alone, the drop of the input is read from the repeated audio (``tail.py``), which is
late by the unit's audio delay: subtracted when given, else it enters U.

Pairing: an output edge belongs to the last input edge of its kind before it, unless the input
has changed again in between (keyed again before the hang time was over, or gone before the
output came up). An input keying without an answer is counted and named.

Memory: every edge, one keying's trace, ten seconds of audio.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block
from harness.devices import Role
from harness.errors import BadInput
from harness.measure.keyed_channel import CarrierKeying
from harness.measure.keying import Edge, Keying, model_uncertainty_s
from harness.measure.pairs import Pair, pair_edges
from harness.measure.quieting_keying import QuietingKeying
from harness.measure.setup import Channel, Options
from harness.measure.tail import ONSET_S, RINGING_S, Tail
from harness.measure.tail_watch import TailWatch
from harness.measure.timing_series import envelope_series, keying_series, times_series
from harness.readings import (
    ConditionValue,
    Findings,
    Reading,
    Series,
    measured,
    not_measured,
)
from harness.uncertainty import Contribution, rectangular, scaled

FloatArray = NDArray[np.float64]

UNKNOWN_DELAY_S = 3e-3
"""Greatest delay of an analogue repeater from its port to its transmitter, the half-width of a
rectangle. Chosen: a narrow IF filter and the audio filters take about a millisecond each."""
OUTPUT_ONLY: Mapping[str, ConditionValue] = {"method": "output only"}
ROLES: tuple[Role, ...] = ("input", "output", "audio")


_UNTOLD = {
    "iq": "samples are missing; no edge is told across them.",
    "audio": "in parts its noise does not tell whether a carrier is on; no edge is told there.",
}


class Timing:
    """Times of one or two recordings of a repeater; edges of any.

    Parameters
    ----------
    channels : "input" and "output" for all readings; "output" alone for hang time and tail;
        any alone for its edges
    options : ``repeater_delay_s`` is used when the input was not recorded

    Raises
    ------
    BadInput : no channel at all.
    """

    def __init__(self, channels: Mapping[Role, Channel], options: Options) -> None:
        if not channels:
            raise BadInput("no recording given", "timing", "Name at least one.")
        self._channels = channels
        self._options = options
        self._cautions: list[str] = []
        self._carriers: dict[Role, CarrierKeying] = {}
        self._quieting: dict[Role, QuietingKeying] = {}
        for role, channel in channels.items():
            if channel.signal == "iq":
                self._carriers[role] = CarrierKeying(channel)
            elif QuietingKeying.can_see(channel):
                self._quieting[role] = QuietingKeying(channel)
            else:
                self._cautions.append(
                    f"{channel.name}: audio at {channel.sample_rate_hz:.0f} Hz does not reach the"
                    " noise above speech, so carrier on and off cannot be seen."
                )
        output = channels.get("output")
        is_iq = output is not None and output.signal == "iq"
        self._tails = TailWatch(output, self._carriers["output"]) if output and is_iq else None

    def push(self, role: Role, block: Block) -> None:
        """Take a channel block."""
        if role in self._quieting:
            self._quieting[role].push(block)
        elif role == "output" and self._tails is not None:
            self._tails.push(block)
        elif role in self._carriers:
            self._carriers[role].push(block)

    def finish(self) -> Findings:
        """Give attack time, hang time and tail, and every edge as a series."""
        keyings: dict[Role, Keying] = {}
        series: list[Series] = []
        for role in ROLES:
            found = self._finish_role(role)
            if found is None:
                continue
            channel = self._channels[role]
            keyings[role] = found.shifted(channel.skew_s)
            series += keying_series(role, keyings[role])
            trace = self._carriers[role].trace if role in self._carriers else None
            if trace is not None:
                series += envelope_series(role, trace, channel.skew_s, keyings[role])
        readings, times = self._readings(keyings)
        return Findings(
            kind="timing",
            readings=tuple(readings),
            series=(*series, *times),
            cautions=tuple(self._cautions),
        )

    def _finish_role(self, role: Role) -> Keying | None:
        if role in self._quieting:
            found = self._quieting[role].finish()
        elif role == "output" and self._tails is not None:
            found = self._tails.finish()
        elif role in self._carriers:
            found = self._carriers[role].finish()
        else:
            return None
        name = self._channels[role].name
        if found.has_gaps:
            self._cautions.append(f"{name}: {_UNTOLD[self._channels[role].signal]}")
        if not found.edges:
            states = {span.keyed for span in found.spans}
            how = "on" if states == {True} else "off" if states == {False} else "on, or off,"
            self._cautions.append(f"{name}: no edge; the carrier is {how} throughout.")
        return found

    def _readings(self, keyings: Mapping[Role, Keying]) -> tuple[list[Reading], list[Series]]:
        if "input" in keyings and "output" in keyings:
            return self._of_two(keyings["input"], keyings["output"])
        recordings = tuple(channel.name for channel in self._channels.values())
        if "output" in keyings and self._tails is not None:
            return self._of_output(keyings["output"])
        why = "It needs the recording of the output."
        return [
            not_measured(name, why, recordings=recordings)
            for name in ("attack_time", "hang_time", "squelch_tail")
        ], []

    def _of_two(self, incoming: Keying, outgoing: Keying) -> tuple[list[Reading], list[Series]]:
        attacks = pair_edges(incoming, outgoing, is_rising=True)
        hangs = pair_edges(incoming, outgoing, is_rising=False)
        keyed = sum(edge.is_rising for edge in incoming.edges)
        if keyed > len(attacks):
            self._cautions.append(
                f"{keyed - len(attacks)} of {keyed} input keyings did not key the output"
                " (or found it keyed)."
            )
        dropped = sum(not edge.is_rising for edge in incoming.edges)
        if dropped > len(hangs):
            self._cautions.append(
                f"{dropped - len(hangs)} of {dropped} times the output did not drop before the"
                " input came back or the recording ended."
            )
        if not any(self._channels[role].skew_contributions for role in ("input", "output")):
            self._cautions.append(
                "No uncertainty is declared for the skew between the recordings: U of the times"
                " holds nothing of how far apart the recorders began."
            )
        readings = [
            self._between_recordings("attack_time", attacks),
            self._between_recordings("hang_time", hangs),
            self._tail_reading(outgoing, {}),
        ]
        series = [times_series("attack_times", attacks), times_series("hang_times", hangs)]
        return readings, [found for found in series if len(found.values)]

    def _between_recordings(self, name: str, pairs: Sequence[Pair]) -> Reading:
        incoming, output = self._channels["input"], self._channels["output"]
        recordings = (incoming.name, output.name)
        if not pairs:
            return not_measured(
                name, "No pair of edges that belong together.", recordings=recordings
            )
        contributions = [
            *_repeatability(f"{output.name}.{name}", pairs),
            *_shifts(output, +1.0, float(np.mean([pair.to_s for pair in pairs]))),
            *_shifts(incoming, -1.0, float(np.mean([pair.from_s for pair in pairs]))),
        ]
        return self._reading(name, pairs, contributions, {}, recordings)

    def _of_output(self, outgoing: Keying) -> tuple[list[Reading], list[Series]]:
        output = self._channels["output"]
        delay_s = self._options.repeater_delay_s
        hangs = [
            Pair(
                number=number,
                from_s=tail.input_dropped_s + output.skew_s - (delay_s or 0.0),
                to_s=edge.time_s,
                noise_s=math.hypot(edge.uncertainty_s, tail.dropped_uncertainty_s),
            )
            for number, edge, tail in self._tails_of(outgoing)
        ]
        conditions = OUTPUT_ONLY
        drops = sum(not edge.is_rising for edge in outgoing.edges)
        if outgoing.edges and not outgoing.edges[0].is_rising:
            # Keyed before the recording began: what dropped the input may lie before it, too.
            drops -= not any(pair.number == 1 for pair in hangs)
        if drops > len(hangs):
            self._cautions.append(
                f"{drops - len(hangs)} of {drops} times the repeated audio does not show when the"
                " input dropped; use a steady test tone or a plain carrier."
            )
        readings = [
            not_measured(
                "attack_time",
                "When the input came on is not seen in the output.",
                recordings=(output.name,),
                conditions=conditions,
            )
        ]
        if hangs:
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
            readings.append(
                self._reading("hang_time", hangs, contributions, conditions, (output.name,))
            )
        else:
            readings.append(
                not_measured(
                    "hang_time",
                    "The repeated audio does not show when the input dropped.",
                    recordings=(output.name,),
                    conditions=conditions,
                )
            )
        readings.append(self._tail_reading(outgoing, conditions))
        return readings, [times_series("hang_times", hangs)] if hangs else []

    def _tails_of(self, outgoing: Keying) -> list[tuple[int, Edge, Tail]]:
        """Falling edges of the output whose audio shows the drop, numbered from 1."""
        output = self._channels["output"]
        watched = [] if self._tails is None else self._tails.seen
        seen = {s.edge_s + output.skew_s: s.tail for s in watched}
        falls = [edge for edge in outgoing.edges if not edge.is_rising]
        found = []
        for number, edge in enumerate(falls, start=1):
            tail = seen.get(edge.time_s)
            if tail is not None:
                found.append((number, edge, tail))
        return found

    def _tail_reading(self, outgoing: Keying, conditions: Mapping[str, ConditionValue]) -> Reading:
        output = self._channels["output"]
        bursts = [found for found in self._tails_of(outgoing) if found[2].is_burst]
        ends_by_itself = any(tail.burst_end_s is not None for _, _, tail in bursts)
        pairs = [
            Pair(
                number=number,
                from_s=tail.input_dropped_s,
                to_s=edge.time_s - output.skew_s if tail.burst_end_s is None else tail.burst_end_s,
                noise_s=math.hypot(
                    tail.dropped_uncertainty_s,
                    edge.uncertainty_s if tail.burst_end_s is None else tail.end_uncertainty_s,
                ),
            )
            for number, edge, tail in bursts
        ]
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
        return self._reading("squelch_tail", pairs, contributions, conditions, (output.name,))

    def _reading(
        self,
        name: str,
        pairs: Sequence[Pair],
        contributions: Sequence[Contribution],
        conditions: Mapping[str, ConditionValue],
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
