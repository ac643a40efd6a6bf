"""One channel out of a recording: shift, filter, decimate. The engine's seam.

Undecoded blocks in, complex64 channel blocks out; ``ChannelReceiver`` is the one stage that
everything uses. ``plan.py`` says which filters; there are two ways to run them, with the same
taps and, to 1e-4 of the amplitude, the same answer: matrix products (``plain.py``), which need
nothing but NumPy, and compiled code (``compiled.py``). Each gives the same bits however the
recording is cut into blocks.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.blocks import Block
from harness.dsp import compiled
from harness.dsp.plain import PlainReceiver
from harness.dsp.plan import ChannelPlan, lowpass_taps, plan_channel

__all__ = ["ChannelBank", "ChannelPlan", "ChannelReceiver", "lowpass_taps", "plan_channel"]


class ChannelBank:
    """Several channels out of one recording that is decoded once; each as from its own receiver.

    Parameters
    ----------
    datatype : SigMF datatype of the blocks' samples, shape (n, 2)
    plans : at least one, that differ in the offset only
    use_compiled : as for ``ChannelReceiver``
    """

    def __init__(
        self, datatype: str, plans: Sequence[ChannelPlan], *, use_compiled: bool = False
    ) -> None:
        if len({(plan.sample_rate_hz, plan.spacing_hz) for plan in plans}) != 1:
            raise ValueError("the channels of a bank differ in more than their offsets")
        self._compiled = compiled.bank(datatype, plans) if use_compiled else None
        self._plain: list[PlainReceiver] = []
        if self._compiled is None:
            self._plain = [PlainReceiver(datatype, plan) for plan in plans]

    @property
    def is_compiled(self) -> bool:
        """Whether compiled code runs; it keeps nothing of the blocks that it is given."""
        return self._compiled is not None

    def warm_up(self) -> None:
        """Have the code compiled, or fetched from the disk, if it is not yet."""
        if self._compiled is not None:
            self._compiled.warm_up()

    @property
    def clipped(self) -> int:
        """Samples so far with I or Q at a rail."""
        return self._plain[0].clipped if self._compiled is None else self._compiled.clipped

    def push(self, block: Block) -> list[list[Block]]:
        """Take an undecoded block; give the blocks of each channel that are complete."""
        if self._compiled is not None:
            return self._compiled.push(block)
        return [receiver.push(block) for receiver in self._plain]

    def finish(self) -> list[list[Block]]:
        """Give what is still inside, of each channel."""
        if self._compiled is not None:
            return self._compiled.finish()
        return [receiver.finish() for receiver in self._plain]


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
        self._bank = ChannelBank(datatype, [plan], use_compiled=use_compiled)

    @property
    def is_compiled(self) -> bool:
        """Whether compiled code runs; it keeps nothing of the blocks that it is given."""
        return self._bank.is_compiled

    def warm_up(self) -> None:
        """Have the code compiled, or fetched from the disk, if it is not yet."""
        self._bank.warm_up()

    @property
    def clipped(self) -> int:
        """Samples so far with I or Q at a rail."""
        return self._bank.clipped

    def push(self, block: Block) -> list[Block]:
        """Take an undecoded block; give the channel blocks that are complete."""
        return self._bank.push(block)[0]

    def finish(self) -> list[Block]:
        """Give what is still inside."""
        return self._bank.finish()[0]
