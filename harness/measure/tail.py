"""What the repeated audio says of the moment at which the input dropped.

When the input drops, the receiver's audio turns from the test tone to open noise; when the
squelch has closed, to silence; when the hang time is over, the carrier goes. Read backwards from
that last edge, in grains of 1 ms:

1. The noise is seen in what a three-tap notch leaves of the audio. For a tone of frequency w a
   sample is known from its neighbours: y = x[n] - 2 cos(w d) x[n-d] + x[n-2d] is 0; with d near
   a quarter period it passes noise at its full power and forgets within half a period.
2. From the end backwards, the first rise of y by 10 dB that lasts two grains is the end of
   the burst; with none, and y high all along, the burst lasts to the end.
3. Before it, the first fall of y that lasts five grains is before its beginning: half way in dB
   to the lower quartile of y, and 10 dB at least. It begins where from there on a change of
   variance is most likely.
4. Both are then placed to a sample: each place is as likely as a change between two variances
   there makes the samples about it; their mean is taken, and its spread is the uncertainty.

A unit without a burst shows only the tone's end: x falls by 10 dB and stays down.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.dsp.tone import strongest_tone_hz

FloatArray = NDArray[np.float64]

SPEECH_HZ = (300.0, 3000.0)
GRAIN_S = 1e-3
LOUD_GRAINS, QUIET_GRAINS = 2, 5
"""So many in a row are noise, or none. Chosen: noise of 3 kHz has six degrees of freedom in 1 ms,
and falls by 6 dB in five in a row once in ten million."""
LEVEL_GRAINS = 40
"""So many grains tell how high the noise is before and in a burst. Chosen."""
CONTRAST = 10.0
"""Ratio of powers, 10 dB. Chosen."""
AUDIO_RATE_HZ = 12000.0
"""Audio is taken down to about this before it is searched: what a repeater repeats lies below
3 kHz. Chosen."""
LONGEST_S = 10.0
"""Audio is kept so long. Chosen: longer than any hang time in use."""
EDGE_S = 4e-3
"""Left out at the carrier's own edges, where its rise and fall make noise. Chosen."""
ONSET_S = 4e-5
"""Half-width of what an audio filter does to an onset. By simulation: on average it is found up to
35 microseconds early, behind filters of third order from 2.8 to 6 kHz."""
RINGING_S = 1e-4
"""A filter rings on when a burst ends: by the same simulation the end is found 0.08 to 0.14 ms
late, less without a filter. So much is taken off, and is its half-width."""
BAND_HZ = 2700.0
"""Bandwidth of the noise: 300 to 3000 Hz (the speech band)."""
SHORTEST_S = 1e-3
"""A shorter burst is the end of the tone in the notch, not noise. Chosen: twice its memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tail:
    """The burst of one keying, in seconds on the time axis of the audio.

    ``burst_end_s`` is None when the noise lasts to the end of the carrier; ``is_burst`` is False
    when only the tone's end was seen. The standard uncertainties are those of the noise's chance.
    """

    input_dropped_s: float
    burst_end_s: float | None
    is_burst: bool
    dropped_uncertainty_s: float = 0.0
    end_uncertainty_s: float = 0.0


def find_tail(audio: FloatArray, sample_rate_hz: float, start_s: float) -> Tail | None:
    """Find the noise burst in the demodulated frequency of one keying, up to its last edge.

    Parameters
    ----------
    audio : float64, shape (n,), Hz; the carrier is on throughout, its edges cut off
    sample_rate_hz : float, about ``AUDIO_RATE_HZ``
    start_s : time of the first sample

    Returns
    -------
    Tail, or None where the audio does not show when the input dropped
    """
    grain = max(round(GRAIN_S * sample_rate_hz), 4)
    if len(audio) < 20 * grain:
        return None
    audio = audio - float(np.median(audio))
    tone_hz = strongest_tone_hz(audio, sample_rate_hz, *SPEECH_HZ)
    left, delay = notched(audio, tone_hz, sample_rate_hz)
    # The newest sample of what is left stands at its own place: both begin at ``delay``.
    audio = audio[delay:]
    grains = len(left) // grain
    noise, whole = _grains(left, grain, grains), _grains(audio, grain, grains)
    span = _burst(noise)
    dropped, end = None, None
    # So many samples of noise count for one.
    together = max(sample_rate_hz / (2.0 * BAND_HZ), 1.0)
    if span is not None:
        first, last = span
        dropped = _change(left, grain, noise, first, together, last=last)
        if last < grains:
            end = _change(audio, grain, whole, last, together, first=math.floor(dropped.sample))

    def at_s(change: _Change) -> float:
        return start_s + (delay + change.sample) / sample_rate_hz

    def u_s(change: _Change | None) -> float:
        return 0.0 if change is None else change.uncertainty / sample_rate_hz

    too_short = SHORTEST_S * sample_rate_hz
    if dropped is None or (end is not None and end.sample - dropped.sample < too_short):
        stop = _tone_end(whole, noise)
        if stop is None:
            return None
        stopped = _change(audio, grain, whole, stop, together)
        return Tail(
            input_dropped_s=at_s(stopped),
            burst_end_s=None,
            is_burst=False,
            dropped_uncertainty_s=u_s(stopped),
        )
    return Tail(
        input_dropped_s=at_s(dropped),
        burst_end_s=None if end is None else at_s(end) - RINGING_S,
        is_burst=True,
        dropped_uncertainty_s=u_s(dropped),
        end_uncertainty_s=u_s(end),
    )


def notched(
    audio: FloatArray, frequency_hz: float, sample_rate_hz: float
) -> tuple[FloatArray, int]:
    """Give what a tone's notch leaves, and how many samples it is shorter at the start."""
    quarter = max(round(sample_rate_hz / frequency_hz / 4.0), 1)
    turn = 2.0 * math.pi * frequency_hz / sample_rate_hz
    left = (
        audio[2 * quarter :]
        - 2.0 * math.cos(turn * quarter) * audio[quarter:-quarter]
        + audio[: -2 * quarter]
    )
    return left, 2 * quarter


def _grains(samples: FloatArray, grain: int, grains: int) -> FloatArray:
    cut = samples[: grains * grain].reshape(grains, grain)
    return np.asarray((cut * cut).mean(axis=1) + 1e-12, dtype=np.float64)


def _burst(noise: FloatArray) -> tuple[int, int] | None:
    """First grain of the last burst, and one past its last."""
    quiet = float(np.median(noise[-2 * QUIET_GRAINS :]))
    last = _lasting(noise[::-1] >= CONTRAST * quiet, LOUD_GRAINS)
    end = len(noise) if last is None else len(noise) - last
    loud = float(noise[max(end - 4, 0) : end].max())
    # Half way in dB to what the audio was like before, where that is known to be quieter.
    before = float(np.quantile(noise[:end], 0.25))
    down = min(loud / CONTRAST, math.sqrt(loud * before))
    first = _lasting(noise[:end][::-1] <= down, QUIET_GRAINS)
    if first is None:
        return None
    return _begins(noise[:end], max(end - first - QUIET_GRAINS, 0)), end


def _begins(noise: FloatArray, first: int) -> int:
    """Grain from which noise is most likely that of the burst, not before grain ``first``.

    Where noise is not far below the burst, some grains before it are as high as if they were of
    it. What changes from one variance to another is told by all grains together.
    """
    end = len(noise)
    before = float(np.median(noise[max(first - LEVEL_GRAINS, 0) : max(first, 1)]))
    after = float(np.median(noise[max(first, end - LEVEL_GRAINS) :]))
    if not before < after:
        return first
    piece = noise[first:]
    less = np.cumsum(math.log(before / after) + piece * (1.0 / before - 1.0 / after))
    return first + int(np.argmin(np.concatenate([[0.0], less[:-1]])))


def _lasting(flags: NDArray[np.bool_], grains: int) -> int | None:
    """First place from which so many flags stand in a row."""
    if len(flags) < grains:
        return None
    windows = np.lib.stride_tricks.sliding_window_view(flags, grains).all(axis=1)
    places = np.flatnonzero(windows)
    return int(places[0]) if len(places) else None


def _tone_end(power: FloatArray, noise: FloatArray) -> int | None:
    """Grain from which the audio is silent, when up to there it was a tone and little else."""
    loud = float(np.median(power[: max(len(power) // 4, 1)]))
    back = _lasting(power[::-1] >= loud / CONTRAST, LOUD_GRAINS)
    if back is None or back == 0:
        return None
    stop = len(power) - back
    before = noise[max(stop - 2 * QUIET_GRAINS, 0) : max(stop - 1, 1)]
    return stop if bool((before * CONTRAST <= loud).all()) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Change:
    """Where the variance of samples changes, and how uncertain that is; both in samples."""

    sample: float
    uncertainty: float


def _change(
    samples: FloatArray,
    grain: int,
    power: FloatArray,
    at: int,
    together: float,
    *,
    first: int | None = None,
    last: int | None = None,
) -> _Change:
    """Sample at which the variance changes, near the beginning of grain ``at``.

    It is looked for within three grains, not before sample ``first`` and within grains before
    ``last``. The level of a burst of a few grains is that of its strongest.
    """
    end = len(power) if last is None else last
    begin_sample = max((at - 3) * grain, first or 0)
    end_sample = min((at + 3) * grain, end * grain)
    if first is None:
        before = float(power[max(at - 8, 0) : max(at - 1, 1)].mean())
    else:
        before = float(power[max(at - 4, 0) : at].max())
    if last is None:
        after = float(power[min(at + 2, len(power) - 1) : at + 8].mean())
    else:
        after = float(power[at : min(at + 4, last)].max())
    piece = samples[begin_sample:end_sample] ** 2
    gain = np.log(before) + piece / before - np.log(after) - piece / after
    # Twice the logarithm of how much less likely each place is than the first.
    less = np.concatenate([[0.0], np.cumsum(gain)]) / together
    likely = np.exp((less.min() - less) / 2.0)
    likely /= likely.sum()
    place = np.arange(len(likely))
    mean = float(likely @ place)
    return _Change(
        sample=begin_sample + mean, uncertainty=math.sqrt(float(likely @ (place - mean) ** 2))
    )
