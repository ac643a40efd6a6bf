"""A take on its way into its recordings, also while the stimulus is being changed.

On a simulated bench time passes only as samples are read: a setting takes none of it. A receiver
goes on while a generator is set, by SCPI for some milliseconds, by hand for as long as it takes.
Then the samples of that time are read on another thread and recorded as well, and the step begins
where the streams' own clock stands when the setting is done: what came meanwhile belongs to none.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence

from harness.blocks import Block
from harness.devices import Role, SampleSource, StreamClock
from harness.recordings import RecordingWriter

READ_S = 0.25
"""Length of what is read at a time. Chosen: fine enough for a moving progress bar."""
PIECE_S = 0.05
"""Length of what is read at a time while a setting is waited for. Chosen: a step begins no more
than this too late."""
TRANSPORT_S = 0.005
"""A live stream's place is known by its arrivals, so much too early at most. Chosen: USB takes a
millisecond or two."""


class Taking:
    """The streams of a take and the recordings that they go into.

    Parameters
    ----------
    source : started
    writers : of the roles that are kept
    clock : tells where the streams are; None where they stand still between two reads
    follow : is given what came of a stream that is kept
    """

    def __init__(
        self,
        source: SampleSource,
        writers: Mapping[Role, RecordingWriter],
        clock: StreamClock | None,
        follow: Callable[[Role, Sequence[Block]], None] = lambda role, blocks: None,
    ) -> None:
        self._source = source
        self._writers = writers
        self._clock = clock
        self._follow = follow
        self.at_s = 0.0
        self.written = dict.fromkeys(writers, 0)

    def until(self, end_s: float, progress: Callable[[float], None] = lambda at_s: None) -> None:
        """Write what comes until ``end_s`` of the streams' own time."""
        while self.at_s < end_s:
            self._read(min(self.at_s + READ_S, end_s))
            progress(self.at_s)

    def during(self, action: Callable[[], None]) -> dict[Role, int]:
        """Do something on the bench; what comes meanwhile is written too.

        Returns
        -------
        dict : the sample from which each stream is what it is after that
        """
        if self._clock is None:
            action()
            return dict(self.written)
        done = threading.Event()
        faults: list[BaseException] = []

        def read_on() -> None:
            try:
                while not done.is_set():
                    self._read(self.at_s + PIECE_S)
            except BaseException as fault:
                faults.append(fault)

        thread = threading.Thread(target=read_on, name="streams go on", daemon=True)
        thread.start()
        try:
            action()
        finally:
            done.set()
            thread.join()
        if faults:
            raise faults[0]
        at, streams = self._clock.position(), self._source.streams
        first = {
            role: max(written, at[role] + round(TRANSPORT_S * streams[role].sample_rate_hz))
            for role, written in self.written.items()
        }
        reached_s = [first[role] / streams[role].sample_rate_hz for role in first]
        self.at_s = max([self.at_s, *reached_s])
        return first

    def _read(self, until_s: float) -> None:
        for role, blocks in self._source.read(until_s).items():
            if role in self._writers:
                for block in blocks:
                    self._writers[role].write(block)
                    self.written[role] = block.end
                self._follow(role, blocks)
        self.at_s = until_s
