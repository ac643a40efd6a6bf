"""One frame of channel samples: its power, where in it a carrier is on, its moments.

A frame that holds both on and off is split at half of its settled power, which is the highest
that lasts (a median of three grains, so that a short burst counts and an impulse does not); what
touches an edge is left out. A frame without such a step counts as one run.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.dsp.demodulate import constant_envelope_power, grain_moments

FloatArray = NDArray[np.float64]

GRAIN_S = 1e-3
"""Power is looked at in grains of this length. Chosen."""
LEAST_GRAIN_SAMPLES = 8
STEP_RATIO = 4.0
"""Highest to lowest grain power above which a frame is taken to hold both on and off. Chosen:
noise alone in 25 samples a grain stays below 3."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyedFrame:
    """Where a carrier is on in a frame, and the power there.

    ``runs`` are (first, one past last) samples of each stretch with the carrier on, the longest
    first. ``second`` and ``fourth`` are the moments of the envelope over them, ``grain_spread``
    the standard error of ``carrier_power`` from the scatter of the grains.
    """

    runs: tuple[tuple[int, int], ...]
    count: int
    second: float
    fourth: float
    grain_spread: float
    lowest: float

    @property
    def carrier_power(self) -> float:
        """Power of the constant-envelope carrier, noise taken off."""
        return constant_envelope_power(self.second, self.fourth)

    @property
    def holds_carrier(self) -> bool:
        """Whether the envelope is steadier than noise alone could make it.

        For noise the fourth moment over the squared second is 2 with a standard deviation near
        4.5 / sqrt(n): three of them, through the square root of the estimate.
        """
        least = np.sqrt(13.5 / np.sqrt(max(self.count, 1)))
        return self.second > 0.0 and self.carrier_power / self.second > min(least, 0.7)


def keyed_frame(iq: NDArray[np.complexfloating], sample_rate_hz: float) -> KeyedFrame | None:
    """Split a frame into its runs with the carrier on; None when it is shorter than one grain.

    Parameters
    ----------
    iq : complex, shape (n,)
    """
    grain = max(round(GRAIN_S * sample_rate_hz), LEAST_GRAIN_SAMPLES)
    grains = len(iq) // grain
    if grains < 1:
        return None
    moments = grain_moments(iq, grain)
    runs = _runs(moments.second)
    second = np.concatenate([moments.second[a:b] for a, b in runs])
    fourth = np.concatenate([moments.fourth[a:b] for a, b in runs])
    mean_second, mean_fourth = float(second.mean()), float(fourth.mean())
    spread = float("nan")
    if len(second) > 1:
        spread = _spread(second, fourth, mean_second, mean_fourth)
    return KeyedFrame(
        runs=tuple((a * grain, len(iq) if b == grains else b * grain) for a, b in runs),
        count=len(second) * grain,
        second=mean_second,
        fourth=mean_fourth,
        grain_spread=spread,
        lowest=float(moments.second.min()),
    )


def _spread(seconds: FloatArray, fourths: FloatArray, second: float, fourth: float) -> float:
    """Give the standard error of sqrt(2 second^2 - fourth) from the moments of each grain.

    Noise moves both moments together: to first order the estimate moves by
    (4 second d_second - d_fourth) / (2 sqrt(2 second^2 - fourth)).
    """
    power = constant_envelope_power(second, fourth)
    # Where noise is all that is seen, its mean power is what scatters.
    moved = (4.0 * second * seconds - fourths) / (2.0 * power) if power > 0.0 else seconds
    return float(moved.std(ddof=1) / np.sqrt(len(moved)))


def _runs(grain_power: FloatArray) -> list[tuple[int, int]]:
    """Find runs of grains with the carrier on, the longest first; whole where nothing steps."""
    rank = len(grain_power) // 20
    low = np.partition(grain_power, rank)[rank]
    padded = np.concatenate([grain_power[:1], grain_power, grain_power[-1:]])
    left, right = padded[:-2], padded[2:]
    medians = np.maximum(np.minimum(left, right), np.minimum(np.maximum(left, right), grain_power))
    settled = medians.max()
    if settled <= STEP_RATIO * low:
        return [(0, len(grain_power))]
    on = np.concatenate([[False], grain_power > settled / 2.0, [False]])
    edges = np.flatnonzero(on[1:] != on[:-1])
    runs = [(int(a), int(b)) for a, b in zip(edges[0::2], edges[1::2], strict=True)]
    inner = [
        (a + (a > 0), b - (b < len(grain_power)))
        for a, b in runs
        if b - (b < len(grain_power)) > a + (a > 0)
    ]
    return sorted(inner or runs, key=lambda run: run[0] - run[1])
