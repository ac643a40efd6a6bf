"""Subaudible tone: frequency and deviation of a tone below speech, and its name on the list.

Looked for in each stretch of demodulated frequency after the test tone has been taken out, so that
it is found beside one as well as alone. It counts when most stretches hold it, with more deviation
than hum has.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from harness.dsp.spectrum import power_density
from harness.measure.modulation import FITTED_TONE_BINS, FoundTones, without_tone
from harness.readings import Reading, measured
from harness.uncertainty import Contribution, scaled

FloatArray = NDArray[np.float64]

LEAST_S = 0.25
"""Shorter stretches are not searched: 17 periods of the lowest tone. Chosen."""
LEAST_DEVIATION_SPACINGS = 0.004
"""Less deviation than this share of the channel spacing is hum: 50 Hz in a 12.5 kHz channel, a
seventh of what is usual. Chosen."""
SAME_HZ = 1.0
"""Stretches whose tones are further apart do not hold the same one. Chosen."""
NAMED_WITHIN = 0.006
"""A tone has a name of the list within this share of its frequency: a good third of the closest
spacing of the 37. Chosen."""
MANY_STRETCHES = 5
BESIDE_SHARE, BESIDE_BINS = 0.15, 10
"""Noise is looked at so far to each side of the tone. Chosen: some twenty bins."""
LEAST_BESIDE_HZ, MOST_BESIDE_HZ = 20.0, 290.0
"""But not outside of these: 0 Hz, and speech. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedTone:
    """A row of the list; ``group`` is empty for a tone that is not of EIA/TIA RS-220."""

    tone_hz: float
    group: str


def _load() -> tuple[ListedTone, ...]:
    text = (files("harness") / "data" / "ctcss_tones.csv").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return tuple(
        ListedTone(tone_hz=float(row["tone_hz"]), group=row["eia_group"])
        for row in csv.DictReader(lines)
    )


LISTED: tuple[ListedTone, ...] = _load()


def name_of(frequency_hz: float) -> str:
    """Say which tone of the list it is, and whether of the standard one."""
    nearest = min(LISTED, key=lambda row: abs(row.tone_hz - frequency_hz))
    if abs(nearest.tone_hz - frequency_hz) > NAMED_WITHIN * nearest.tone_hz:
        return "on no list of tones"
    if nearest.group:
        return f"{nearest.tone_hz:.1f} Hz of EIA/TIA RS-220, group {nearest.group}"
    return f"{nearest.tone_hz:.1f} Hz, in common use, but not one of the 37 of EIA/TIA RS-220"


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseBeside:
    """Noise about a tone, power per Hz, and that far from it, by distance squared, per Hz^2."""

    density: float
    far: float


def noise_beside(density: FloatArray, bin_hz: float, tone_hz: float) -> NoiseBeside:
    """Give the noise about a tone that has been taken out: a discriminator's rises with frequency.

    Parameters
    ----------
    density : float64, shape (n,), one-sided, at k * bin_hz
    """
    reach_hz = max(BESIDE_SHARE * tone_hz, BESIDE_BINS * bin_hz)
    low, high = (
        round(min(max(tone_hz + side, LEAST_BESIDE_HZ), MOST_BESIDE_HZ) / bin_hz)
        for side in (-reach_hz, reach_hz)
    )
    away_hz = np.arange(high + 1, len(density)) * bin_hz - tone_hz
    far = float(np.sum(density[high + 1 :] / away_hz**2)) * bin_hz
    # The fit has taken its own place out: half a bin for each of what it found.
    taken = FITTED_TONE_BINS / (high + 1 - low)
    return NoiseBeside(density=float(density[low : high + 1].mean()) / (1.0 - taken), far=far)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    frequency_hz: float
    frequency_variance: float
    deviation_hz: float
    deviation_variance: float
    duration_s: float


class SubaudibleTone:
    """What was found in stretches of demodulated frequency in, readings out.

    Parameters
    ----------
    sample_rate_hz, spacing_hz : float, of the channel
    """

    def __init__(self, sample_rate_hz: float, spacing_hz: float) -> None:
        self._rate_hz = sample_rate_hz
        self._least_hz = LEAST_DEVIATION_SPACINGS * spacing_hz
        self._found: list[_Found] = []
        self._searched_s = 0.0

    def add(self, tones: FoundTones) -> None:
        """Take what was found in an uninterrupted stretch of demodulated frequency, in Hz."""
        audio, tone = tones.rest, tones.subaudible
        duration_s = len(audio) / self._rate_hz
        if duration_s < LEAST_S:
            return
        self._searched_s += duration_s
        if tone is None or tone.amplitude < self._least_hz:
            return
        left = without_tone(audio, self._rate_hz, tone) - tone.mean
        density = power_density(left, self._rate_hz)
        beside = noise_beside(density, self._rate_hz / len(audio), tone.frequency_hz)
        # What of the noise far away comes in at the ends of the stretch: the transform of a
        # constant over time T falls as 1 / (pi f), its square is T in all; that of a slope as
        # T / (2 pi f), and T^3 / 12.
        variance = (beside.density + 0.5 / math.pi**2 * beside.far / duration_s) / duration_s
        of_frequency = (beside.density + 1.5 / math.pi**2 * beside.far / duration_s) / duration_s
        self._found.append(
            _Found(
                frequency_hz=tone.frequency_hz,
                # Of a sine's frequency in white noise of one-sided density S: 3 S / (pi^2 a^2 T^3)
                # (Rife & Boorstyn, IEEE Trans. Inf. Theory 20 (1974) 591, from memory).
                frequency_variance=3.0
                * of_frequency
                / (math.pi * tone.amplitude * duration_s) ** 2,
                deviation_hz=math.sqrt(max(tone.amplitude**2 - 2.0 * variance, 0.0)),
                deviation_variance=variance,
                duration_s=duration_s,
            )
        )

    def readings(
        self, clock: Sequence[Contribution], recordings: tuple[str, ...]
    ) -> tuple[Reading, ...]:
        """Give frequency and deviation; nothing where most of the time holds no such tone.

        Parameters
        ----------
        clock : uncertainty of the recorder's clock error, in ppm
        """
        if not self._found:
            return ()
        middle_hz = float(np.median([f.frequency_hz for f in self._found]))
        held = [f for f in self._found if abs(f.frequency_hz - middle_hz) < SAME_HZ]
        if 2.0 * sum(f.duration_s for f in held) < self._searched_s:
            return ()
        tone_hz, tone_standard_hz = _mean(
            [f.frequency_hz for f in held],
            [f.frequency_variance for f in held],
            # What a stretch tells of frequency grows as the cube of its length.
            [f.duration_s**3 for f in held],
        )
        deviation_hz, deviation_standard_hz = _mean(
            [f.deviation_hz for f in held],
            [f.deviation_variance for f in held],
            [f.duration_s for f in held],
        )
        given = []
        for name, value_hz, standard_hz, note in (
            ("subaudible_tone", tone_hz, tone_standard_hz, name_of(tone_hz)),
            ("subaudible_deviation", deviation_hz, deviation_standard_hz, ""),
        ):
            repeat = Contribution(
                name=f"{name}.repeatability",
                standard_uncertainty=standard_hz,
                kind="A",
                source="noise beside the tone",
            )
            given.append(
                measured(
                    name,
                    value_hz,
                    [repeat, *scaled(clock, value_hz * 1e-6)],
                    count=len(held),
                    recordings=recordings,
                    note=note,
                )
            )
        return tuple(given)


def _mean(
    values: Sequence[float], variances: Sequence[float], weights: Sequence[float]
) -> tuple[float, float]:
    """Weighted mean and its standard uncertainty, the scatter's where that is larger."""
    share = np.array(weights) / np.sum(weights)
    mean = float(share @ np.array(values))
    variance = float(share**2 @ np.array(variances))
    if len(values) >= MANY_STRETCHES:
        scatter = float(share**2 @ (np.array(values) - mean) ** 2)
        variance = max(variance, scatter * len(values) / (len(values) - 1))
    return mean, math.sqrt(variance)
