"""Timing: attack time, hang time, squelch tail; and when any recording was keyed.

With input and output recorded, attack and hang are differences of edges (``keying.py``). From
the output alone, the drop of the input is read from the repeated audio (``tail.py``), which is
late by the unit's audio delay: subtracted when given, else it enters U.

Pairing: an output edge belongs to the last input edge of its kind before it, unless the input
has changed again in between (keyed again before the hang time was over, or gone before the
output came up). An input keying without an answer is counted and named.

What single times say together stands in ``spread.py``, ``hang_timer.py`` and ``time_out.py``.
Each position of the squelch knob that the steps name has its readings by itself.

Memory: every edge, one keying's trace, ten seconds of audio.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from harness.blocks import Block
from harness.devices import Role
from harness.errors import BadInput
from harness.measure.answers import Answers, Fall, answers_of_output, answers_of_two, falls_of
from harness.measure.keyed_channel import CarrierKeying
from harness.measure.keying import Keying
from harness.measure.knob_times import KnobTimes, knob_condition
from harness.measure.quieting_keying import QuietingKeying
from harness.measure.setup import Channel, Options
from harness.measure.spread import spread_reading
from harness.measure.squelch_attack import squelch_attack
from harness.measure.tail_watch import TailWatch
from harness.measure.timing_readings import (
    between_recordings,
    hang_of_output,
    tail_reading,
    time_out_reading,
    timer_reading,
)
from harness.measure.timing_series import envelope_series, keying_series, times_series
from harness.readings import ConditionValue, Findings, Reading, Series, not_measured

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
        self._knobs = KnobTimes(channels)
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
        if "output" in keyings and self._tails is not None:
            output = self._channels["output"]
            falls = falls_of(keyings["output"], self._tails.seen, output.skew_s)
            if "input" in keyings:
                return self._of_two(keyings["input"], keyings["output"], falls)
            return self._of_output(keyings["output"], falls)
        recordings = tuple(channel.name for channel in self._channels.values())
        why = "It needs the recording of the output."
        return [
            not_measured(name, why, recordings=recordings, conditions=knob_condition(knob))
            for knob in self._knobs.positions
            for name in ("attack_time", "hang_time", "squelch_tail")
        ], []

    def _of_two(
        self, incoming: Keying, outgoing: Keying, falls: Sequence[Fall]
    ) -> tuple[list[Reading], list[Series]]:
        source, output = self._channels["input"], self._channels["output"]
        starts = self._tails.tone_starts if self._tails is not None else []
        answers = answers_of_two(
            incoming, outgoing, falls, [start.shifted(output.skew_s) for start in starts]
        )
        keyed = sum(edge.is_rising for edge in incoming.edges)
        returned = answers.returned
        if keyed > len(answers.attacks) + returned:
            self._cautions.append(
                f"{keyed - len(answers.attacks) - returned} of {keyed} input keyings did not key"
                " the output (or found it keyed)."
            )
        dropped = sum(not edge.is_rising for edge in incoming.edges)
        cut = len(answers.cuts.by_timer) + len(answers.cuts.others)
        if dropped > len(answers.hangs) + cut + returned:
            self._cautions.append(
                f"{dropped - len(answers.hangs) - cut - returned} of {dropped} times the output did"
                " not drop before the recording ended."
            )
        if not any(self._channels[role].skew_contributions for role in ("input", "output")):
            self._cautions.append(
                "No uncertainty is declared for the skew between the recordings: U of the times"
                " holds nothing of how far apart the recorders began."
            )
        readings: list[Reading] = []
        series: list[Series] = []
        for knob in self._knobs.positions:
            conditions = knob_condition(knob)
            ours = self._at(knob, answers)
            readings += [
                between_recordings("attack_time", ours.attacks, source, output, conditions),
                between_recordings("hang_time", ours.hangs, source, output, conditions),
                tail_reading(ours.falls, ours.tails_absent, output, conditions),
            ]
            recordings = (source.name, output.name)
            readings += spread_reading("attack_spread", ours.attacks, conditions, recordings)
            readings += self._about_hangs(ours, conditions, recordings)
            if returned:
                readings += squelch_attack(ours, readings[0], source, output, conditions)
            series += times_series("attack", ours.attacks, self._suffix(knob), conditions)
            series += times_series("hang", ours.hangs, self._suffix(knob), conditions)
        self._cautions += answers.cuts.words
        return readings, series

    def _of_output(
        self, outgoing: Keying, falls: Sequence[Fall]
    ) -> tuple[list[Reading], list[Series]]:
        output = self._channels["output"]
        delay_s = self._options.repeater_delay_s
        answers = answers_of_output(falls, delay_s or 0.0)
        ended = [fall for fall in falls if fall.tail is not None or fall.has_tone_to_end]
        drops = len(falls)
        if outgoing.edges and not outgoing.edges[0].is_rising:
            # Keyed before the recording began: what dropped the input may lie before it, too.
            drops -= not any(fall.number == 1 for fall in ended)
        if drops > len(ended):
            self._cautions.append(
                f"{drops - len(ended)} of {drops} times the repeated audio does not show when the"
                " input dropped; use a steady test tone or a plain carrier."
            )
        readings: list[Reading] = []
        series: list[Series] = []
        for knob in self._knobs.positions:
            conditions = {**OUTPUT_ONLY, **knob_condition(knob)}
            ours = self._at(knob, answers)
            readings += [
                not_measured(
                    "attack_time",
                    "When the input came on is not seen in the output.",
                    recordings=(output.name,),
                    conditions=conditions,
                ),
                hang_of_output(ours, output, delay_s, conditions),
                tail_reading(ours.falls, ours.tails_absent, output, conditions),
            ]
            readings += self._about_hangs(ours, conditions, (output.name,))
            series += times_series("hang", ours.hangs, self._suffix(knob), conditions)
        self._cautions += answers.cuts.words
        return readings, series

    def _about_hangs(
        self,
        ours: Answers,
        conditions: Mapping[str, ConditionValue],
        recordings: tuple[str, ...],
    ) -> list[Reading]:
        """Give how far the hang times lie apart, how their timer is, and what cuts it."""
        readings = spread_reading("hang_spread", ours.hangs, conditions, recordings)
        readings += timer_reading(ours.runs, conditions, recordings)
        readings += time_out_reading(ours.cuts, self._channels["output"], conditions)
        where = f" Knob at {conditions['knob']}." if "knob" in conditions else ""
        self._cautions += [
            reading.note + where
            for reading in readings
            if reading.name == "hang_timer" and reading.value != "steady"
        ]
        return readings

    def _at(self, knob: str | None, answers: Answers) -> Answers:
        """Give what began while the knob stood at a position."""
        return answers.where(lambda time_s: self._knobs.at(time_s) == knob)

    def _suffix(self, knob: str | None) -> str:
        """Give what tells the series of several positions apart by name."""
        return f"_{knob}" if len(self._knobs.positions) > 1 else ""
