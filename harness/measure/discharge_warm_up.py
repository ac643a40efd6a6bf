"""The warm-up of a battery run by itself: how far the power was off, and for how long."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from harness.measure.course import Course, Start
from harness.measure.discharge_parts import edge_parts, level_part
from harness.measure.load import Edge
from harness.readings import Reading, measured, not_measured, sentence
from harness.uncertainty import Contribution, rectangular

SIZE, TIME = "power_warm_up", "warm_up_time"


def warm_up_readings(
    power: Course, start: Start | None, least_db: float, on: Edge, more: Mapping[str, Any]
) -> tuple[Reading, Reading]:
    """Give ``power_warm_up``, the first power beside the later course, and ``warm_up_time``.

    Parameters
    ----------
    power : under load. start : its settled start, None without power
    least_db : deviation that counts as settled
    on : load on. more : further fields of the readings

    Notes
    -----
    The time ends where the power is within ``least_db``; noise moves that by the noise over the
    slope there, of a warm-up that dies away exponentially.
    """
    why = ""
    if start is None:
        why = "The log has no power under load."
    elif not start.row and start.settled:
        why = f"No warm-up found: the power was within {least_db:g} dB of its course at once."
    elif not start.settled:
        why = "The power never settled."
    if why or start is None:
        return not_measured(SIZE, why, **more), not_measured(TIME, why, **more)
    first = Contribution(
        name=f"{SIZE}.first row",
        standard_uncertainty=power.noise,
        kind="A",
        source="scatter from row to row",
    )
    # The line through the settled rows, of this length, is drawn back over the warm-up: the
    # variance of a line d beyond its end, to that at its end.
    length_s = power.interval_s * max(start.level.count - 1, 1)
    beyond = 0.5 + start.warm_up_s / length_s
    drawn_back = math.sqrt((1.0 + 12.0 * beyond**2) / 4.0)
    size = measured(
        SIZE,
        start.warm_up,
        [first, level_part("power.settled start", start.level, -drawn_back)],
        note=sentence(f"over the first {start.warm_up_s:.0f} s"),
        **{**more, "count": start.row},
    )
    ratio = max(abs(start.warm_up) / least_db, math.e)
    slope_per_s = least_db * math.log(ratio) / start.warm_up_s
    parts = [
        Contribution(
            name=f"{TIME}.noise",
            standard_uncertainty=power.noise / slope_per_s,
            kind="A",
            source="scatter from row to row over the slope where the power settles",
        ),
        Contribution(
            name=f"{TIME}.logging interval",
            standard_uncertainty=rectangular(power.interval_s),
            source="the log's interval there, as a rectangle",
            distribution="rectangular",
        ),
        *edge_parts("load on", on, -1.0),
    ]
    time = measured(
        TIME,
        float(power.time_s[start.row]) - on.time_s,
        parts,
        note=sentence(f"until the power lay within {least_db:g} dB of its later course"),
        **{**more, "count": start.row},
    )
    return size, time
