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

A burst of a few milliseconds, or none, is told by the tone itself, where there is one
(``tone_end.py``): the notch rings at the tone's own end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.dsp.tone import strongest_tone_hz
from harness.measure.tone_end import SPEECH_HZ, ToneEnd, find_tone_end

FloatArray = NDArray[np.float64]

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
TONE_LATE_S = 4e-5
"""By so much a tone's end without a burst is found late behind the same filters, by simulation: the
mean, with a standard deviation of 0.04 ms that hangs on the tone's phase. It is taken off."""
TONE_END_S = 6e-5
"""Half-width of what that may be otherwise."""
RINGING_S = 1e-4
"""A filter rings on when a burst ends: by the same simulation the end is found 0.08 to 0.14 ms
late, less without a filter. So much is taken off, and is its half-width."""
BAND_HZ = 2700.0
"""Bandwidth of the noise: 300 to 3000 Hz (the speech band)."""
SHORTEST_S = 1e-3
"""A shorter burst is the end of the tone in the notch, not noise. Chosen: twice its memory."""
SHORT_S = 0.008
"""A burst below this is placed by the tone, where there is one. By simulation: from there on the
notch is never misled by its own ringing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tail:
    """The burst of one keying, in seconds on the time axis of the audio.

    ``burst_end_s`` is None when the noise lasts to the end of the carrier; ``is_burst`` is False
    when only the tone's end was seen, and ``hides_burst`` then says that the audio is too loud to
    its end for a burst to be told. The standard uncertainties are those of the noise's chance.
    """

    input_dropped_s: float
    burst_end_s: float | None
    is_burst: bool
    hides_burst: bool = False
    dropped_uncertainty_s: float = 0.0
    end_uncertainty_s: float = 0.0

    def shifted(self, skew_s: float) -> Tail:
        """Give the same burst with ``skew_s`` added to its times."""
        end_s = self.burst_end_s
        return replace(
            self,
            input_dropped_s=self.input_dropped_s + skew_s,
            burst_end_s=None if end_s is None else end_s + skew_s,
        )


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
    toned = find_tone_end(audio, sample_rate_hz)
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

    if toned is not None and (dropped is None or _is_short(toned, sample_rate_hz)):
        dropped = _Change(sample=toned.sample - delay, uncertainty=toned.uncertainty)
        end = None
        if toned.burst_samples:
            last = round((dropped.sample + toned.burst_samples) / grain)
            end = _change(audio, grain, whole, last, together, first=math.floor(dropped.sample))
        if toned.burst_samples == 0.0 or (
            end is not None and _is_none(dropped, end, sample_rate_hz)
        ):
            return Tail(
                input_dropped_s=at_s(dropped) - TONE_LATE_S,
                burst_end_s=None,
                is_burst=False,
                hides_burst=toned.hides_burst,
                dropped_uncertainty_s=u_s(dropped),
            )
    elif dropped is None or (end is not None and _is_none(dropped, end, sample_rate_hz)):
        return None
    return Tail(
        input_dropped_s=at_s(dropped),
        burst_end_s=None if end is None else at_s(end) - RINGING_S,
        is_burst=True,
        dropped_uncertainty_s=u_s(dropped),
        end_uncertainty_s=u_s(end),
    )


def has_tone_to_end(audio: FloatArray, sample_rate_hz: float) -> bool:
    """Whether a tone, and little else, is heard up to the last grain.

    Parameters
    ----------
    audio : float64, shape (n,), Hz, as for ``find_tail``
    """
    grain = max(round(GRAIN_S * sample_rate_hz), 4)
    if len(audio) < 20 * grain:
        return False
    audio = audio - float(np.median(audio))
    tone_hz = strongest_tone_hz(audio, sample_rate_hz, *SPEECH_HZ)
    left, _ = notched(audio, tone_hz, sample_rate_hz)
    # Counted from the end: the last grain is whole.
    grains = len(left) // grain
    noise = _grains(left[len(left) - grains * grain :], grain, grains)
    whole = _grains(audio[len(audio) - grains * grain :], grain, grains)
    loud, last = float(np.median(whole)), slice(-QUIET_GRAINS, None)
    return bool((whole[last] * 2.0 > loud).all() and (noise[last] * CONTRAST < loud).all())


def quiet_from_s(audio: FloatArray, sample_rate_hz: float, start_s: float) -> float:
    """Time from which on no grain is louder than ten times the median of the last ones.

    Parameters
    ----------
    audio, start_s : as for ``find_tail``

    Returns
    -------
    float : ``start_s`` where all is quiet; infinite where there is too little to say
    """
    grain = max(round(GRAIN_S * sample_rate_hz), 4)
    grains = len(audio) // grain
    if grains < 2 * QUIET_GRAINS:
        return math.inf
    audio = audio[len(audio) - grains * grain :] - float(np.median(audio))
    power = _grains(audio, grain, grains)
    loud = np.flatnonzero(power > CONTRAST * float(np.median(power[-2 * QUIET_GRAINS :])))
    return start_s if not len(loud) else start_s + (int(loud[-1]) + 1) * grain / sample_rate_hz


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


def _is_short(toned: ToneEnd, sample_rate_hz: float) -> bool:
    if toned.hides_burst or toned.burst_samples is None:
        return False
    return toned.burst_samples < SHORT_S * sample_rate_hz


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


def _is_none(dropped: _Change, end: _Change, sample_rate_hz: float) -> bool:
    return end.sample - dropped.sample < SHORTEST_S * sample_rate_hz
