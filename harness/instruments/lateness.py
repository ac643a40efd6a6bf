"""Samples that were lost on the way, told by when the others came.

librtlsdr tells nobody when a buffer does not arrive. But the dongle samples at its own even pace:
with n samples arrived, the newest was taken n / rate after the first, and how much later than that
it arrives is its lateness. Transport and a busy computer make a buffer late, and those after it
catch up; what is lost makes all that follows late for good. So:

    on time        a buffer not later than the floor by more than THRESHOLD_S
    late           held back, with all that follow, until
                     - one is on time again: all are handed on, nothing was lost
                     - the first has waited PATIENCE_S: samples were lost. How late those are that
                       came since half of that is how many; the gap lies before the first of them,
                       and ahead of it are those that only waited in the computer

The floor is the least lateness of the last one to two seconds: it follows the clocks apart. A loss
shorter than THRESHOLD_S is not seen, and the count is as good as the computer is punctual: about a
millisecond.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

THRESHOLD_S = 0.010
PATIENCE_S = 0.5
"""Chosen: above the jitter of a desktop computer; as long as the library's own buffers last."""
_BUCKET_S = 1.0


@dataclass(frozen=True, slots=True)
class Arrived:
    """Samples, shape (n, 2), and how many are missing just before them."""

    samples: NDArray[Any]
    lost_before: int = 0


@dataclass(frozen=True, slots=True)
class _Held:
    samples: NDArray[Any]
    at_s: float
    late_s: float


class Lateness:
    """Tells lost samples from late ones.

    Parameters
    ----------
    true_rate_hz : rate with the declared error of the dongle's clock
    """

    def __init__(self, true_rate_hz: float) -> None:
        self._rate_hz = true_rate_hz
        self._counted = 0
        self._held: list[_Held] = []
        self._buckets: list[float] = []
        self._bucket_begun_s = 0.0

    @property
    def counted(self) -> int:
        """Samples arrived or known to be lost."""
        return self._counted

    def index_at(self, at_s: float) -> int:
        """Give the index of the sample that is taken at a time, later than true by the transport.

        0 before anything has arrived.
        """
        if not self._buckets:
            return 0
        return round((at_s - min(self._buckets)) * self._rate_hz)

    def push(self, samples: NDArray[Any], at_s: float) -> list[Arrived]:
        """Take a buffer that arrived at a time; give those that are now certain."""
        self._counted += len(samples)
        late_s = at_s - self._counted / self._rate_hz
        on_time = not self._buckets or late_s <= min(self._buckets) + THRESHOLD_S
        if on_time:
            released = [Arrived(held.samples) for held in self._held]
            self._held.clear()
            self._note(at_s, late_s)
            return [*released, Arrived(samples)]
        self._held.append(_Held(samples, at_s, late_s))
        if at_s - self._held[0].at_s < PATIENCE_S:
            return []
        return self._lost(at_s)

    def rest(self) -> list[Arrived]:
        """Give what is held; whether anything was lost before it, nobody can tell."""
        released = [Arrived(held.samples) for held in self._held]
        self._held.clear()
        return released

    def _lost(self, at_s: float) -> list[Arrived]:
        late_s = [held.late_s for held in self._held]
        lately_s = min(held.late_s for held in self._held if held.at_s >= at_s - PATIENCE_S / 2.0)
        # Less late than what came after the gap can only be what came before it.
        ahead = [place for place, each in enumerate(late_s) if each < lately_s - THRESHOLD_S]
        first = ahead[-1] + 1 if ahead else 0
        least_s = min(late_s[first:])
        first += next(
            place for place, each in enumerate(late_s[first:]) if each <= least_s + THRESHOLD_S
        )
        missing = round((least_s - min(self._buckets)) * self._rate_hz)
        released = [
            Arrived(held.samples, missing if place == first else 0)
            for place, held in enumerate(self._held)
        ]
        self._held.clear()
        self._counted += missing
        self._note(at_s, least_s - missing / self._rate_hz)
        return released

    def _note(self, at_s: float, late_s: float) -> None:
        if not self._buckets or at_s - self._bucket_begun_s >= _BUCKET_S:
            self._buckets = [*self._buckets[-1:], late_s]
            self._bucket_begun_s = at_s
        else:
            self._buckets[-1] = min(self._buckets[-1], late_s)
