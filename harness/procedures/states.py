"""How the streams of a take are doing, for whoever watches."""

from __future__ import annotations

from dataclasses import dataclass

from harness.devices import Role

SILENCE_DBFS = -200.0
"""What a level of nothing is shown as. Chosen: far below any receiver's own noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamState:
    """How a stream is doing: level and clipping of the last read, totals of the take.

    ``level_port_dbm`` is None where the bench does not declare the receiver's scale. ``cautions``
    come when it has ended.
    """

    role: Role
    samples: int
    seconds: float
    level_dbfs: float
    level_port_dbm: float | None
    clipped_share: float
    clipped_samples: int
    lost_samples: int
    cautions: tuple[str, ...] = ()
