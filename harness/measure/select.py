"""Which channel of a recording is measured, and which part of it.

In this order: what the user says; an annotation with frequency edges; the unit file by the
recording's role; the strongest emission, with a caution (DESIGN section 3, Conventions).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from harness.dsp.decode import decode
from harness.errors import BadInput
from harness.recordings import Recording

if TYPE_CHECKING:
    from harness.describe import Unit

DEFAULT_SPACING_HZ = 12500.0
LEAST_SPACING_HZ = 1000.0
"""No voice fits into less; chosen."""
LOOK_SAMPLES = 8192
LOOK_PIECES = 200
CENTRE_BINS = 3
"""Bins on each side of the recorder's centre that its DC spike may fill. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What the user asks for instead of what would be found; None where nothing was said."""

    at_hz: float | None = None
    spacing_hz: float | None = None
    span_s: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        """Refuse what no channel can be."""
        if self.spacing_hz is not None and not LEAST_SPACING_HZ <= self.spacing_hz < math.inf:
            raise BadInput(
                f"{self.spacing_hz:g} Hz is no channel spacing", "--spacing", "Give it in Hz."
            )
        if self.at_hz is not None and not math.isfinite(self.at_hz):
            raise BadInput(f"{self.at_hz:g} Hz is no frequency", "--at", "Give it in Hz.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """The chosen channel: where its middle is to be, what it ought to be, and its span.

    ``middle_hz`` is the radio frequency that becomes 0 Hz; ``nominal_hz`` None when nobody
    said what the carrier ought to be; ``span_s`` None for the whole recording.
    """

    middle_hz: float
    nominal_hz: float | None
    spacing_hz: float
    span_s: tuple[float, float] | None
    caution: str = ""


def select_channel(
    recording: Recording, unit: Unit | None, wish: Wish, *, clock_error_ppm: float
) -> Selection:
    """Choose the channel of a recording.

    Raises
    ------
    BadInput : the channel lies outside the recording, or the recording holds nothing to choose.
    """
    spacing = wish.spacing_hz or (unit.channel_spacing_hz if unit else DEFAULT_SPACING_HZ)
    at_hz, span_s = wish.at_hz, wish.span_s
    if at_hz is not None:
        return Selection(middle_hz=at_hz, nominal_hz=at_hz, spacing_hz=spacing, span_s=span_s)
    for note in recording.annotations:
        if note.freq_lower_hz is None or note.freq_upper_hz is None:
            continue
        middle_hz = (note.freq_lower_hz + note.freq_upper_hz) / 2.0
        span = span_s
        if span is None and note.sample_count:
            rate_hz = recording.sample_rate_hz * (1.0 + clock_error_ppm * 1e-6)
            begin = note.start_sample
            span = (begin / rate_hz, (begin + note.sample_count) / rate_hz)
        return Selection(
            middle_hz=middle_hz,
            nominal_hz=middle_hz,
            spacing_hz=spacing,
            span_s=span,
        )
    if unit is not None and recording.role in ("input", "output"):
        nominal_hz = unit.receive_hz if recording.role == "input" else unit.transmit_hz
        return Selection(
            middle_hz=nominal_hz, nominal_hz=nominal_hz, spacing_hz=spacing, span_s=span_s
        )
    offset_hz = strongest_emission_hz(recording, spacing)
    centre_hz = recording.segments[0].centre_hz * (1.0 + clock_error_ppm * 1e-6)
    return Selection(
        middle_hz=centre_hz + offset_hz,
        nominal_hz=None,
        spacing_hz=spacing,
        span_s=span_s,
        caution=(
            f"{recording.name}: no channel was named; the strongest emission, near"
            f" {(centre_hz + offset_hz) / 1e6:.4f} MHz, was measured (--at chooses)."
        ),
    )


def strongest_emission_hz(recording: Recording, spacing_hz: float) -> float:
    """Find the middle of the strongest emission, in Hz from the recording's centre.

    The highest power within a channel spacing over some two hundred short looks spread over
    the whole recording; of each look the power, so that a short burst counts as well.
    """
    count = recording.sample_count
    rate_hz = recording.sample_rate_hz
    length = min(LOOK_SAMPLES, 1 << max(count.bit_length() - 1, 0))
    if length < 64:
        raise BadInput(
            f"{count} samples are too few to look for an emission", recording.name, "Record longer."
        )
    starts = np.unique(np.linspace(0, count - length, LOOK_PIECES).astype(int))
    window = np.hanning(length)
    total = np.zeros(length)
    for start in starts:
        for block in recording.blocks(length, int(start), int(start) + length):
            if len(block.samples) < length:
                continue
            numbers = decode(block.samples, recording.datatype)
            lines = np.fft.fft((numbers[:, 0] + 1j * numbers[:, 1]) * window)
            total += lines.real**2 + lines.imag**2
    total[: CENTRE_BINS + 1] = total[-CENTRE_BINS:] = np.median(total)
    spectrum = np.fft.fftshift(total)
    width = max(int(spacing_hz / rate_hz * length), 1)
    reach = length - width + 1
    if reach < 1:
        return 0.0
    sums = np.convolve(spectrum, np.ones(width), mode="valid")
    first = int(np.argmax(sums))
    inside = np.maximum(spectrum[first : first + width] - np.median(spectrum), 0.0)
    places = np.arange(first, first + width)
    middle = float(np.average(places, weights=inside)) if inside.sum() else first + width / 2
    offset_hz = (middle - length // 2) * rate_hz / length
    most_hz = rate_hz / 2 - 0.61 * spacing_hz
    return float(np.clip(offset_hz, -most_hz, most_hz)) if most_hz > 0 else 0.0
