"""When a test tone ends in the repeated audio, whatever follows it.

A tone is known ahead once it has been fitted: what is left after it is taken off is small up to its
end, and at least the tone itself from there on. So the end is told without any noise burst after
it, and a burst of a millisecond or two is told from none.

1. The audio is fitted in blocks of 20 ms at the tone's frequency; the last of the blocks that are
   tone and little else is where the search begins.
2. One sine is fitted to the tenth of a second before, and goes on from there.
3. Each place is as likely as "this tone before it, something of the later variance after it" makes
   the samples about it; their mean is taken, and its spread is the uncertainty.
4. What follows is a burst when it is louder than an audio filter rings on, and than the end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.dsp.tone import fit_tone, strongest_tone_hz
from harness.errors import HarnessError
from harness.units import FloatArray

SPEECH_HZ = (300.0, 3000.0)
BLOCK_S = 0.02
"""Six periods at 300 Hz. Chosen."""
FITTED_S = 0.1
"""Chosen: hum and noise before the end count as little as one period in thirty."""
LITTLE_ELSE = 0.25
"""A block is tone when so much of the tone's power, or less, is left in it. Chosen: 6 dB, what a
weak signal's audio has; noise leaves ten times as much."""
SAME_LEVEL = 0.5
"""Share of the strongest blocks' amplitude below which a block holds the tone's end. Chosen."""
AHEAD_S = 0.045
"""The end lies within two blocks of the last whole one, and is looked for so far. Chosen."""
RING_S = 5e-4
"""Left out after the tone's end: a third-order filter from 2.8 kHz on has rung down by 30 dB."""
LOOK_S = 1e-3
"""Part after that in which a burst is looked for. Chosen."""
BURST_SHARE = 0.02
"""Less than this of the tone's power is the filter's ringing, no burst. Chosen: -17 dB; open noise
is about as strong as a tone of usual deviation (common practice, no source)."""
CONTRAST = 10.0
LAST_S = 0.005
"""So much at the end has to be something else than the tone. Chosen: five grains of ``tail.py``."""
MEDIAN_SQUARE = 0.455
"""Median of the square of a normal variable of variance 1."""
MEMORY_S = 1.0 / 5400.0
"""Noise of the speech band is about alike for so long: so much of it counts for one sample."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneEnd:
    """A tone's end and what follows it, in samples of the audio.

    Parameters
    ----------
    sample : at which it ends
    uncertainty : standard, by noise
    burst_samples : length of the noise that follows and ends by itself, to half a millisecond; 0
        for none; None where it lasts to the end or longer than was looked
    hides_burst : the audio is so loud to its end that a burst would not be told from it
    """

    sample: float
    uncertainty: float
    burst_samples: float | None
    hides_burst: bool


def find_tone_end(audio: FloatArray, sample_rate_hz: float) -> ToneEnd | None:
    """Find where the last tone of a keying's audio ends, before the audio does.

    Parameters
    ----------
    audio : float64, shape (n,), Hz, without its mean
    sample_rate_hz : float

    Returns
    -------
    ToneEnd ; None where there is no tone, or it lasts to the end
    """
    block = round(BLOCK_S * sample_rate_hz)
    if len(audio) < 8 * block:
        return None
    tone_hz = strongest_tone_hz(audio, sample_rate_hz, *SPEECH_HZ)
    last = _last_whole_block(audio, tone_hz, sample_rate_hz, block)
    if last is None:
        return None
    stop = (last + 1) * block
    start = max(stop - round(FITTED_S * sample_rate_hz), 0)
    window_stop = min(stop + round(AHEAD_S * sample_rate_hz), len(audio))
    try:
        tone = fit_tone(audio[start:stop], sample_rate_hz, tone_hz)
    except HarnessError:
        return None
    begin = stop - block
    place = np.arange(begin, window_stop) - start
    expected = tone.mean + tone.amplitude * np.cos(
        2.0 * math.pi * tone.frequency_hz * place / sample_rate_hz + tone.phase_rad
    )
    piece = audio[begin:window_stop] - tone.mean
    left = audio[begin:window_stop] - expected
    before = max(tone.residual_rms**2, 1e-12)
    power = tone.amplitude**2 / 2.0
    together = max(MEMORY_S * sample_rate_hz, 1.0)
    place_of, _ = likeliest_change(left, piece, before, max(power, before), together)
    near = round(place_of)
    ring, look = round(RING_S * sample_rate_hz), max(round(LOOK_S * sample_rate_hz), 4)
    later = piece[near + ring : near + ring + look]
    after = max(float(np.mean(later * later)) if len(later) else power, before)
    place_of, spread = likeliest_change(left, piece, before, after, together)
    if begin + place_of > len(audio) - LAST_S * sample_rate_hz:
        return None
    last_part = audio[max(begin + near + ring, len(audio) - block) :] - tone.mean
    quiet = float(np.median(np.square(last_part))) / MEDIAN_SQUARE
    return ToneEnd(
        sample=begin + place_of,
        uncertainty=spread,
        burst_samples=_burst(audio[begin + near + ring :] - tone.mean, power, quiet, ring, look),
        hides_burst=CONTRAST * quiet > power,
    )


def _last_whole_block(
    audio: FloatArray, tone_hz: float, sample_rate_hz: float, block: int
) -> int | None:
    """Give the last block that is tone and little else, at the strongest ones' level."""
    blocks = len(audio) // block
    cut = audio[: blocks * block].reshape(blocks, block)
    turn = 2.0 * math.pi * tone_hz / sample_rate_hz * np.arange(block)
    x = np.stack([np.cos(turn), np.sin(turn), np.ones(block)], axis=1)
    fit, *_ = np.linalg.lstsq(x, cut.T, rcond=None)
    amplitude = np.hypot(fit[0], fit[1])
    left = np.mean(np.square(cut.T - x @ fit), axis=0)
    is_tone = left <= LITTLE_ELSE * amplitude**2 / 2.0
    if is_tone.sum() < 2:
        return None
    level = float(np.median(amplitude[is_tone]))
    whole = np.flatnonzero(is_tone & (amplitude > SAME_LEVEL * level))
    return int(whole[-1]) if len(whole) else None


def likeliest_change(
    first: FloatArray, then: FloatArray, before: float, after: float, together: float
) -> tuple[float, float]:
    """Give the sample at which one description of the samples takes over from another.

    Parameters
    ----------
    first, then : float64, shape (n,), what each of the two leaves unexplained
    before, after : variance of that while it holds
    together : so many samples count for one

    Returns
    -------
    Mean of the likely places, and its standard deviation, in samples
    """
    gain = math.log(before / after) + first**2 / before - then**2 / after
    less = np.concatenate([[0.0], np.cumsum(gain)]) / together
    likely = np.exp((less.min() - less) / 2.0)
    likely /= likely.sum()
    place = np.arange(len(likely))
    mean = float(likely @ place)
    return mean, math.sqrt(float(likely @ (place - mean) ** 2))


def _burst(rest: FloatArray, power: float, quiet: float, ring: int, look: int) -> float | None:
    """Length of the noise from the tone's end on: 0 for none, None where it does not end."""
    grain = max(look // 2, 2)  # half a millisecond
    grains = len(rest) // grain
    if not grains:
        return 0.0
    loud = (rest[: grains * grain].reshape(grains, grain) ** 2).mean(axis=1)
    is_loud = loud > max(BURST_SHARE * power, CONTRAST * quiet)
    # A gap of one grain is chance: noise of half a millisecond has three degrees of freedom.
    is_over = ~is_loud & ~np.append(is_loud[1:], False)
    if not is_loud[:2].any():
        return 0.0
    first_quiet = np.flatnonzero(is_over[1:] if not is_loud[0] else is_over)
    if not len(first_quiet):
        return None
    return float(ring + (int(first_quiet[0]) + (not is_loud[0])) * grain)
