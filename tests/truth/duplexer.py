"""Duplexers as circuits: S parameters by hand, and the Touchstone text of them.

A cavity is a series resonance R, L, C across the line, with a reactance beside it that takes its
susceptance away on the frequency to be passed. Of an admittance Y across a line of Z0
(Pozar, Microwave Engineering, tables 4.1 and 4.2, memory): S21 = 2 / (2 + Z0 Y),
S11 = -Z0 Y / (2 + Z0 Y). At its resonance Y = 1/R, so that |S21| = 2 R / (2 R + Z0).

The three-port joins two such cavities at the antenna, each a quarter wave away: where a cavity
shorts its end of the line, the antenna sees an open circuit. It is solved by nodes:
S = (1 - Z0 Y) (1 + Z0 Y)^-1 for the nodal admittances Y.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Z0_OHM = 50.0


@dataclass(frozen=True)
class Cavity:
    """Rejects one frequency and passes another.

    ``reactance_ohm`` is that of L and of C at resonance; ``resistance_ohm`` is what is left there.
    """

    reject_hz: float
    pass_hz: float
    resistance_ohm: float = 0.0025
    reactance_ohm: float = 40.0

    def admittance(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Give Y of it across the line."""
        bare = 1.0 / self._series(frequency_hz)
        # As of a capacitor or a coil; over a few per cent of frequency taken as constant.
        beside = -1j * (1.0 / self._series(np.array([self.pass_hz]))).imag
        return bare + beside

    def _series(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        ratio = frequency_hz / self.reject_hz
        return self.resistance_ohm + 1j * self.reactance_ohm * (ratio - 1.0 / ratio)

    def s(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Give its S parameters as a two-port, shape (n, 2, 2)."""
        y = Z0_OHM * self.admittance(frequency_hz)
        through, back = 2.0 / (2.0 + y), -y / (2.0 + y)
        return np.moveaxis(np.array([[back, through], [through, back]]), 2, 0)


def joined(
    transmit: Cavity, receive: Cavity, frequency_hz: NDArray[np.float64], middle_hz: float
) -> NDArray[np.complex128]:
    """Give the three-port of both cavities: transmitter, antenna, receiver; shape (n, 3, 3)."""
    angle = math.pi / 2.0 * frequency_hz / middle_hz
    own, other = -1j / np.tan(angle), 1j / np.sin(angle)
    y = np.zeros((len(frequency_hz), 3, 3), dtype=np.complex128)
    y[:, 0, 0] = own + Z0_OHM * transmit.admittance(frequency_hz)
    y[:, 1, 1] = 2.0 * own
    y[:, 2, 2] = own + Z0_OHM * receive.admittance(frequency_hz)
    y[:, 0, 1] = y[:, 1, 0] = y[:, 1, 2] = y[:, 2, 1] = other
    one = np.eye(3)
    return (one - y) @ np.linalg.inv(one + y)


def two_ports(s: NDArray[np.complex128], ports: Sequence[int]) -> NDArray[np.complex128]:
    """Give what an analyser sees of two ports, counted from 0, the others on loads."""
    return s[:, ports][:, :, ports]


_PER_UNIT = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}


def touchstone(
    frequency_hz: NDArray[np.float64], s: NDArray[np.complex128], unit: str = "MHz"
) -> str:
    """Write S parameters as Touchstone 1.1 text; two-ports go column by column."""
    lines = [f"# {unit} S RI R 50"]
    for at_hz, matrix in zip(frequency_hz, s, strict=True):
        rows = matrix.T.reshape(1, 4) if len(matrix) == 2 else matrix
        words = [" ".join(f"{v.real:.12g} {v.imag:.12g}" for v in row) for row in rows]
        lines += [f"{at_hz / _PER_UNIT[unit]:.12g} {words[0]}", *words[1:]]
    return "\n".join([*lines, ""])
