"""Test tones to be played: made in blocks of any size, the same samples however they are cut.

Levels are in dBFS: 0 dBFS is a sine of amplitude 1. Every signal begins and ends with a short
raised cosine, so that nothing clicks.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.errors import BadInput

FloatArray = NDArray[np.float64]

EDGE_S = 0.005
"""Length of the rise and of the fall. Chosen: a click of it lies below the speech band."""
HIGHEST_SHARE = 0.45
"""Of the rate: above, a sound card's own filter sets in. Chosen."""
LOWEST_HZ = 20.0
LEAST_S, MOST_S = 0.05, 86_400.0
MULTITONE_GRID_HZ = 10.0
"""Frequencies of a multitone are multiples of it, so that its peak is that of a tenth of a second.
Chosen."""
PERIOD_POINTS = 19_200
"""Where the peak of a multitone is looked for: at 3 kHz it is missed by 0.1 %. Chosen."""
DRAWS = 200
"""Chosen: eleven tones come down to 56 % of the peak that they have in phase."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TestTones:
    """A signal of known length.

    Parameters
    ----------
    label : as a recording of it is labelled
    duration_s : of the whole
    at : gives the samples of the times asked for, in s from its beginning; peak 1 is full scale
    """

    # Not a test of pytest's.
    __test__ = False

    label: str
    duration_s: float
    at: Callable[[FloatArray], FloatArray]

    def samples(self, start: int, count: int, sample_rate_hz: float) -> NDArray[np.float32]:
        """Give samples, silence before the beginning and after the end.

        Returns
        -------
        float32, shape (count,)
        """
        time_s = (start + np.arange(count)) / sample_rate_hz
        inside = (time_s >= 0.0) & (time_s < self.duration_s)
        given = np.zeros(count, np.float32)
        if inside.any():
            moments = time_s[inside]
            given[inside] = self.at(moments) * _edges(moments, self.duration_s)
        return given


def single_tone(frequency_hz: float, level_dbfs: float, duration_s: float) -> TestTones:
    """Make one tone."""
    _require(duration_s, level_dbfs)
    amplitude = _amplitude(level_dbfs)

    def at(time_s: FloatArray) -> FloatArray:
        return amplitude * np.sin(2.0 * math.pi * frequency_hz * time_s)

    return TestTones(label="", duration_s=duration_s, at=at)


def level_ramp(
    frequency_hz: float, from_dbfs: float, to_dbfs: float, duration_s: float
) -> TestTones:
    """Make one tone whose level goes from one value to another, evenly in dB."""
    _require(duration_s, from_dbfs, to_dbfs)

    def at(time_s: FloatArray) -> FloatArray:
        level_db = from_dbfs + (to_dbfs - from_dbfs) * time_s / duration_s
        return np.asarray(10.0 ** (level_db / 20.0) * np.sin(2.0 * math.pi * frequency_hz * time_s))

    return TestTones(label="level ramp", duration_s=duration_s, at=at)


def swept_tone(from_hz: float, to_hz: float, level_dbfs: float, duration_s: float) -> TestTones:
    """Make a tone that runs from one frequency to another, evenly in octaves.

    References
    ----------
    A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine
    technique", AES 108th Convention, 2000: the phase of the logarithmic sweep, from memory.
    """
    _require(duration_s, level_dbfs)
    if from_hz == to_hz:
        raise BadInput("the sweep ends where it begins", "frequencies", "Give two of them.")
    amplitude, octaves = _amplitude(level_dbfs), math.log(to_hz / from_hz)

    def at(time_s: FloatArray) -> FloatArray:
        cycles = from_hz * duration_s / octaves * np.expm1(octaves * time_s / duration_s)
        return amplitude * np.sin(2.0 * math.pi * cycles)

    return TestTones(label="swept tone", duration_s=duration_s, at=at)


def multitone(frequencies_hz: Sequence[float], level_dbfs: float, duration_s: float) -> TestTones:
    """Make several tones at once, of one amplitude; the level is that of the sum's peak.

    Of some draws of phases the one with the lowest peak is taken, always the same.
    """
    _require(duration_s, level_dbfs)
    tones = np.asarray(frequencies_hz, np.float64)
    if np.any(np.abs(tones / MULTITONE_GRID_HZ - np.rint(tones / MULTITONE_GRID_HZ)) > 1e-9):
        raise BadInput(
            "the tones of a multitone are multiples of 10 Hz", "frequencies", "Round them."
        )
    period_s = np.arange(PERIOD_POINTS) / PERIOD_POINTS / MULTITONE_GRID_HZ
    turns = np.exp(2j * math.pi * tones * period_s[:, None])
    draws = np.random.Generator(np.random.PCG64(1)).uniform(0.0, 2.0 * math.pi, (DRAWS, len(tones)))
    peaks = np.array([np.abs((turns @ np.exp(1j * draw)).imag).max() for draw in draws])
    phases = draws[peaks.argmin()]
    amplitude = _amplitude(level_dbfs) / float(peaks.min())

    def together(time_s: FloatArray) -> FloatArray:
        given = np.zeros(len(time_s))
        for frequency_hz, phase in zip(tones, phases, strict=True):
            given += np.sin(2.0 * math.pi * frequency_hz * time_s + phase)
        return given

    return TestTones(
        label="multitone", duration_s=duration_s, at=lambda time_s: amplitude * together(time_s)
    )


def stepped_tones(
    frequencies_hz: Sequence[float], level_dbfs: float, duration_s: float
) -> TestTones:
    """Make one tone after another, each for an equal part of the time."""
    _require(duration_s, level_dbfs)
    amplitude = _amplitude(level_dbfs)
    tones = np.asarray(frequencies_hz, np.float64)
    each_s = duration_s / len(tones)

    def at(time_s: FloatArray) -> FloatArray:
        number = np.minimum((time_s / each_s).astype(int), len(tones) - 1)
        within_s = time_s - number * each_s
        phase = 2.0 * math.pi * tones[number] * within_s
        return np.asarray(amplitude * np.sin(phase) * _edges(within_s, each_s))

    return TestTones(label="stepped tones", duration_s=duration_s, at=at)


def require_tones(frequencies_hz: Sequence[float], sample_rate_hz: float) -> None:
    """Refuse frequencies that a sound card cannot give.

    Raises
    ------
    BadInput : none given, or one is too low or too high for the rate.
    """
    highest_hz = HIGHEST_SHARE * sample_rate_hz
    if not frequencies_hz:
        raise BadInput("no frequency is given", "frequencies", "Give one at least.")
    for frequency_hz in frequencies_hz:
        if not LOWEST_HZ <= frequency_hz <= highest_hz:
            raise BadInput(
                f"{frequency_hz:g} Hz is no tone for {sample_rate_hz:g} samples a second",
                "frequencies",
                f"Give {LOWEST_HZ:g} to {highest_hz:g} Hz.",
            )


def _require(duration_s: float, *levels_dbfs: float) -> None:
    if not LEAST_S <= duration_s <= MOST_S:
        raise BadInput(
            f"{duration_s:g} s is no length for a tone", "seconds", f"Give {LEAST_S:g} to 86400."
        )
    for level_dbfs in levels_dbfs:
        if not -120.0 <= level_dbfs <= 0.0:
            raise BadInput(f"{level_dbfs:g} dBFS cannot be played", "level", "Give -120 to 0 dBFS.")


def _amplitude(level_dbfs: float) -> float:
    return float(10.0 ** (level_dbfs / 20.0))


def _edges(time_s: FloatArray, duration_s: float) -> FloatArray:
    near_s = np.minimum(time_s, duration_s - time_s)
    share = np.clip(near_s / min(EDGE_S, duration_s / 4.0), 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(math.pi * share))
