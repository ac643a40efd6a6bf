"""When a test tone comes after silence, while the carrier is on: the audio gate opens.

1. Audio is seen in grains of 4 ms, each with its own mean taken off. A start is a grain after
   which 48 ms are three times as strong as the five before it, and steady.
2. One sine is fitted to what follows, and must leave little; it goes back from there.
3. Each place is as likely as "silence before it, this tone after it" makes the samples about it.

Speech that begins is no start: it is not one steady sine. Memory: a quarter of a second.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from harness.dsp.tone import fit_tone, strongest_tone_hz
from harness.errors import HarnessError
from harness.measure.repeated_audio import RepeatedAudio
from harness.measure.tone_end import MEMORY_S, SPEECH_HZ, likeliest_change
from harness.units import FloatArray

GRAIN_S = 0.004
"""More than a period of 300 Hz. Chosen."""
BEFORE, AFTER = 5, 12
"""Grains of silence before a start, and of tone after it. Chosen: 20 ms and 48 ms."""
CONTRAST = 3.0
"""Weakest grain after a start to strongest before it. Chosen: 5 dB, for a weak output's silence is
noisy; what follows has to be a tone in any case."""
LITTLE_ELSE = 0.5
"""Of the tone's power may be left beside it. Chosen: 3 dB; noise alone leaves twenty times as
much."""
STEADY = 4.0
"""Strongest to weakest grain of the tone. Chosen: a grain of 300 Hz holds 1.2 periods, and its
power goes up and down by a factor of two."""
HOP_S = 0.24
"""Audio is looked through in pieces of this, counted from the start. Chosen: 60 grains."""
NEAR_GRAINS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneStart:
    """A start of the tone, in seconds on the audio's clock, and its standard uncertainty."""

    time_s: float
    uncertainty_s: float

    def shifted(self, skew_s: float) -> ToneStart:
        """Give the same start with ``skew_s`` added to its time."""
        return replace(self, time_s=self.time_s + skew_s)


class ToneStarts:
    """Looks through a repeated audio as it comes.

    Parameters
    ----------
    audio : is asked for what has come; keeps seconds of it
    """

    def __init__(self, audio: RepeatedAudio) -> None:
        self._audio = audio
        self._grain = round(GRAIN_S * audio.rate_hz)
        self._hop = round(HOP_S / GRAIN_S)
        self._done = 0
        self.found: list[ToneStart] = []

    def look(self) -> None:
        """Look through what has come since the last time."""
        grain_s = self._grain / self._audio.rate_hz
        while (self._done + self._hop + AFTER + 1) * grain_s <= self._audio.end_s:
            first = max(self._done - BEFORE - 1, 0)
            last = self._done + self._hop + AFTER + 1
            piece = self._audio.between(first * grain_s, last * grain_s)
            if piece is not None and len(piece[0]) == (last - first) * self._grain:
                self._look_in(piece[0], first)
            self._done += self._hop

    def _look_in(self, samples: FloatArray, first: int) -> None:
        cut = samples.reshape(-1, self._grain)
        power = cut.var(axis=1) + 1e-9
        windows = np.lib.stride_tricks.sliding_window_view
        # Of grain k: those before k - 1, and those after k.
        before = windows(power, BEFORE).max(axis=1)
        after = windows(power, AFTER)
        places = np.arange(BEFORE + 1, len(power) - AFTER)
        weakest, strongest = after.min(axis=1)[places + 1], after.max(axis=1)[places + 1]
        is_start = weakest >= CONTRAST * before[places - 1 - BEFORE]
        is_start &= strongest <= STEADY * weakest
        is_start &= (places + first >= self._done) & (places + first < self._done + self._hop)
        taken = -AFTER
        for place in places[is_start]:
            if place - taken < AFTER:
                continue
            taken = int(place)
            start = self._placed(samples, taken, first)
            if start is not None:
                self.found.append(start)

    def _placed(self, samples: FloatArray, place: int, first: int) -> ToneStart | None:
        """Place the start near a grain to a sample; None where what follows is no tone."""
        grain, rate_hz = self._grain, self._audio.rate_hz
        fitted_from = (place + 2) * grain
        tail = samples[fitted_from : (place + AFTER) * grain]
        try:
            tone_hz = strongest_tone_hz(tail, rate_hz, *SPEECH_HZ)
            tone = fit_tone(tail, rate_hz, tone_hz)
        except HarnessError:
            return None
        if tone.residual_rms**2 > LITTLE_ELSE * tone.amplitude**2 / 2.0:
            return None
        begin = (place - NEAR_GRAINS) * grain
        piece = samples[begin : (place + NEAR_GRAINS) * grain]
        silent = piece - tone.mean
        since = np.arange(begin, begin + len(piece)) - fitted_from
        turn = 2.0 * math.pi * tone.frequency_hz / rate_hz
        left = silent - tone.amplitude * np.cos(turn * since + tone.phase_rad)
        quiet = max(float(np.var(silent[: 2 * grain])), 1e-9)
        at, spread = likeliest_change(
            silent, left, quiet, max(tone.residual_rms**2, quiet), max(MEMORY_S * rate_hz, 1.0)
        )
        return ToneStart(
            time_s=(first * grain + begin + at) / rate_hz, uncertainty_s=spread / rate_hz
        )
