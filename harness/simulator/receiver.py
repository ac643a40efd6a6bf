"""The unit's receiver down to the discriminator, at IQ level.

Signal and thermal noise in complex baseband at ``RATE_HZ``, the IF filter giving twice that
rate, then the limiter-discriminator: the angle between neighbouring samples, which knows nothing
of amplitude. Threshold, clicks, capture and quieting come out of that by themselves. Two angles
are added to give the mean frequency over one sample at ``RATE_HZ``, so that a click of a full
turn within one such sample is still counted as a turn.

Amplitudes are roots of mW. The antenna port is at 290 K, so the noise referred to the receiver's
input is k T0 F whatever the duplexer loses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.simulator.filters import convolved, if_taps
from harness.simulator.unit import Duplexer, ReceiverPart
from harness.units import FloatArray, ratio_from_db, thermal_noise_dbm, w_from_dbm

RATE_HZ = 31250.0
"""Baseband rate of the unit: an eighth of 250 kS/s, and more than twice the channel. Chosen."""
OVERSAMPLING = 2


@dataclass(slots=True)
class ReceiverState:
    """What the receiver remembers: IF input history and the last IF sample."""

    history: NDArray[np.complex128]
    last: complex


class Receiver:
    """Noise, IF filter and discriminator.

    Parameters
    ----------
    part, duplexer : of the unit
    """

    def __init__(self, part: ReceiverPart, duplexer: Duplexer) -> None:
        taps = if_taps(
            part.if_cutoff_hz, part.if_transition_hz, part.if_stopband_db, OVERSAMPLING * RATE_HZ
        )
        gain = OVERSAMPLING * ratio_from_db(-duplexer.receive_loss_db) ** 0.5
        # Brings noise of the receiver's input to the port, where the sum is formed.
        self._noise_gain = ratio_from_db(duplexer.receive_loss_db) ** 0.5
        self._taps = taps
        padded = np.append(taps, np.zeros(-len(taps) % OVERSAMPLING)) * gain
        self._phases = [
            np.ascontiguousarray(padded[phase::OVERSAMPLING]) for phase in range(OVERSAMPLING)
        ]
        density_w_per_hz = w_from_dbm(thermal_noise_dbm(1.0) + part.noise_figure_db)
        self.thermal_mw_per_hz = 1e3 * density_w_per_hz
        """k T0 F at the receiver's input."""

    @property
    def delay_s(self) -> float:
        """From the port to the discriminator."""
        return (len(self._taps) - 1) / 2 / (OVERSAMPLING * RATE_HZ) + 0.25 / RATE_HZ

    @property
    def noise_bandwidth_hz(self) -> float:
        """Two-sided noise bandwidth of the IF filter."""
        return float(np.sum(self._taps**2) / np.sum(self._taps) ** 2 * OVERSAMPLING * RATE_HZ)

    def rest(self) -> ReceiverState:
        """State before the first sample."""
        return ReceiverState(np.zeros(len(self._phases[0]) - 1, dtype=np.complex128), 1.0 + 0.0j)

    def selected(
        self,
        signal_port: NDArray[np.complex128] | None,
        noise: NDArray[np.float32],
        further_noise_mw_per_hz: FloatArray | float,
        state: ReceiverState,
    ) -> tuple[NDArray[np.complex128], ReceiverState]:
        """Give what comes out of the IF filter for one frame.

        Parameters
        ----------
        signal_port : complex128, shape (n,), root of mW at the port, about the receiver's own
            centre; None for no signal
        noise : float32, shape (2, n), standard normal
        further_noise_mw_per_hz : density at the receiver's input beside the thermal one
        state : after the frame before

        Returns
        -------
        complex128, shape (OVERSAMPLING n,), root of mW at the receiver's input; and the state
        after
        """
        density = self.thermal_mw_per_hz + further_noise_mw_per_hz
        scale = self._noise_gain * np.sqrt(density * (RATE_HZ / 2.0))
        mixed = np.empty(noise.shape[1], dtype=np.complex128)
        mixed.real = noise[0] * scale
        mixed.imag = noise[1] * scale
        if signal_port is not None:
            mixed += signal_port
        whole = np.concatenate([state.history, mixed])
        iq = convolved(whole, self._phases)
        return iq, ReceiverState(whole[len(mixed) :], complex(iq[-1]))

    def run(
        self,
        signal_port: NDArray[np.complex128] | None,
        noise: NDArray[np.float32],
        further_noise_mw_per_hz: FloatArray | float,
        state: ReceiverState,
    ) -> tuple[FloatArray, ReceiverState]:
        """Give the discriminator's frequency for one frame; arguments as of ``selected``.

        Returns
        -------
        float64, shape (n,), Hz about the receiver's centre; and the state after
        """
        iq, after = self.selected(signal_port, noise, further_noise_mw_per_hz, state)
        before = np.empty_like(iq)
        before[0] = state.last
        before[1:] = iq[:-1]
        turned = iq * np.conj(before, out=before)
        angles = np.arctan2(turned.imag.astype(np.float32), turned.real.astype(np.float32))
        frequency_hz = angles[0::2].astype(np.float64) + angles[1::2]
        frequency_hz *= RATE_HZ / (2.0 * math.pi)
        return frequency_hz, after
