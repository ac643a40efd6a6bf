"""Finds how two live receivers stand to each other: both tuned to one signal, streams running.

Before a take and again after it. The first tells the source how to begin takes together; the
second says whether the clocks kept to what was found.
"""

from __future__ import annotations

import math
from dataclasses import replace

from harness.blocks import Block
from harness.describe import Bench
from harness.devices import Alignment, Role, TunableSource
from harness.measure.skew import Skew, skew_between
from harness.procedures.taking import READ_S

LISTEN_S = 4.0
"""Chosen: fifteen pieces, and 0.05 ppm between the clocks at 20 dB."""
REACH_S = 0.05
"""Chosen: what two streams begin apart on a busy computer."""
RECEIVER_DELAY_S = 1e-6
"""Standard uncertainty of what two receivers' own filters delay one signal apart. Chosen: a third
of the delay of a tuner's filter of some 300 kHz."""


def skew_of(
    source: TunableSource,
    other: Role,
    bench: Bench,
    frequency_hz: float,
    *,
    off_channel_hz: float,
    spacing_hz: float = 12500.0,
    listen_s: float = LISTEN_S,
) -> Skew:
    """Tune a source's reference and another stream to one signal, compare, and tune back.

    Parameters
    ----------
    source : no take running; its streams go on throughout
    other : role of the other stream
    bench : what is declared of the clocks, for where each is tuned in truth
    frequency_hz : of the signal, modulated with speech or noise
    off_channel_hz : how far below it both are tuned
    spacing_hz : of its channel
    listen_s : how long

    Returns
    -------
    Skew : counted from the opening of the source, not from a take

    Raises
    ------
    BadInput, TooShort : as ``skew_between``. HardwareFault : a receiver failed.
    """
    roles = (source.reference, other)
    before = {role: source.streams[role].centre_hz for role in roles}
    source.start()
    try:
        changes = source.retune(dict.fromkeys(roles, frequency_hz - off_channel_hz))
        rates_hz = {role: source.streams[role].sample_rate_hz for role in roles}
        begin_s = max(each.settled / rates_hz[each.role] for each in changes)
        heard: dict[Role, list[Block]] = {role: [] for role in roles}
        at_s = 0.0
        while at_s < begin_s + listen_s:
            at_s = min(at_s + READ_S, begin_s + listen_s)
            for role, blocks in source.read(at_s).items():
                if role in heard:
                    heard[role] += [b for b in blocks if b.start >= begin_s * rates_hz[role]]
        skew = skew_between(
            heard[roles[0]],
            heard[roles[1]],
            datatype=source.streams[other].datatype,
            offsets_hz=(
                frequency_hz - _true_hz(source, roles[0], bench),
                frequency_hz - _true_hz(source, roles[1], bench),
            ),
            spacing_hz=spacing_hz,
            reach_s=REACH_S,
        )
        origins_s = source.origins_s
    finally:
        source.stop()
        source.retune(before)
    ahead_s = origins_s[roles[0]] - origins_s[other]
    return replace(skew, at_s=skew.at_s + origins_s[roles[0]], skew_s=skew.skew_s + ahead_s)


def align_streams(source: TunableSource, other: Role, skew: Skew) -> None:
    """Let takes of a stream begin, from now on, where the reference's begin."""
    source.align(
        other,
        Alignment(
            at_s=skew.at_s,
            skew_s=skew.skew_s,
            skew_uncertainty_s=math.hypot(skew.skew_uncertainty_s, RECEIVER_DELAY_S),
            clock_difference_ppm=skew.clock_difference_ppm,
            clock_difference_uncertainty_ppm=skew.clock_difference_uncertainty_ppm,
        ),
    )


def _true_hz(source: TunableSource, role: Role, bench: Bench) -> float:
    """Give where a receiver is tuned in truth, as far as its clock is known."""
    declared = bench.receiver(role)
    error_ppm = declared.clock_error_ppm if declared is not None else None
    return source.streams[role].centre_hz * (1.0 + (error_ppm or 0.0) * 1e-6)
