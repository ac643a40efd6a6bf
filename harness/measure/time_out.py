"""A transmitter that drops while the input is still keyed: a time-out timer, or something else.

A timer cuts at one time, and nothing stays keyed for longer. What drops at no one time is another
thing: a weak signal, a supply, a transmitter that protects itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.measure.pairs import Pair

SAME_SHARE = 0.02
"""Cuts within so much of their median come from one timer. Chosen: one of resistor and capacitor
repeats to a few tenths of a percent, and the cut is counted from the carrier, not from the timer's
own start."""
SAME_S = 0.02
"""Or within this, where that is more. Chosen: by so much the squelch's opening scatters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cuts:
    """Drops of a transmitter whose input was keyed, and what they are.

    Parameters
    ----------
    by_timer : from key-up to the drop, those at one time
    others : the rest
    words : a sentence about each kind that there is
    """

    by_timer: tuple[Pair, ...]
    others: tuple[Pair, ...]
    words: tuple[str, ...]

    def is_one(self, lasted_s: float) -> bool:
        """Whether what was keyed for so long was ended by the timer."""
        if len(self.by_timer) < 2:
            return False
        return _is_same(lasted_s, float(np.median([cut.lasted_s for cut in self.by_timer])))


def judge_cuts(cuts: Sequence[Pair], longest_s: float) -> Cuts:
    """Tell a time-out timer's cuts from other drops.

    Parameters
    ----------
    cuts : from key-up to the drop, in order of time
    longest_s : the longest that the output was keyed by an input and not cut; 0 for never
    """
    if not cuts:
        return Cuts(by_timer=(), others=(), words=())
    middle_s = float(np.median([cut.lasted_s for cut in cuts]))
    same = tuple(cut for cut in cuts if _is_same(cut.lasted_s, middle_s))
    # One that stayed on for longer passed by the timer: there is none.
    if 2 * len(same) <= len(cuts) or longest_s > middle_s + _reach_s(middle_s):
        same = ()
    others = tuple(cut for cut in cuts if cut not in same)
    words = []
    if len(same) > 1:
        words.append(
            f"A time-out timer cuts: {len(same)} times the transmitter dropped {middle_s:.3f} s"
            " after key-up while the input was on. These are not counted as hang."
        )
    elif same:
        words.append(
            f"The transmitter dropped {middle_s:.3f} s after key-up while the input was on, once;"
            " that a timer does it is seen when it drops so a second time. It is not counted as"
            " hang."
        )
    if others:
        lengths = [cut.lasted_s for cut in others]
        words.append(
            f"The transmitter dropped {_times(len(others))} while the input was on, after"
            f" {min(lengths):.3f} to {max(lengths):.3f} s, and no timer does that: it is not at one"
            " time, or others stayed on for longer. Look at the input's level, the supply and the"
            " transmitter's own protection. It is not counted as hang."
        )
    return Cuts(by_timer=same, others=others, words=tuple(words))


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _reach_s(middle_s: float) -> float:
    return max(SAME_SHARE * middle_s, SAME_S)


def _is_same(lasted_s: float, middle_s: float) -> bool:
    return abs(lasted_s - middle_s) <= _reach_s(middle_s)
