"""Finds how two live receivers stand to each other: both tuned to one signal, streams running.

Before a take and again after it. The first tells the source how to begin takes together; the
second says whether the clocks kept to what was found. Where they did not, nobody knows whether
they went slowly or leapt, nor when: at any time between, the truth lies within what was found to
have moved, evenly likely, and as much enters the uncertainty of the takes' skew.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from harness.blocks import Block
from harness.describe import Bench
from harness.devices import Alignment, Role, TunableSource
from harness.measure.skew import Drift, Skew, skew_between
from harness.procedures.taking import READ_S
from harness.recordings import widen_skew
from harness.report.wording import minus

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


def enter_drift(drift: Drift, takes: Iterable[Path], other: Role) -> None:
    """Let what moved between two comparisons enter the skew of the takes recorded between.

    Parameters
    ----------
    drift : chance or not: what is small adds little
    takes : their collections
    other : role of the stream that is not the reference

    References
    ----------
    Evenly likely within the bounds: half width over the root of 3, JCGM 100:2008, 4.3.7 (clause
    from memory, check).
    """
    for take in takes:
        widen_skew(take, other, abs(drift.moved_s) / math.sqrt(3.0))


def skew_in_words(skew: Skew) -> str:
    """Say how well two streams are known to stand to each other; U with k = 2."""
    return (
        f"found to ± {2e6 * skew.skew_uncertainty_s:.2g} µs by {skew.pieces} pieces; its clock is"
        f" {minus(f'{skew.clock_difference_ppm:+.3f}')} ± "
        f"{2.0 * skew.clock_difference_uncertainty_ppm:.2g} ppm against the input's"
    )


def drift_in_words(drift: Drift) -> str:
    """Say whether the clocks kept to what was found before."""
    moved = f"moved by {minus(f'{1e6 * drift.moved_s:+.1f}')} ± {2e6 * drift.uncertainty_s:.2g} µs"
    if not drift.is_plain:
        return f"{moved}, no more than chance"
    return f"{moved}: count it with the uncertainty of times between both"


def _true_hz(source: TunableSource, role: Role, bench: Bench) -> float:
    """Give where a receiver is tuned in truth, as far as its clock is known."""
    declared = bench.receiver(role)
    error_ppm = declared.clock_error_ppm if declared is not None else None
    return source.streams[role].centre_hz * (1.0 + (error_ppm or 0.0) * 1e-6)
