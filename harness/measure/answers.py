"""What an output did for its input over a take: attacks, hangs, squelch tails, cuts.

With the input recorded, edges of both are paired. An input that comes back within the hang finds
the transmitter keyed: the audio begins when the squelch alone has opened. From the output alone,
the audio before each fall tells when the input dropped; a fall with the test tone heard up to it
was no hang.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from harness.measure.hang_timer import TimerRun
from harness.measure.keying import Edge, Keying
from harness.measure.pairs import EARLY_S, Pair, pair_edges
from harness.measure.tail import Tail
from harness.measure.tail_watch import SeenTail
from harness.measure.time_out import Cuts, judge_cuts
from harness.measure.tone_start import ToneStart

NO_CUTS = Cuts(by_timer=(), others=(), words=())


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """A fall of the output, numbered from 1, in the take's time, and what its audio showed.

    ``keyed_from_s`` is when the output came on before it; None where that was not seen.
    """

    number: int
    edge: Edge
    keyed_from_s: float | None
    tail: Tail | None = None
    has_tone_to_end: bool = False
    quiet_from_s: float = math.inf

    @property
    def ends_with_audio(self) -> bool:
        """Whether noise or tone was heard up to the end of the carrier."""
        if self.tail is None:
            return self.has_tone_to_end
        return self.tail.is_burst and self.tail.burst_end_s is None

    @property
    def keyed(self) -> Pair | None:
        """How long the output was keyed before it."""
        if self.keyed_from_s is None:
            return None
        return Pair(
            number=self.number,
            from_s=self.keyed_from_s,
            to_s=self.edge.time_s,
            noise_s=math.sqrt(2.0) * self.edge.uncertainty_s,
        )

    def hang(self, delay_s: float) -> Pair | None:
        """Give the time from the input's drop, as the audio tells it, to the fall."""
        if self.tail is None:
            return None
        return Pair(
            number=self.number,
            from_s=self.tail.input_dropped_s - delay_s,
            to_s=self.edge.time_s,
            noise_s=math.hypot(self.edge.uncertainty_s, self.tail.dropped_uncertainty_s),
        )

    def burst(self) -> Pair | None:
        """Give the noise burst, up to where it ends by itself or with the carrier."""
        tail = self.tail
        if tail is None or not tail.is_burst:
            return None
        ends_by_itself = tail.burst_end_s is not None
        return Pair(
            number=self.number,
            from_s=tail.input_dropped_s,
            to_s=self.edge.time_s if tail.burst_end_s is None else tail.burst_end_s,
            noise_s=math.hypot(
                tail.dropped_uncertainty_s,
                tail.end_uncertainty_s if ends_by_itself else self.edge.uncertainty_s,
            ),
        )


def falls_of(outgoing: Keying, seen: Sequence[SeenTail], skew_s: float) -> list[Fall]:
    """List the output's falls with what the audio showed before each.

    Parameters
    ----------
    outgoing : in the take's time
    seen : on the recording's own clock
    skew_s : of the recording
    """
    shown = {one.edge_s + skew_s: one for one in seen}
    falls: list[Fall] = []
    rise_s: float | None = None
    for edge in outgoing.edges:
        if edge.is_rising:
            rise_s = edge.time_s
            continue
        fall = Fall(number=len(falls) + 1, edge=edge, keyed_from_s=rise_s)
        rise_s = None
        one = shown.get(edge.time_s)
        if one is not None:
            fall = replace(
                fall,
                tail=one.tail.shifted(skew_s) if one.tail else None,
                has_tone_to_end=one.has_tone_to_end,
                quiet_from_s=one.quiet_from_s + skew_s,
            )
        falls.append(fall)
    return falls


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What was found over a take, or over the part of it at one position of the knob.

    Parameters
    ----------
    attacks, hangs : input to output
    runs : the hangs, with what the judgement of their timer needs
    falls : of the output, all
    cuts : falls while the input was keyed
    tails_absent : numbers of falls that show when the input dropped, and no noise after it
    returned : how often the input came back within the hang
    reopened : of these, from the input's rise to where the test tone is heard again
    delays : from the input's drop to where the repeated audio shows it
    """

    attacks: tuple[Pair, ...]
    hangs: tuple[Pair, ...]
    runs: tuple[TimerRun, ...]
    falls: tuple[Fall, ...]
    cuts: Cuts
    tails_absent: frozenset[int]
    returned: int = 0
    reopened: tuple[Pair, ...] = ()
    delays: tuple[Pair, ...] = ()

    def where(self, is_ours: Callable[[float], bool]) -> Answers:
        """Give the part that began at times that are ours."""

        def ours(pairs: Sequence[Pair]) -> tuple[Pair, ...]:
            return tuple(pair for pair in pairs if is_ours(pair.from_s))

        return replace(
            self,
            attacks=ours(self.attacks),
            hangs=ours(self.hangs),
            reopened=ours(self.reopened),
            delays=ours(self.delays),
            runs=tuple(run for run in self.runs if is_ours(run.at_s)),
            falls=tuple(fall for fall in self.falls if is_ours(fall.edge.time_s)),
            cuts=replace(
                self.cuts, by_timer=ours(self.cuts.by_timer), others=ours(self.cuts.others)
            ),
        )


def answers_of_two(
    incoming: Keying,
    outgoing: Keying,
    falls: Sequence[Fall],
    starts: Sequence[ToneStart] = (),
) -> Answers:
    """Give what the edges of both recordings say, in the take's time.

    Parameters
    ----------
    starts : of the test tone in the output's audio, in the take's time
    """
    attacks = pair_edges(incoming, outgoing, is_rising=True)
    hangs = pair_edges(incoming, outgoing, is_rising=False)
    by_edge = {fall.edge.time_s: fall for fall in falls}
    cut = [fall for fall in falls if _is_cut(fall.edge.time_s, incoming)]
    answered = [(pair, by_edge[pair.to_s]) for pair in hangs]
    cuts = _judged(cut, answered)
    answered = [(pair, fall) for pair, fall in answered if not _ended_by(cuts, fall, cut)]
    rises = [edge.time_s for edge in incoming.edges if edge.is_rising]
    returns = _returns(incoming, outgoing)
    absent = {
        fall.number
        for pair, fall in answered
        if _shows_no_burst(fall) or (fall.tail is None and fall.quiet_from_s < pair.from_s)
    }
    return Answers(
        attacks=tuple(attacks),
        hangs=tuple(pair for pair, _ in answered),
        runs=tuple(_run(pair, fall, _before(rises, pair.from_s)) for pair, fall in answered),
        falls=tuple(falls),
        cuts=cuts,
        tails_absent=frozenset(absent),
        returned=len(returns),
        reopened=tuple(_reopened(returns, starts)),
        delays=tuple(_delay(pair, fall.tail) for pair, fall in answered if fall.tail is not None),
    )


def answers_of_output(falls: Sequence[Fall], delay_s: float) -> Answers:
    """Give what the output's audio says, ``delay_s`` of the repeater taken off."""
    answered = [(pair, fall) for fall in falls if (pair := fall.hang(delay_s)) is not None]
    # Where no fall shows a hang there may be none, and a tone up to the end is no cut.
    cut = [fall for fall in falls if fall.has_tone_to_end] if answered else []
    cuts = _judged(cut, answered)
    answered = [(pair, fall) for pair, fall in answered if not _ended_by(cuts, fall, cut)]
    return Answers(
        attacks=(),
        hangs=tuple(pair for pair, _ in answered),
        runs=tuple(_run(pair, fall, fall.keyed_from_s) for pair, fall in answered),
        falls=tuple(falls),
        cuts=cuts,
        tails_absent=frozenset(fall.number for _, fall in answered if _shows_no_burst(fall)),
    )


def _returns(incoming: Keying, outgoing: Keying) -> list[tuple[int, Edge, float]]:
    """Rises of the input within the hang: number, the edge, and when the input goes again."""
    found: list[tuple[int, Edge, float]] = []
    number = 0
    for place, edge in enumerate(incoming.edges):
        if not edge.is_rising:
            continue
        number += 1
        if place == 0 or not outgoing.keyed_at(edge.time_s):
            continue
        dropped_s = incoming.edges[place - 1].time_s
        if outgoing.keyed_at(dropped_s) and not outgoing.edges_between(dropped_s, edge.time_s):
            later = incoming.edges[place + 1 : place + 2]
            found.append((number, edge, later[0].time_s if later else math.inf))
    return found


def _reopened(
    returns: Sequence[tuple[int, Edge, float]], starts: Sequence[ToneStart]
) -> list[Pair]:
    """Pair each return of the input with the test tone's start that answers it."""
    times_s = [start.time_s for start in starts]
    pairs = []
    for number, edge, gone_s in returns:
        place = bisect_left(times_s, edge.time_s - EARLY_S)
        if place < len(starts) and times_s[place] < gone_s:
            noise_s = math.hypot(edge.uncertainty_s, starts[place].uncertainty_s)
            pairs.append(
                Pair(number=number, from_s=edge.time_s, to_s=times_s[place], noise_s=noise_s)
            )
    return pairs


def _delay(pair: Pair, tail: Tail) -> Pair:
    """Give the time from the input's drop to where the audio shows it."""
    return Pair(
        number=pair.number,
        from_s=pair.from_s,
        to_s=tail.input_dropped_s,
        noise_s=math.hypot(pair.noise_s, tail.dropped_uncertainty_s),
    )


def _shows_no_burst(fall: Fall) -> bool:
    return fall.tail is not None and not fall.tail.is_burst and not fall.tail.hides_burst


def _is_cut(fall_s: float, incoming: Keying) -> bool:
    """Whether the input was keyed when the output fell, and stayed so."""
    if not incoming.keyed_at(fall_s):
        return False
    return not incoming.edges_between(fall_s, fall_s + EARLY_S)


def _judged(cut: Sequence[Fall], answered: Sequence[tuple[Pair, Fall]]) -> Cuts:
    """Judge cuts beside how long others were keyed; a timer need not run on through the hang."""
    pairs = [pair for fall in cut if (pair := fall.keyed) is not None]
    longest_s = max(
        (
            hang.from_s - fall.keyed_from_s
            for hang, fall in answered
            if fall.keyed_from_s is not None
        ),
        default=0.0,
    )
    return judge_cuts(pairs, longest_s)


def _ended_by(cuts: Cuts, fall: Fall, cut: Sequence[Fall]) -> bool:
    """Whether a fall is one of those cut, or comes when the timer cuts: no hang's end."""
    keyed = fall.keyed
    return fall in cut or (keyed is not None and cuts.is_one(keyed.lasted_s))


def _before(rises_s: Sequence[float], time_s: float) -> float | None:
    place = bisect_left(rises_s, time_s) - 1
    return rises_s[place] if place >= 0 else None


def _run(pair: Pair, fall: Fall, keyed_from_s: float | None) -> TimerRun:
    burst = fall.burst()
    is_closing_seen = burst is not None and not fall.ends_with_audio
    return TimerRun(
        at_s=pair.from_s,
        lasted_s=pair.lasted_s,
        noise_s=pair.noise_s,
        closing_s=burst.lasted_s if burst is not None and is_closing_seen else None,
        closing_noise_s=burst.noise_s if burst is not None and is_closing_seen else 0.0,
        keyed_s=None if keyed_from_s is None else pair.from_s - keyed_from_s,
        ends_with_audio=fall.ends_with_audio,
    )
