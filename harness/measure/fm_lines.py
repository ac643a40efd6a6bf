"""Carrier and side lines of sinusoidal FM, fitted to complex samples: no discriminator in it.

Sinusoidal FM of index b is the sum over n of J_n(b) exp(j(p + n m)), p the carrier's angle and m
the tone's (Abramowitz & Stegun 9.1.42). So the product of the lines n = 1 and -1 turns with twice
the carrier, that of one and the other's conjugate with twice the tone: both frequencies follow from
the lines that stay when the carrier's own vanishes. The square of line 1 through line 2 has the
carrier's angle (J_1^2 and J_2 are positive up to an index of 5.1): with it the carrier line has a
sign, and noise does not hold its amplitude above zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.dsp.waves import wave

PIECES = 8
ROUNDS = 2
"""Chosen: the second round moves the frequencies by less than a hundredth of the first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FmLines:
    """Lines of one frame.

    Parameters
    ----------
    tone_hz : spacing of the lines
    carrier : complex ratio of the carrier line to the root of the power of all lines; its real part
        is J_0 with its sign, its imaginary part 0 where the modulation is one sine
    sides : float64, shape (2, orders); amplitude of the lines 1 to ``orders`` as such ratios, upper
        ones first
    share : power of the lines to all power in the channel
    """

    tone_hz: float
    carrier: complex
    sides: NDArray[np.float64]
    share: float


def fit_fm_lines(
    iq: NDArray[np.complexfloating],
    sample_rate_hz: float,
    carrier_hz: float,
    tone_hz: float,
    orders: int,
) -> FmLines:
    """Fit the lines of sinusoidal FM by least squares.

    Parameters
    ----------
    iq : complex, shape (n,); an eighth of it is two periods of the tone long, or longer
    carrier_hz, tone_hz : guesses, off by less than 2 / duration (n / sample_rate_hz)
    orders : lines on each side, at least 2

    Raises
    ------
    ValueError : too few samples or orders.

    References
    ----------
    Abramowitz & Stegun 9.1.42 and 9.1.43 (from memory).
    """
    piece = len(iq) // PIECES
    if orders < 2 or piece * tone_hz < 2.0 * sample_rate_hz:
        raise ValueError(f"{len(iq)} samples, {orders=}: too few for a tone of {tone_hz:g} Hz")
    x = np.arange(PIECES, dtype=np.float64) - (PIECES - 1) / 2.0
    scale = sample_rate_hz / (2.0 * math.pi * piece)
    for _ in range(ROUNDS):
        found = []
        for number in range(PIECES):
            part = iq[number * piece : (number + 1) * piece]
            amplitudes = _amplitudes(part, sample_rate_hz, carrier_hz, tone_hz, orders)
            # Each line's phase where the frame begins, if both frequencies are right.
            back = carrier_hz + tone_hz * np.arange(-orders, orders + 1)
            found.append(
                amplitudes * np.exp(-2j * np.pi * back * (number * piece / sample_rate_hz))
            )
        lines = np.array(found)
        upper, lower = lines[:, orders + 1], lines[:, orders - 1]
        carrier_hz += _slope(x, upper * lower) * scale / 2.0
        tone_hz += _slope(x, upper * lower.conj()) * scale / 2.0
    lines = _amplitudes(iq, sample_rate_hz, carrier_hz, tone_hz, orders)
    up, down = lines[orders + 1 :], lines[:orders][::-1]
    angle = up[0] ** 2 * up[1].conj() + down[0] ** 2 * down[1].conj()
    power = float(np.sum(np.abs(lines) ** 2))
    root = math.sqrt(power) or 1.0
    turned = complex(lines[orders] * angle.conj() / (abs(angle) or 1.0))
    return FmLines(
        tone_hz=float(tone_hz),
        carrier=turned / root,
        sides=np.abs(np.array([up, down])) / root,
        share=power / (float(np.mean(np.abs(iq) ** 2)) or 1.0),
    )


def _slope(x: NDArray[np.floating], turning: NDArray[np.complex128]) -> float:
    phases = np.unwrap(np.angle(turning))
    return float(x @ phases / (x @ x))


def _amplitudes(
    iq: NDArray[np.complexfloating],
    sample_rate_hz: float,
    carrier_hz: float,
    tone_hz: float,
    orders: int,
) -> NDArray[np.complex128]:
    """Complex amplitude of each line at the first sample, shape (2 orders + 1,), lowest first."""
    lines_hz = carrier_hz + tone_hz * np.arange(-orders, orders + 1)
    basis = np.array([wave(f / sample_rate_hz, len(iq)) for f in lines_hz])
    normal = basis.conj() @ basis.T
    return np.asarray(np.linalg.solve(normal, basis.conj() @ iq))
