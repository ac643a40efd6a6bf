"""How a channel is taken out of a recording: two decimations, two sets of taps.

1. The first filter rejects only what would alias onto the channel: bands as wide as the channel
   round every multiple of the middle rate. Between them it lets through what it likes, and it may
   droop in the channel; so it needs half the taps of a low-pass.
2. The second is the channel's selectivity: flat to 0.6 of the spacing with the first filter's
   droop taken back, 90 dB down from 0.9 of it.

Both are symmetric. Plain and compiled code use the same taps, for eight-bit recordings rounded to
whole numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

STOPBAND_DB = 90.0
"""Rejection by design: 80 dB is promised (issue), 10 dB in hand for ripple adding up. Chosen."""
PASSBAND_SPACINGS = 0.6
STOPBAND_SPACINGS = 0.9
WHOLE_LANES = 4
"""First filters get one tap less than a multiple of this: little work is saved in between. Chosen:
half a register of float32."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChannelPlan:
    """How a channel is taken out of a recording.

    Parameters
    ----------
    sample_rate_hz : float, of the recording, true
    offset_hz : float, of the channel from the recording's true centre
    spacing_hz : float
    first_decimation, second_decimation : int
    first_taps, second_taps : float64, symmetric, odd length; outputs fall on input samples
    """

    sample_rate_hz: float
    offset_hz: float
    spacing_hz: float
    first_decimation: int
    second_decimation: int
    first_taps: FloatArray
    second_taps: FloatArray

    @property
    def decimation(self) -> int:
        """Recording samples per channel sample."""
        return self.first_decimation * self.second_decimation

    @property
    def channel_rate_hz(self) -> float:
        """Rate of the channel blocks."""
        return self.sample_rate_hz / self.decimation

    @property
    def turns_per_sample(self) -> float:
        """Offset of the channel in turns per recording sample."""
        return self.offset_hz / self.sample_rate_hz

    @property
    def first_rows(self) -> int:
        """Middle samples by which the first filter reaches to each side, rounded up."""
        return -(-(len(self.first_taps) // 2) // self.first_decimation)

    @property
    def second_rows(self) -> int:
        """Channel samples by which the second filter reaches to each side, rounded up."""
        return -(-(len(self.second_taps) // 2) // self.second_decimation)

    @property
    def settling_samples(self) -> int:
        """Channel samples lost at each end of an uninterrupted stretch."""
        return self.second_rows + math.ceil(self.first_rows / self.second_decimation)


EIGHT_BIT = "cu8"
MOST_TAP = 2**15 - 1
MOST_CODE = 255
"""Largest tap in 16 bits; twice the greatest distance of an eight-bit code from the zero."""
MOST_SUM = 2**31 - 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TurnedTaps:
    """The first filter with the channel's offset in it: ``taps``, complex128, about their middle.

    ``unit`` is that of which their parts are whole multiples, None where they are not rounded.
    """

    taps: NDArray[np.complex128]
    unit: float | None


def turned_taps(plan: ChannelPlan, datatype: str) -> TurnedTaps:
    """Turn the first filter to the channel's offset; for eight-bit recordings, in whole numbers.

    Notes
    -----
    Codes of 8 bits and taps of 16 give sums that 32 bits hold, exact on every processor. Rounding
    moves each tap by at most half a unit, 1/65534 of the largest: some 110 dB below the channel
    (tested with the aliases). Recordings of more bits keep the taps as designed.
    """
    half = len(plan.first_taps) // 2
    turns = (np.arange(-half, half + 1) * plan.turns_per_sample) % 1.0
    taps = plan.first_taps * np.exp(-2j * np.pi * turns)
    if datatype != EIGHT_BIT:
        return TurnedTaps(taps=taps, unit=None)
    parts = np.abs([taps.real, taps.imag])
    # No sum may leave 32 bits, whatever the codes; half a unit of each tap is the rounding.
    room = MOST_SUM / MOST_CODE - parts.size
    unit = max(float(parts.max()) / MOST_TAP, float(parts.sum()) / room)
    return TurnedTaps(
        taps=unit * (np.rint(taps.real / unit) + 1j * np.rint(taps.imag / unit)), unit=unit
    )


@lru_cache(maxsize=16)
def plan_channel(sample_rate_hz: float, offset_hz: float, spacing_hz: float) -> ChannelPlan:
    """Plan the filters for a channel.

    Parameters
    ----------
    sample_rate_hz, spacing_hz : float, above 0; the rate at least 1.2 times the spacing
    offset_hz : float; the channel must lie within the recording

    Raises
    ------
    ValueError : the channel does not fit into the recording's band.

    Notes
    -----
    The channel rate is the lowest that is a whole part of the recording's rate and at least
    twice the spacing, or the recording's own where that is lower.
    """
    if not sample_rate_hz >= 2 * PASSBAND_SPACINGS * spacing_hz > 0:
        raise ValueError(f"{spacing_hz=} does not fit into {sample_rate_hz=}")
    if not abs(offset_hz) + PASSBAND_SPACINGS * spacing_hz <= sample_rate_hz / 2:
        raise ValueError(f"{offset_hz=} with {spacing_hz=} lies outside {sample_rate_hz=}")
    first, second = _decimations(max(int(sample_rate_hz / (2 * spacing_hz) + 1e-6), 1))
    middle_rate_hz = sample_rate_hz / first
    pass_hz = PASSBAND_SPACINGS * spacing_hz
    stop_hz = min(STOPBAND_SPACINGS * spacing_hz, 0.98 * middle_rate_hz - pass_hz)
    if first == 1:
        first_taps = np.ones(1)
    elif first <= 2 * MOST_BANDS:
        first_taps = alias_taps(first, stop_hz / sample_rate_hz)
    else:
        first_taps = lowpass_taps(pass_hz, middle_rate_hz - stop_hz, sample_rate_hz, first)
    second_taps = _levelling_taps(
        pass_hz / middle_rate_hz, stop_hz / middle_rate_hz, first, first_taps
    )
    # Plans are kept and shared.
    first_taps.flags.writeable = second_taps.flags.writeable = False
    return ChannelPlan(
        sample_rate_hz=sample_rate_hz,
        offset_hz=offset_hz,
        spacing_hz=spacing_hz,
        first_decimation=first,
        second_decimation=second,
        first_taps=first_taps,
        second_taps=second_taps,
    )


def _decimations(most: int) -> tuple[int, int]:
    """Split a decimation: the second from 2 to 5, the product as large as may be."""
    if most < 4:
        return 1, most
    return max(((most // second, second) for second in (4, 5, 3, 2)), key=lambda p: p[0] * p[1])


def lowpass_taps(
    pass_hz: float, stop_hz: float, sample_rate_hz: float, decimation: int
) -> FloatArray:
    """Give a symmetric low-pass with unit gain at 0 Hz, half its length a multiple of decimation.

    References
    ----------
    Kaiser's design of window and length: Oppenheim & Schafer, Discrete-Time Signal Processing,
    section 7.6 of the third edition (formulas from memory; the rejection is tested).
    """
    window = _kaiser((stop_hz - pass_hz) / sample_rate_hz, decimation)
    half = len(window) // 2
    cutoff = (pass_hz + stop_hz) / sample_rate_hz
    taps = cutoff * np.sinc(cutoff * np.arange(-half, half + 1)) * window
    return np.asarray(taps / taps.sum(), dtype=np.float64)


def _kaiser(width: float, decimation: int = 1) -> FloatArray:
    """Give Kaiser's window for a transition of ``width`` cycles per sample."""
    length = (STOPBAND_DB - 7.95) / (14.36 * width) + 1
    half = decimation * math.ceil(length / 2 / decimation)
    return np.kaiser(2 * half + 1, 0.1102 * (STOPBAND_DB - 8.7))


def response(taps: FloatArray, cycles_per_sample: FloatArray) -> FloatArray:
    """Give the real frequency response of symmetric taps about their middle."""
    n = np.arange(1, len(taps) // 2 + 1)
    half = taps[len(taps) // 2 + 1 :]
    waves = np.cos(2.0 * np.pi * np.outer(cycles_per_sample, n))
    return np.asarray(taps[len(taps) // 2] + 2.0 * waves @ half)


POINTS_PER_BAND = 12
ROUNDS = 24
"""Chosen: what lies between the points and after more rounds is below half a dB."""
MOST_BANDS = 32
"""Above, a plain low-pass is taken: the design grows with the cube of it. Chosen."""


def alias_taps(decimation: int, half_width: float) -> FloatArray:
    """Design symmetric taps that reject what folds onto 0 +/- half_width, and unit gain at 0.

    Parameters
    ----------
    decimation : int, at least 2
    half_width : float, cycles per input sample, below half of 1 / decimation

    Returns
    -------
    float64, odd length, as short as reaches ``STOPBAND_DB``

    Notes
    -----
    Least squares over the bands under the condition of unit sum, the weights raised where most
    comes through (Lawson's way to the least maximum, from memory; the rejection is tested).
    """
    # Near 0.1 of the middle rate 3.2 decimations long (tried): begin just below.
    length = (2.2 + 9.0 * half_width * decimation) * decimation
    while True:
        half = max(math.ceil(length / WHOLE_LANES) * WHOLE_LANES // 2 - 1, 1)
        taps = _quietest_taps(half, decimation, half_width)
        if _worst_alias_db(taps, decimation, half_width) <= -STOPBAND_DB:
            return taps
        length += WHOLE_LANES


def _alias_bands(decimation: int, half_width: float, points: int) -> FloatArray:
    middles = np.arange(1, decimation // 2 + 1) / decimation
    inside = np.cos(np.pi * (np.arange(points) + 0.5) / points) / np.cos(np.pi / 2 / points)
    grid = middles[:, None] + half_width * inside
    return np.unique(np.minimum(grid, 0.5))


def _worst_alias_db(taps: FloatArray, decimation: int, half_width: float) -> float:
    worst = np.abs(response(taps, _alias_bands(decimation, half_width, 31))).max()
    return float(20.0 * np.log10(worst))


def _quietest_taps(half: int, decimation: int, half_width: float) -> FloatArray:
    grid = _alias_bands(decimation, half_width, POINTS_PER_BAND)
    n = np.arange(half + 1)
    twice = np.where(n == 0, 1.0, 2.0)
    waves = np.cos(2.0 * np.pi * np.outer(grid, n)) * twice
    weights = np.ones(len(grid))
    least, best = math.inf, twice
    for _ in range(ROUNDS):
        triangle = np.asarray(np.linalg.qr(waves * np.sqrt(weights)[:, None], mode="r"))
        side = np.linalg.solve(triangle, np.linalg.solve(triangle.T, twice))
        side /= twice @ side
        through = np.abs(waves @ side)
        if through.max() < least:
            least, best = float(through.max()), side
        weights *= through / through.max() + 1e-3
        weights /= weights.mean()
    return np.concatenate([best[:0:-1], best])


def _levelling_taps(
    passes: float, stops: float, first_decimation: int, first_taps: FloatArray
) -> FloatArray:
    """Design the second filter: Kaiser's window on 1 / (the first filter's response).

    Frequencies in cycles per middle sample.
    """
    window = _kaiser(stops - passes)
    half = len(window) // 2
    cutoff = (passes + stops) / 2.0
    # The transform of the wanted response by Gauss's rule: it is smooth up to the cutoff, and
    # the rule needs half as many nodes as the wave has radians, and some.
    nodes, shares = np.polynomial.legendre.leggauss(24 + math.ceil(np.pi * half * cutoff))
    f = (nodes + 1.0) * cutoff / 2.0
    wanted = shares * cutoff / response(first_taps, f / first_decimation)
    n = np.arange(half + 1)
    side = np.cos(2.0 * np.pi * np.outer(n, f)) @ wanted
    taps = np.concatenate([side[:0:-1], side]) * window
    return np.asarray(taps / taps.sum(), dtype=np.float64)
