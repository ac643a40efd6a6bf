"""One channel out of a recording: shift, filter, decimate. The engine's seam.

Undecoded blocks in, complex64 channel blocks out; ``ChannelReceiver`` is the one stage that
everything uses. ``plan.py`` says which filters; there are two ways to run them, with the same
taps and, to 1e-4 of the amplitude, the same answer: matrix products (``plain.py``), which need
nothing but NumPy, and compiled code (``compiled.py``). Each gives the same bits however the
recording is cut into blocks.
"""

from __future__ import annotations

from typing import Protocol

from harness.blocks import Block, Stage
from harness.dsp import compiled
from harness.dsp.plain import PlainReceiver
from harness.dsp.plan import ChannelPlan, lowpass_taps, plan_channel

__all__ = ["ChannelPlan", "ChannelReceiver", "lowpass_taps", "plan_channel"]


class _Way(Stage, Protocol):
    """A stage that also counts the samples at a rail."""

    clipped: int


class ChannelReceiver:
    """A stage: undecoded blocks of a recording in, complex64 channel blocks out.

    Channel sample k belongs to time ``k / channel_rate_hz`` of the recording. Where the filters
    are not yet filled, at the ends and beside a gap, nothing is given. Memory: two short queues.

    Parameters
    ----------
    datatype : SigMF datatype of the blocks' samples, shape (n, 2)
    plan : ChannelPlan
    use_compiled : whether to use compiled code; where there is none (``compiled.is_available``),
        the plain way is taken
    """

    def __init__(self, datatype: str, plan: ChannelPlan, *, use_compiled: bool = False) -> None:
        self.plan = plan
        way = compiled.receiver(datatype, plan) if use_compiled else None
        self._way: _Way = PlainReceiver(datatype, plan) if way is None else way

    @property
    def is_compiled(self) -> bool:
        """Whether compiled code runs; it keeps nothing of the blocks that it is given."""
        return isinstance(self._way, compiled.CompiledReceiver)

    def warm_up(self) -> None:
        """Have the code compiled, or fetched from the disk, if it is not yet."""
        if isinstance(self._way, compiled.CompiledReceiver):
            self._way.warm_up()

    @property
    def clipped(self) -> int:
        """Samples so far with I or Q at a rail."""
        return self._way.clipped

    def push(self, block: Block) -> list[Block]:
        """Take an undecoded block; give the channel blocks that are complete."""
        return self._way.push(block)

    def finish(self) -> list[Block]:
        """Give what is still inside."""
        return self._way.finish()
