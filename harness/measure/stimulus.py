"""Which tones the audio holds over time: one, one after another, one that sweeps, or many.

A frame of half a second whose tone stands clear gives one record. Where it does not, because the
tone steps, sweeps or comes with others, the frame is looked at in grains of 40 ms: a sine of
straight-running frequency fitted to each. Tones that stand together are told from the spectrum of
the frame, and their spectra added up.

    recognised as   when
    multitone       most frames hold three lines or more within 15 dB, and little else
    stepped         most of the time with a tone lies on plateaus, of two frequencies or more
    swept           most of it does not, and it runs through an octave or more
    single          a tone for most of the time, on one frequency
    none            else
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.dsp.channel import lowpass_taps
from harness.dsp.spectrum import band_power, power_density
from harness.dsp.tone import Chirp, fit_chirp, fit_tone, strongest_tone_hz
from harness.errors import NoTone, TooShort
from harness.measure.audio_frame import AudioFrame
from harness.measure.modulation import (
    SPEECH_HIGH_HZ,
    SPEECH_LOW_HZ,
    SUBAUDIBLE_HIGH_HZ,
    SUBAUDIBLE_LOW_HZ,
    ToneFrame,
    without_tone,
)
from harness.uncertainty import rectangular

FloatArray = NDArray[np.float64]

StimulusKind = Literal["none", "single", "stepped", "swept", "multitone"]
STIMULUS_LABELS: dict[str, StimulusKind] = {
    "stepped tones": "stepped",
    "swept tone": "swept",
    "multitone": "multitone",
}
"""Labels of a step that say which stimulus it holds."""

BAND_HZ = (280.0, 3500.0)
"""Where the tones of a response are looked for. Chosen: the speech band and its edges."""
GRAIN_S = 0.04
HOP_S = 0.02
CLEAR_RATIO = 2.0
"""Tone to all else in the band (power) from which a frame can count as one tone. Chosen."""
LOW_RATE_HZ = 9000.0
"""Grains are looked at at no less than this rate."""
LOBE_SHARE = 0.5
"""Least share of a grain's power in one line for it to be worth a fit. Chosen."""
GRAIN_RATIO = 4.0
"""The same of a grain that is kept. Chosen: 6 dB."""
SLOPES = np.arange(-10, 11)
PLATEAU_HZ = 1.5
"""A plateau's frequency stays within this, or within what noise moves it. Chosen."""
PIECES = 25
UNEVEN = 0.03
UNEVEN_SIGMAS = 4.5
"""A frame is cut in pieces; one that is off by more than this and its noise is uneven. Chosen."""
PLATEAU_S = 0.1
SAME_AMPLITUDE = 0.03
"""Two stretches of one frequency whose amplitudes differ by more are two plateaus. Chosen."""
APART = 0.01
MOST = 0.5
MULTITONE_MOST = 0.6
OCTAVE = 2.0
LINE_BINS = 3
NEAR_BINS, FAR_BINS = 10, 30
"""Where noise about a line is looked at. Chosen: past the foot of its window."""
LINES_WITHIN = 10.0**-1.5
HARMONIC_WITHIN = 0.1
LINE_TO_NOISE = 30.0
LINES_SHARE = 0.6
RESPONSE_WITHIN = 10.0**-2.6
"""Lines more than 26 dB below the strongest may be mixing products: not taken for tones. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneRecord:
    """A tone over a short stretch; variances are of its noise alone."""

    start_s: float
    duration_s: float
    frequency_hz: float
    frequency_variance: float
    amplitude: float
    amplitude_variance: float
    is_grain: bool

    @property
    def end_s(self) -> float:
        """When the stretch ends."""
        return self.start_s + self.duration_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Plateau:
    """A tone that stayed: mean frequency, amplitude and its variance, over a span of time."""

    start_s: float
    end_s: float
    frequency_hz: float
    amplitude: float
    amplitude_variance: float
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LineTone:
    """One of several tones that stand together."""

    frequency_hz: float
    amplitude: float
    amplitude_variance: float


class StimulusTrack:
    """Frames of audio in, records of their tones out; memory a few numbers a frame or grain.

    Parameters
    ----------
    sample_rate_hz : float, of the audio
    """

    def __init__(self, sample_rate_hz: float) -> None:
        self._rate_hz = sample_rate_hz
        decimation = max(int(sample_rate_hz / LOW_RATE_HZ), 1)
        self._taps = lowpass_taps(
            BAND_HZ[1], sample_rate_hz / decimation - BAND_HZ[1], sample_rate_hz, decimation
        )
        self.records: list[ToneRecord] = []
        self.total_s = 0.0
        self._together_s = 0.0
        self._density: FloatArray | None = None
        self._densities = 0
        self._bin_hz = 0.0

    def add(self, audio: FloatArray, found: ToneFrame, frame: AudioFrame) -> None:
        """Take a frame of audio, the strongest tone that was found in it, and its numbers."""
        duration_s, start_s = found.duration_s, frame.start_s
        self.total_s += duration_s
        beside = found.residual_power(SPEECH_LOW_HZ, SPEECH_HIGH_HZ)
        ratio = found.tone_power / beside if beside > 0.0 else math.inf
        if ratio > CLEAR_RATIO and self._is_even(audio, frame):
            self.records.append(
                ToneRecord(
                    start_s=start_s,
                    duration_s=duration_s,
                    frequency_hz=frame.tone_hz,
                    frequency_variance=frame.tone_variance,
                    amplitude=frame.amplitude,
                    amplitude_variance=frame.amplitude_variance,
                    is_grain=False,
                )
            )
            return
        if self._stand_together(audio):
            self._together_s += duration_s
            return
        self._grains(_without_subaudible(audio, self._rate_hz), start_s)

    def kind(self) -> StimulusKind:
        """Say what the audio holds."""
        if self._together_s >= MULTITONE_MOST * self.total_s > 0.0:
            return "multitone"
        toned_s = _union_s(self.records)
        if not toned_s or toned_s < MOST * self.total_s:
            return "none"
        plateaus = self.plateaus()
        steady_s = sum(p.end_s - p.start_s for p in plateaus)
        found_hz = _distinct([p.frequency_hz for p in plateaus])
        if steady_s >= MOST * toned_s:
            return "stepped" if len(found_hz) > 1 else "single"
        low_hz, high_hz = np.percentile([r.frequency_hz for r in self.records], [2.0, 98.0])
        return "swept" if high_hz > OCTAVE * low_hz else "none"

    def plateaus(self) -> list[Plateau]:
        """Give the stretches over which frequency and amplitude stay.

        The first and the last record of a stretch may hold a part of its neighbour and are left
        out, a frame only where more is left than it.
        """
        given = []
        for run in _runs(self.records):
            inner = run
            for end in (0, -1):
                rest = inner[1:] if end == 0 else inner[:-1]
                if inner and (inner[end].is_grain or _span_s(rest) > inner[end].duration_s):
                    inner = rest
            if _span_s(inner) < PLATEAU_S:
                continue
            given.append(_plateau(inner))
        return given

    def lines(self) -> list[LineTone]:
        """Give the tones that stand together."""
        if self._density is None:
            return []
        density = self._density / self._densities
        found = _lines(density, self._bin_hz, RESPONSE_WITHIN, self._densities)
        return [
            replace(t, amplitude_variance=t.amplitude_variance / self._densities) for t in found
        ]

    def _is_even(self, audio: FloatArray, frame: AudioFrame) -> bool:
        """Whether a tone with something beside it is the same all through the frame.

        A tone that gives way to the next, or slowly sweeps, departs from its mean in a piece.
        """
        angle = 2.0 * np.pi * frame.tone_hz / self._rate_hz * np.arange(len(audio))
        turned = (audio - audio.mean()) * np.exp(-1j * angle)
        length = len(audio) // PIECES
        # No window: a neighbour at the very edge of the frame must show.
        pieces = 2.0 * turned[: PIECES * length].reshape(PIECES, length).mean(axis=1)
        scatter = math.sqrt(frame.amplitude_variance * PIECES)
        off = float(np.abs(pieces - pieces.mean()).max())
        return off < UNEVEN * frame.amplitude + UNEVEN_SIGMAS * scatter

    def _stand_together(self, audio: FloatArray) -> bool:
        bin_hz = self._rate_hz / len(audio)
        density = power_density(audio - audio.mean(), self._rate_hz)
        if BAND_HZ[1] > (len(density) - 4) * bin_hz:
            return False
        lines = _lines(density, bin_hz, LINES_WITHIN, 1)
        if len(lines) < 3:
            return False
        strongest = max(lines, key=lambda line: line.amplitude)
        counted = [
            line
            for line in lines
            if not _is_harmonic(line.frequency_hz, strongest.frequency_hz, bin_hz)
            or line.amplitude**2 >= HARMONIC_WITHIN * strongest.amplitude**2
        ]
        held = sum(line.amplitude**2 / 2.0 for line in counted)
        if len(counted) < 3 or held < LINES_SHARE * band_power(density, bin_hz, *BAND_HZ, None):
            return False
        if self._density is None:
            self._density, self._bin_hz = np.zeros(len(density)), bin_hz
        if len(density) == len(self._density):
            self._density += density
            self._densities += 1
        return True

    def _grains(self, audio: FloatArray, start_s: float) -> None:
        decimation = max(int(self._rate_hz / LOW_RATE_HZ), 1)
        if decimation > 1:
            half = len(self._taps) // 2
            audio = np.convolve(audio, self._taps, mode="valid")[::decimation]
            start_s += half / self._rate_hz
        rate_hz = self._rate_hz / decimation
        length, hop = round(GRAIN_S * rate_hz), round(HOP_S * rate_hz)
        for first in range(0, len(audio) - length + 1, hop):
            record = _grain(audio[first : first + length], rate_hz, start_s + first / rate_hz)
            if record is not None:
                self.records.append(record)


def _grain(audio: FloatArray, rate_hz: float, start_s: float) -> ToneRecord | None:
    chirp = _best_chirp(audio - audio.mean(), rate_hz)
    if chirp is None or not BAND_HZ[0] <= chirp.frequency_hz <= BAND_HZ[1]:
        return None
    bin_hz = rate_hz / len(audio)
    density = power_density(chirp.residual, rate_hz)
    beside = band_power(density, bin_hz, *BAND_HZ, None)
    if chirp.amplitude**2 / 2.0 < GRAIN_RATIO * beside:
        return None
    k = round(chirp.frequency_hz / bin_hz)
    local = float(density[max(k - 8, 1) : k + 9].mean())
    duration_s = len(audio) / rate_hz
    variance = local / duration_s
    return ToneRecord(
        start_s=start_s,
        duration_s=duration_s,
        frequency_hz=chirp.frequency_hz,
        # Of a sine's frequency in white noise of one-sided density S: 3 S / (pi^2 a^2 T^3).
        frequency_variance=3.0 * variance / (math.pi * chirp.amplitude * duration_s) ** 2,
        amplitude=math.sqrt(max(chirp.amplitude**2 - 2.0 * variance, 0.0)),
        amplitude_variance=variance,
        is_grain=True,
    )


def _best_chirp(audio: FloatArray, rate_hz: float) -> Chirp | None:
    """Fit a chirp from the best of a row of slopes, each turned straight and transformed."""
    n = len(audio)
    duration_s = n / rate_hz
    t = (np.arange(n) - (n - 1) / 2.0) / rate_hz
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(n) / n)
    # Neighbouring slopes differ by 1 rad at the ends.
    slopes = SLOPES * 4.0 / (math.pi * duration_s**2)
    turned = (audio * window) * np.exp(-1j * np.pi * slopes[:, None] * t * t)
    size = 2 << (n - 1).bit_length()
    lines = np.abs(np.fft.fft(turned, size, axis=1)) ** 2
    first, last = (round(edge * size / rate_hz) for edge in BAND_HZ)
    band = lines[:, first : last + 1]
    row, k = np.unravel_index(np.argmax(band), band.shape)
    # The main lobe is four bins of the grain, eight or so of the padded transform.
    lobe = band[row, max(int(k) - 5, 0) : int(k) + 6]
    if float(lobe.sum()) < LOBE_SHARE * float(band[row].sum()):
        return None
    guess_hz = (first + int(k)) * rate_hz / size
    try:
        return fit_chirp(audio, rate_hz, guess_hz, float(slopes[row]))
    except (NoTone, TooShort):
        return None


def _without_subaudible(audio: FloatArray, rate_hz: float) -> FloatArray:
    """Take a strong tone below the speech band out: it would lean on the lowest tones."""
    try:
        guess_hz = strongest_tone_hz(audio, rate_hz, SUBAUDIBLE_LOW_HZ, SUBAUDIBLE_HIGH_HZ)
        tone = fit_tone(audio, rate_hz, guess_hz)
    except (NoTone, TooShort):
        return audio
    return without_tone(audio, rate_hz, tone)


def _lines(density: FloatArray, bin_hz: float, within: float, averages: int) -> list[LineTone]:
    """Find lines of a Hann density in the band, not weaker than a share of the strongest.

    The noise of each is the median of the bins about it: the foot of the line, and a neighbour
    among them, do not move it much. Of n averages the median lies at about 1 - 0.307 / n of the
    mean (exact for one).
    """
    first, last = (round(edge / bin_hz) for edge in BAND_HZ)
    found: list[LineTone] = []
    strongest = float(density[first : last + 1].max())
    duration_s = 1.0 / bin_hz
    for k in range(max(first, FAR_BINS), min(last, len(density) - FAR_BINS - 1) + 1):
        near = density[k - LINE_BINS : k + LINE_BINS + 1]
        if density[k] < within * strongest or density[k] < near.max():
            continue
        beside = np.r_[
            density[k - FAR_BINS : k - NEAR_BINS + 1], density[k + NEAR_BINS : k + FAR_BINS + 1]
        ]
        noise = float(np.median(beside)) / (1.0 - 0.307 / averages)
        if density[k] < LINE_TO_NOISE * noise:
            continue
        power = (float(near.sum()) - noise * len(near)) * bin_hz
        place = float(near @ np.arange(k - LINE_BINS, k + LINE_BINS + 1)) / float(near.sum())
        found.append(
            LineTone(
                frequency_hz=place * bin_hz,
                amplitude=math.sqrt(max(2.0 * power, 0.0)),
                # Each part of a line through a Hann window has the variance 1.5 S / T.
                amplitude_variance=1.5 * noise / duration_s,
            )
        )
    return found


def _is_harmonic(frequency_hz: float, of_hz: float, bin_hz: float) -> bool:
    order = round(frequency_hz / of_hz)
    return order >= 2 and abs(frequency_hz - order * of_hz) < 2.0 * bin_hz


def _runs(records: Sequence[ToneRecord]) -> list[list[ToneRecord]]:
    """Cut the records where frequency or amplitude moves, or where one is missing."""
    runs: list[list[ToneRecord]] = []
    for record in records:
        begun = runs[-1] if runs else None
        if begun is not None and _continues(begun, record):
            begun.append(record)
        else:
            runs.append([record])
    return runs


def _continues(run: Sequence[ToneRecord], record: ToneRecord) -> bool:
    first, last = run[0], run[-1]
    if record.start_s > last.end_s + HOP_S:
        return False
    # A grain that straddles a step of amplitude differs from both sides, and ends the run.
    noise = 4.0 * math.sqrt(first.frequency_variance + record.frequency_variance)
    scatter = 4.0 * math.sqrt(first.amplitude_variance + record.amplitude_variance)
    return abs(record.frequency_hz - first.frequency_hz) <= PLATEAU_HZ + noise and abs(
        record.amplitude - first.amplitude
    ) <= max(SAME_AMPLITUDE * first.amplitude, scatter)


def _plateau(records: Sequence[ToneRecord]) -> Plateau:
    """Average records, by duration; grains overlap by half, which their weights do not show."""
    seconds = np.array([r.duration_s for r in records])
    share = seconds / seconds.sum()
    values = np.array([r.amplitude for r in records])
    overlap = np.array([GRAIN_S / HOP_S if r.is_grain else 1.0 for r in records])
    variances = np.array([r.amplitude_variance for r in records]) * overlap
    for end in (0, -1):
        if not records[end].is_grain:
            variances[end] += _edge_variance(records[end])
    return Plateau(
        start_s=records[0].start_s,
        end_s=records[-1].end_s,
        frequency_hz=float(share @ [r.frequency_hz for r in records]),
        amplitude=float(share @ values),
        amplitude_variance=float(share**2 @ variances),
        count=len(records),
    )


def _span_s(records: Sequence[ToneRecord]) -> float:
    return records[-1].end_s - records[0].start_s if records else 0.0


def _edge_variance(record: ToneRecord) -> float:
    """Variance by as much of a neighbour as a frame may hold at its edge without being uneven."""
    scatter = math.sqrt(record.amplitude_variance * PIECES)
    most = (UNEVEN * record.amplitude + UNEVEN_SIGMAS * scatter) / PIECES
    return rectangular(most / 2.0) ** 2


def _union_s(records: Sequence[ToneRecord]) -> float:
    """Time that the records cover."""
    total = 0.0
    for record, following in itertools.zip_longest(records, records[1:]):
        end_s = record.end_s
        if following is not None:
            end_s = min(end_s, max(following.start_s, record.start_s))
        total += end_s - record.start_s
    return total


def _distinct(values: Sequence[float]) -> list[float]:
    given: list[float] = []
    for value in sorted(values):
        if not given or value > given[-1] * (1.0 + APART):
            given.append(value)
    return given
