"""Filters of the simulated unit, with their state carried from frame to frame.

All work on frames of one fixed length, so the same samples give the same bits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from harness.units import FloatArray


class Cascade:
    """Filter sections multiplied out into one; state is given and taken, never kept.

    One direct form of up to ninth order: at these corners double precision leaves -150 dB, and
    a frame costs a third of what it does section by section.
    """

    def __init__(self, *sections: FloatArray) -> None:
        self.sections = np.ascontiguousarray(np.vstack(sections))
        numerator, denominator = signal.sos2tf(self.sections)
        while len(denominator) > 1 and denominator[-1] == 0.0 and numerator[-1] == 0.0:
            numerator, denominator = numerator[:-1], denominator[:-1]
        self._numerator, self._denominator = numerator, denominator

    def rest(self) -> FloatArray:
        """State of a filter that has seen nothing."""
        return np.zeros(len(self._denominator) - 1)

    def settled(self, level: float) -> FloatArray:
        """State of a filter that has seen a constant for long."""
        return np.asarray(signal.lfilter_zi(self._numerator, self._denominator)) * level

    def run(self, samples: FloatArray, state: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give the filtered frame and the state after it."""
        filtered, after = signal.lfilter(self._numerator, self._denominator, samples, zi=state)
        return filtered, after

    def gain(self, frequency_hz: float, rate_hz: float) -> complex:
        """Complex gain at one frequency."""
        _, response = signal.freqz_sos(self.sections, [frequency_hz], fs=rate_hz)
        return complex(response[0])


def butterworth(order: int, corner_hz: float, kind: str, rate_hz: float) -> FloatArray:
    """Sections of a Butterworth low-pass or high-pass."""
    return np.asarray(signal.butter(order, corner_hz, kind, fs=rate_hz, output="sos"))


def one_pole(corner_hz: float, rate_hz: float) -> FloatArray:
    """Section of an RC low-pass with unity gain at 0 Hz."""
    pole = math.exp(-2 * math.pi * corner_hz / rate_hz)
    return np.array([[1.0 - pole, 0.0, 0.0, 1.0, -pole, 0.0]])


def inverse(section: FloatArray) -> FloatArray:
    """Section that undoes a one-pole section."""
    row = section[0]
    return np.array([[1.0 / row[0], row[4] / row[0], 0.0, 1.0, 0.0, 0.0]])


def unity() -> FloatArray:
    """Section that changes nothing."""
    return np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])


def if_taps(
    cutoff_hz: float, transition_hz: float, stopband_db: float, rate_hz: float
) -> FloatArray:
    """Taps of the IF filter: half amplitude at the cut-off, unity gain at 0 Hz.

    The length is 1 more than a multiple of 4, so that the delay is whole at half the rate.
    """
    count, beta = signal.kaiserord(stopband_db, transition_hz / (rate_hz / 2))
    count += -(count - 1) % 4
    taps = signal.firwin(count, cutoff_hz, window=("kaiser", beta), fs=rate_hz)
    return np.asarray(taps)


def convolved(
    samples: NDArray[np.complex128], phases: Sequence[FloatArray]
) -> NDArray[np.complex128]:
    """Run the phases of an interpolating FIR over samples that carry their history in front.

    Returns
    -------
    complex128, shape ((n - taps per phase + 1) * phases,), the phases in turn
    """
    count = len(samples) - len(phases[0]) + 1
    given = np.empty((count, len(phases)), dtype=np.complex128)
    real, imag = np.ascontiguousarray(samples.real), np.ascontiguousarray(samples.imag)
    for number, taps in enumerate(phases):
        given.real[:, number] = np.convolve(real, taps, "valid")
        given.imag[:, number] = np.convolve(imag, taps, "valid")
    return given.reshape(-1)
