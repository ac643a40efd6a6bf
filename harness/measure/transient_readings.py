"""Readings of the transient frequency: the largest difference in each interval of the rule.

Judged where the rule's limit binds: t2 at every power, t1 and t3 above 6 W.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from harness.measure.setup import Channel
from harness.measure.transient import (
    INTERVALS,
    WINDOW_S,
    Interval,
    Largest,
    Rule,
    TransientWatch,
)
from harness.readings import ConditionValue, Limit, Reading, judge, measured, not_measured
from harness.uncertainty import Contribution, rectangular, scaled

WINDOW_ERROR = 0.011
"""What a cubic over a window T leaves of an exponential of time constant tau at its steep end:
this share of (T/tau)^3. Worked out: 0.006 at 0.3 ms, 0.011 at 5 ms."""
MODULATED_HZ = 100.0


def transient_readings(
    watch: TransientWatch | None,
    rule: Rule | None,
    channel: Channel,
    power_w: float | None,
) -> list[Reading]:
    """Give the largest difference in each interval, judged where the limit of the rule binds."""
    common: dict[str, Any] = {"recordings": (channel.name,)}
    if watch is None or rule is None:
        note = (
            f"47 CFR 90.214 states no intervals for {channel.spacing_hz:g} Hz spacing at"
            f" {channel.centre_hz / 1e6:.3f} MHz"
        )
        return [not_measured("transient_frequency", note, **common)]
    reference = "settled frequency" if channel.nominal_hz is None else "nominal frequency"
    given = []
    for name in INTERVALS:
        conditions: dict[str, ConditionValue] = {"interval": name, "reference": reference}
        found = watch.largest(name)
        if not found:
            given.append(
                not_measured(
                    "transient_frequency",
                    _why_not(watch, name, rule),
                    conditions=conditions,
                    **common,
                )
            )
            continue
        given.append(_reading(name, found, rule, channel, power_w, conditions, watch))
    return given


def _reading(
    name: Interval,
    found: Sequence[Largest],
    rule: Rule,
    channel: Channel,
    power_w: float | None,
    conditions: dict[str, ConditionValue],
    watch: TransientWatch,
) -> Reading:
    worst = max(found, key=lambda one: abs(one.offset_hz))
    parts = [
        Contribution(
            name=f"transient_frequency.{name}.noise",
            standard_uncertainty=worst.sigma_hz,
            kind="A",
            source="noise of the phase",
        ),
        Contribution(
            name=f"transient_frequency.{name}.instant",
            standard_uncertainty=rectangular(worst.late_s) * abs(worst.slope_hz_s),
            distribution="rectangular",
            source="where in its rise the carrier begins",
        ),
        Contribution(
            name=f"transient_frequency.{name}.rise",
            standard_uncertainty=worst.begin_sigma_s * abs(worst.slope_hz_s),
            kind="A",
            source="noise on the rise",
        ),
        Contribution(
            name="transient_frequency.window",
            standard_uncertainty=rectangular(_left_hz(worst)),
            distribution="rectangular",
            source="what a cubic over the window leaves",
        ),
    ]
    if channel.nominal_hz is not None:
        parts += scaled(channel.clock_contributions, channel.centre_hz * 1e-6)
    limit_hz = rule.difference_hz[name]
    binds = rule.binds(name, power_w)
    note = f"{worst.offset_hz:+.0f} Hz; at most {limit_hz:g} Hz by {rule.source}"
    if binds is False:
        note += f", which may be exceeded at {rule.relaxed_up_to_w:g} W or less"
    elif binds is None:
        note += f" above {rule.relaxed_up_to_w:g} W"
    if watch.modulated_hz > MODULATED_HZ:
        note += f"; modulation of {watch.modulated_hz:.0f} Hz counts in it"
    reading = measured(
        "transient_frequency",
        abs(worst.offset_hz),
        parts,
        count=len(found),
        conditions=conditions,
        recordings=(channel.name,),
        note=note,
    )
    if not binds:
        return reading
    limit = Limit(reading="transient_frequency", unit="Hz", source=rule.source, maximum=limit_hz)
    return replace(reading, verdict=judge(reading, limit))


def _left_hz(worst: Largest) -> float:
    """Give what the window leaves of the difference, at most all of it, by how fast it goes."""
    size_hz = abs(worst.offset_hz)
    if size_hz == 0.0:
        return 0.0
    share = WINDOW_ERROR * (WINDOW_S * abs(worst.slope_hz_s) / size_hz) ** 3
    return min(share, 1.0) * size_hz


def _why_not(watch: TransientWatch, name: Interval, rule: Rule) -> str:
    edge = "drop" if name == "t3" else "key-up"
    if not watch.edges:
        return "the carrier neither comes on nor goes off in the recording"
    if watch.unclear:
        return f"no {edge} stands clear enough of the noise, or none lasts long enough"
    return f"no {edge} with {1e3 * rule.duration_s[name]:g} ms of carrier about it"
