"""What timing draws: every edge, the first keying's envelopes, the time of every keying."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from harness.devices import Role
from harness.measure.first_keying import Trace
from harness.measure.keying import Keying
from harness.measure.pairs import Pair
from harness.readings import Axis, ConditionValue, Series
from harness.units import db_from_ratio

TRACE_MARGIN_S = 0.1
TRACE_FLOOR_DB = -120.0


def keying_series(role: Role, keying: Keying) -> list[Series]:
    """Give every edge of a role: +1 where it came on, -1 where it went off."""
    edges = keying.edges
    return [
        Series(
            name=f"{role}_keying",
            unit="1",
            axes=(
                Axis(name="time", unit="s", values=np.array([e.time_s for e in edges], np.float64)),
            ),
            values=np.array([1.0 if e.is_rising else -1.0 for e in edges], np.float64),
        )
    ]


def envelope_series(role: Role, trace: Trace, skew_s: float, keying: Keying) -> list[Series]:
    """Envelope of the first whole keying in dB against its settled power."""
    time_s = trace.time_s + skew_s
    for span in keying.keyed_spans:
        if span.opened is None or span.closed is None or not len(time_s):
            continue
        first_s, last_s = span.start_s - TRACE_MARGIN_S, span.end_s + TRACE_MARGIN_S
        kept = (time_s >= first_s) & (time_s <= last_s)
        if not kept.any() or time_s[0] > span.start_s or time_s[-1] < span.end_s:
            continue
        level_db = db_from_ratio(trace.power[kept] / span.opened.settled_power)
        return [
            Series(
                name=f"{role}_envelope",
                unit="dB",
                axes=(Axis(name="time", unit="s", values=time_s[kept]),),
                values=np.maximum(level_db, TRACE_FLOOR_DB),
            )
        ]
    return []


def times_series(
    what: str, pairs: Sequence[Pair], suffix: str, conditions: Mapping[str, ConditionValue]
) -> list[Series]:
    """Give the time of every keying: against its number from 1, and against when it began."""
    if not pairs:
        return []
    times_s = np.array([pair.lasted_s for pair in pairs], np.float64)
    numbers = np.array([pair.number for pair in pairs], np.float64)
    began_s = np.array([pair.from_s for pair in pairs], np.float64)
    return [
        Series(
            name=f"{what}_times{suffix}",
            unit="s",
            axes=(Axis(name="keying", unit="1", values=numbers),),
            values=times_s,
            conditions=conditions,
        ),
        Series(
            name=f"{what}_course{suffix}",
            unit="s",
            axes=(Axis(name="time", unit="s", values=began_s),),
            values=times_s,
            conditions=conditions,
        ),
    ]
