"""The emission: mean power and peak hold per line while keyed, and what the recorder adds itself.

Segments of a fixed length, half overlapping. A segment counts as keyed when its power is within
6 dB of the strongest so far and it holds no step; a much stronger one begins the sums anew, and
what was gathered before it was then the recorder without the transmitter. The keyed segments are
dealt in turn to a few groups, whose scatter tells the repeatability of whatever is worked out.

The recorder's own share of each line is made of three parts:

- noise: the quietest part of the channel while keyed, or the line as it stands with the
  transmitter off, whichever is more;
- the image: unequal gain and phase of I and Q add a small part b of the conjugate, mirrored about
  the recorder's centre. For any emission but one that lies on its own image, the mean of z^2 in
  the frame of the recorder's centre is 0, so that mean(z^2) = 2 b mean(|z|^2) gives b (a blind
  estimate by the impropriety of the samples; common practice, no source);
- the spike at the recorder's centre, above what stands beside it.

Memory: some twenty arrays of the segment's length, whatever the length of the recording.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from harness.blocks import Block, Frames
from harness.dsp.demodulate import power
from harness.dsp.spectrum import LineSpectrum, band_power, line_samples
from harness.readings import ConditionValue
from harness.uncertainty import Contribution
from harness.units import FloatArray, ratio_from_db

GROUPS = 8
KEYED_SHARE = 0.25
"""A segment weaker than this share of the strongest is not keyed, or not in the same way. Chosen:
6 dB, more than a battery run sags before its end."""
OFF_SHARE = 0.1
"""A segment weaker than this is the recorder alone. Chosen."""
STEADY_SHARE = 0.25
"""A segment in which a grain falls under this share of its mean holds a step. Chosen."""
GRAINS = 32
LEAST_OFF_SEGMENTS = 4
QUIET_SHARE = 0.25
"""The noise is where the quietest quarter of the pieces of the channel ends. Chosen: less would
find the noise low by its own scatter, more would want a channel mostly empty."""
QUIET_SIGMAS = 3.0
"""Pieces no further above the quietest quarter, in their own scatter, are noise as well. Chosen."""
CENTRE_REACH_LINES = 6
"""Lines on each side that a spike fills: the flat-top window's main lobe is 5 wide."""
LIKELY_IMAGE = ratio_from_db(-30.0)
"""Image of a low-cost receiver where it cannot be measured. Chosen."""
MOST_IMAGE = ratio_from_db(-10.0)
CHANNEL_SHARE = 0.66
"""The carrier's power is that within this share of the spacing on each side of it: all of a
transmitter's emission, nothing of the adjacent channels' measuring bandwidths. Chosen."""

NOISE_SPREAD = 0.06
"""Relative standard uncertainty of the recorder's own part of a line. Chosen: a quarter of a dB,
for a floor that is not quite flat."""
CLEAR_RATIO = 2.0
"""What is measured must be this many times the recorder's own part to be more than a bound.
Chosen: the emission is then at least as strong as the floor."""
DB_PER_SHARE = 10.0 / math.log(10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Emission:
    """The lines of an emission; all arrays float64.

    Parameters
    ----------
    offset_hz : shape (n,), rising, from the middle of the channel
    lines : shape (n,), mean power per line; 1.0 is 0 dBFS
    highest : shape (n,), peak hold
    groups : shape (g, n), mean power per line in each group of segments
    noise : shape (n,), the recorder's own noise per line, transmitter-off lines included
    image, spike : shape (n,), the recorder's image and centre spike per line
    count : segments. resolution_hz : equivalent noise bandwidth of a line
    middle_hz : where the channel's middle ought to be; that of the emission when nobody said
    carrier_hz : middle of the emission. carrier_power : 1.0 is 0 dBFS, noise taken off
    flat_hz : how far from the middle the channel is flat
    image_ratio : power of the recorder's image to that of the emission
    recorder_hz : where the recorder's centre lies, from the middle of the channel; None if unknown
    """

    offset_hz: FloatArray
    lines: FloatArray
    highest: FloatArray
    groups: FloatArray
    noise: FloatArray
    image: FloatArray
    spike: FloatArray
    count: int
    resolution_hz: float
    middle_hz: float
    carrier_hz: float
    carrier_power: float
    flat_hz: float
    image_ratio: float
    recorder_hz: float | None

    @property
    def own(self) -> FloatArray:
        """What the recorder adds to each line."""
        return self.noise + self.image + self.spike

    @property
    def line_hz(self) -> float:
        """Distance of the lines."""
        return float(self.offset_hz[1] - self.offset_hz[0])

    def band(self, lines: FloatArray, low_hz: float, high_hz: float) -> float:
        """Power of lines between two offsets."""
        first_hz = float(self.offset_hz[0])
        return band_power(
            lines / self.resolution_hz, self.line_hz, low_hz - first_hz, high_hz - first_hz, None
        )


class EmissionWatch:
    """Gathers the emission of a channel.

    Parameters
    ----------
    sample_rate_hz : float, of the channel blocks
    resolution_hz : float, width of a line, kept or a little less
    recorder_hz : float or None, where in the channel blocks the recorder's centre lies
    """

    def __init__(
        self, sample_rate_hz: float, resolution_hz: float, recorder_hz: float | None
    ) -> None:
        self.length = line_samples(resolution_hz, sample_rate_hz)
        self._rate_hz = sample_rate_hz
        self._recorder_hz = recorder_hz
        self._frames = Frames(self.length, self.length // 2)
        n = np.arange(self.length)
        self._hann = 0.5 - 0.5 * np.cos(2.0 * np.pi * n / self.length)
        self._level = 0.0
        self._off = LineSpectrum(self.length, sample_rate_hz)
        self.unsteady = 0
        self._begin()

    def _begin(self) -> None:
        self._groups = [LineSpectrum(self.length, self._rate_hz) for _ in range(GROUPS)]
        self._count = 0
        self._improper = 0.0 + 0.0j
        self._proper = 0.0

    @property
    def count(self) -> int:
        """Keyed segments so far."""
        return self._count

    def push(self, block: Block) -> None:
        """Take a complex channel block."""
        for frame in self._frames.push(block):
            self._take(frame)

    def _take(self, frame: Block) -> None:
        samples_power = power(frame.samples)
        mean = float(samples_power.mean())
        grain = len(samples_power) // GRAINS
        lowest = float(samples_power[: grain * GRAINS].reshape(GRAINS, grain).mean(axis=1).min())
        if mean <= 0.0:
            return
        is_steady = lowest >= STEADY_SHARE * mean
        if mean * OFF_SHARE > self._level and is_steady:
            if self._level > 0.0 and self._count:
                self._off = self._joined()
            self._begin()
            self._level = mean
        elif mean * KEYED_SHARE > self._level and is_steady:
            self._begin()
            self._level = mean
        if mean < OFF_SHARE * self._level:
            if is_steady:
                self._off.add(frame.samples)
        elif not is_steady:
            self.unsteady += 1
        elif mean >= KEYED_SHARE * self._level:
            self._level = max(self._level, mean)
            self._add(frame)

    def _joined(self) -> LineSpectrum:
        joined = LineSpectrum(self.length, self._rate_hz)
        for group in self._groups:
            joined.include(group)
        return joined

    def _add(self, frame: Block) -> None:
        self._groups[self._count % GROUPS].add(frame.samples)
        self._count += 1
        if self._recorder_hz is None:
            return
        turn = self._recorder_hz / self._rate_hz
        turns = (np.arange(frame.start, frame.end) * turn) % 1.0
        turned = frame.samples * np.exp(-2j * np.pi * turns)
        turned = turned - (self._hann @ turned) / self._hann.sum()
        self._improper += complex(self._hann @ (turned * turned))
        self._proper += float(self._hann @ power(turned))

    def emission(
        self, *, spacing_hz: float, flat_hz: float, middle_hz: float | None
    ) -> Emission | None:
        """Work out the emission; None when nothing was keyed for as long as a segment.

        Parameters
        ----------
        spacing_hz : float, channel spacing
        flat_hz : float, how far from the middle the channel blocks are flat
        middle_hz : where the carrier ought to be; None to take it where it is
        """
        if not self._count:
            return None
        whole = self._joined()
        offset_hz, lines = whole.frequency_hz, whole.power()
        resolution_hz = whole.resolution_hz
        groups = np.array([group.power() for group in self._groups if group.count])
        quiet = _quiet(offset_hz, groups, lines, spacing_hz, flat_hz)
        noise = np.full(len(lines), quiet)
        if self._off.count >= LEAST_OFF_SEGMENTS:
            noise = np.maximum(noise, _smoothed(self._off.power()))
        line_hz = float(offset_hz[1] - offset_hz[0])
        spike = self._spike(offset_hz, lines, middle_hz or 0.0, spacing_hz)
        clean = np.clip(lines - noise - spike, 0.0, None)
        near = np.abs(offset_hz - (middle_hz or 0.0)) <= spacing_hz
        total = float(clean[near].sum())
        carrier_hz = float(clean[near] @ offset_hz[near]) / total if total > 0.0 else 0.0
        inside = np.abs(offset_hz - carrier_hz) <= CHANNEL_SHARE * spacing_hz
        # Noise goes off with its sign here, or what it leaves would be counted.
        carrier_power = float((lines - noise)[inside].sum()) * line_hz / resolution_hz
        ratio = self._image_ratio(carrier_hz, spacing_hz, flat_hz)
        return Emission(
            offset_hz=offset_hz,
            lines=lines,
            highest=whole.highest(),
            groups=groups,
            noise=noise,
            image=ratio * self._mirrored(offset_hz, clean),
            spike=spike,
            count=self._count,
            resolution_hz=resolution_hz,
            middle_hz=carrier_hz if middle_hz is None else middle_hz,
            carrier_hz=carrier_hz,
            carrier_power=carrier_power,
            flat_hz=flat_hz,
            image_ratio=ratio,
            recorder_hz=self._recorder_hz,
        )

    def _image_ratio(self, carrier_hz: float, spacing_hz: float, flat_hz: float) -> float:
        """Power of the image to that of the emission."""
        if self._recorder_hz is None or self._proper <= 0.0:
            return 0.0
        distance_hz = abs(carrier_hz - self._recorder_hz)
        if abs(2.0 * self._recorder_hz - carrier_hz) > flat_hz + spacing_hz:
            return 0.0
        ratio = float(abs(self._improper / (2.0 * self._proper)) ** 2)
        # An emission that lies on its own image has a z^2 that does not vanish.
        overlaps = distance_hz < CHANNEL_SHARE * spacing_hz
        return float(min(ratio, LIKELY_IMAGE if overlaps else MOST_IMAGE))

    def _mirrored(self, offset_hz: FloatArray, lines: FloatArray) -> FloatArray:
        """Lines mirrored about the recorder's centre."""
        if self._recorder_hz is None:
            return np.zeros(len(lines))
        places = 2.0 * self._recorder_hz - offset_hz
        return np.asarray(np.interp(places, offset_hz, lines, left=0.0, right=0.0))

    def _spike(
        self, offset_hz: FloatArray, lines: FloatArray, middle_hz: float, spacing_hz: float
    ) -> FloatArray:
        """Give what stands up at the recorder's centre, above the lines beside it."""
        spike = np.zeros(len(lines))
        if self._recorder_hz is None or not offset_hz[0] < self._recorder_hz < offset_hz[-1]:
            return spike
        if abs(self._recorder_hz - middle_hz) < CHANNEL_SHARE * spacing_hz:
            # Within the emission it cannot be told from a line of it.
            return spike
        at = int(np.argmin(np.abs(offset_hz - self._recorder_hz)))
        first, last = max(at - CENTRE_REACH_LINES, 0), at + CENTRE_REACH_LINES + 1
        beside = np.concatenate(
            [lines[max(first - 3 * CENTRE_REACH_LINES, 0) : first], lines[last : last + 18]]
        )
        if len(beside):
            spike[first:last] = np.clip(lines[first:last] - np.median(beside), 0.0, None)
        return spike


def _quiet(
    offset_hz: FloatArray,
    groups: FloatArray,
    lines: FloatArray,
    spacing_hz: float,
    flat_hz: float,
) -> float:
    """Mean power per line of the quietest part of the flat channel.

    Notes
    -----
    Where the quietest quarter ends lies under the mean of the noise, by two thirds of what the
    pieces scatter: the noise is the mean of all pieces that lie no further above it than their
    scatter explains.
    """
    flat = np.abs(offset_hz) <= flat_hz
    count = max(round(8.0 * flat_hz / spacing_hz), 2)
    means = _piece_means(lines[flat], count)
    quiet = float(np.quantile(means, QUIET_SHARE))
    if len(groups) < 2:
        return quiet
    apart = np.array([_piece_means(group[flat], count) for group in groups])
    scatter = apart.std(axis=0, ddof=1) / math.sqrt(len(groups))
    near = means <= np.quantile(means, 2.0 * QUIET_SHARE)
    allowed = QUIET_SIGMAS * float(np.sqrt(np.mean(scatter[near] ** 2)))
    return float(means[means <= quiet + allowed].mean())


def _piece_means(lines: FloatArray, count: int) -> FloatArray:
    return np.array([piece.mean() for piece in np.array_split(lines, count) if len(piece)])


def _smoothed(lines: FloatArray) -> FloatArray:
    """Lines averaged over a few: spurs keep their place, noise loses its scatter."""
    width = 2 * CENTRE_REACH_LINES + 1
    padded = np.pad(lines, width // 2, mode="edge")
    return np.asarray(np.convolve(padded, np.ones(width) / width, mode="valid"))


def emission_conditions(emission: Emission, **more: ConditionValue) -> Mapping[str, ConditionValue]:
    """Give the conditions of a reading of an emission."""
    return {**more, "resolution_bandwidth_hz": float(round(emission.resolution_hz))}


def scatter(name: str, values: FloatArray) -> list[Contribution]:
    """Give the standard uncertainty of a mean from the scatter of the groups of segments."""
    if len(values) < 2:
        return []
    return [
        Contribution(
            name=f"{name}.repeatability",
            standard_uncertainty=float(values.std(ddof=1) / math.sqrt(len(values))),
            kind="A",
            degrees_of_freedom=float(len(values) - 1),
            source="scatter between groups of segments",
        )
    ]
