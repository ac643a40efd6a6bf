"""At which position the squelch knob stood, over the time of a take.

The steps' annotations name it. It stays where it is until a later step names another; before the
first step it stands where that one says.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping

from harness.devices import Role
from harness.measure.setup import Channel
from harness.readings import ConditionValue


class KnobTimes:
    """The knob's positions over a take, from the first of its recordings that names any.

    Parameters
    ----------
    channels : the output's steps are asked before the input's
    """

    def __init__(self, channels: Mapping[Role, Channel]) -> None:
        self._starts_s: list[float] = []
        self._knobs: list[str] = []
        for role in ("output", "input", "audio"):
            channel = channels.get(role)
            if channel is None or self._knobs:
                continue
            for step in sorted(channel.steps, key=lambda step: step.start_s):
                if step.knob is not None:
                    self._starts_s.append(step.start_s + channel.skew_s)
                    self._knobs.append(step.knob)

    @property
    def positions(self) -> tuple[str | None, ...]:
        """Every position in order of its first step; a single None where none is named."""
        return tuple(dict.fromkeys(self._knobs)) or (None,)

    def at(self, time_s: float) -> str | None:
        """Give the position at a time of the take; None where none is named."""
        if not self._knobs:
            return None
        return self._knobs[max(bisect_right(self._starts_s, time_s) - 1, 0)]


def knob_condition(position: str | None) -> dict[str, ConditionValue]:
    """Give the position as a condition of a reading; nothing where none is named."""
    return {} if position is None else {"knob": position}
