"""Carrier on and off in discriminator audio, from the quieting of its noise.

The inverse of the noise power above speech is the envelope that the machine of
``keying_machine.py`` sees. Memory: 300 ms of noise power, and every edge.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block, Frames
from harness.measure.history import History
from harness.measure.keyed_channel import SETTLE_S
from harness.measure.keying import Edge, Keying, Spans
from harness.measure.keying_machine import Change, KeyingMachine, Rules
from harness.measure.setup import Channel
from harness.uncertainty import rectangular
from harness.units import ratio_from_db

FloatArray = NDArray[np.float64]

QUIETING_BAND_HZ = (5000.0, 8000.0)
"""Above speech and data, below the edge of any discriminator's output. Chosen."""
QUIETING_JUMP, QUIETING_CONTRAST = ratio_from_db(8.0), ratio_from_db(9.0)
"""Noise falls by 10 dB or more when a carrier comes (12.5 dB in real recordings); a grain of it
scatters by 1 dB. Chosen."""
QUIETING_GRAIN_S = 5e-3
QUIETING_FINE_S = 0.5e-3


class QuietingKeying:
    """Keying of a carrier, from the quieting of its discriminator audio.

    Parameters
    ----------
    channel : Channel of float64 blocks, at least 2.3 times 8 kHz
    """

    def __init__(self, channel: Channel) -> None:
        rate_hz = channel.sample_rate_hz
        self._fine = max(round(QUIETING_FINE_S * rate_hz), 1)
        self._per_grain = round(QUIETING_GRAIN_S / QUIETING_FINE_S)
        self._fine_s = self._fine / rate_hz
        grain_s = self._per_grain * self._fine_s
        self._rate_hz = rate_hz
        # More than a second to import, so only where a level is swept.
        from scipy.signal import butter

        self._sos = butter(4, QUIETING_BAND_HZ, "bandpass", fs=rate_hz, output="sos")
        self._state = np.zeros((len(self._sos), 2))
        self._machine = KeyingMachine(
            Rules(
                jump=QUIETING_JUMP,
                least_contrast=QUIETING_CONTRAST,
                settle_frames=round(SETTLE_S / grain_s),
            )
        )
        self._chunk = self._fine * self._per_grain
        self._frames = Frames(self._chunk, align=self._chunk)
        self._history = History(round(6.0 * SETTLE_S / self._fine_s))
        self._pending: list[Change] = []
        self._spans = Spans(least_share=0.0, least_power=0.0, least_length_s=0.0)
        self._stretch_start: int | None = None
        self._end = 0

    @staticmethod
    def can_see(channel: Channel) -> bool:
        """Whether the audio reaches high enough for quieting to be seen."""
        return channel.sample_rate_hz > 2.3 * QUIETING_BAND_HZ[1]

    def push(self, block: Block) -> None:
        """Take a float64 block."""
        if self._frames.interrupted_by(block):
            self._end_stretch()
        for frame in self._frames.push(block):
            self._take(frame)

    def finish(self) -> Keying:
        """Give the keying on the recording's own clock."""
        self._end_stretch()
        return Keying(spans=self._spans.spans())

    def _take(self, frame: Block) -> None:
        if self._stretch_start is None:
            self._stretch_start = frame.start
        self._end = frame.end
        from scipy.signal import sosfilt

        noise, self._state = sosfilt(self._sos, frame.samples.astype(np.float64), zi=self._state)
        fine = (noise * noise).reshape(self._per_grain, self._fine).mean(axis=1)
        self._history.push(Block(fine, frame.start // self._fine, frame.sample_rate_hz))
        quieting = np.array([1.0 / max(float(fine.mean()), 1e-14)])
        ready = [c for c in self._pending if self._is_ready(c)]
        self._pending = [c for c in self._pending if not self._is_ready(c)]
        for change in ready:
            self._say(change)
        self._pending += self._machine.push(frame.start // self._chunk, quieting)

    def _is_ready(self, change: Change) -> bool:
        return self._history.end >= (change.frame + 4) * self._per_grain

    def _say(self, change: Change) -> None:
        if change.is_withdrawal:
            self._spans.withdraw()
        else:
            self._spans.add(self._edge(change))

    def _end_stretch(self) -> None:
        self._frames.rest()
        for change in [*self._pending, *self._machine.interrupt()]:
            self._say(change)
        self._pending = []
        if self._stretch_start is not None:
            self._spans.end_stretch(
                self._stretch_start / self._rate_hz, self._end / self._rate_hz, None
            )
        self._history.clear()
        self._state = np.zeros((len(self._sos), 2))
        self._stretch_start = None

    def _edge(self, change: Change) -> Edge:
        """Place the step of the noise where it divides the time about it best.

        Least squares of a step between two mean noise powers, over 20 ms on both sides.
        """
        noisy = 1.0 / max(change.below, 1e-14)
        quiet = 1.0 / max(change.above, 1e-14)
        if change.below <= 0.0:
            noisy = quiet * QUIETING_CONTRAST
        at = change.frame * self._per_grain
        reach = 4 * self._per_grain
        near = self._history.cut(at - reach, at + reach)
        order = near.samples if change.is_rising else near.samples[::-1]
        cost = np.concatenate([[0.0], np.cumsum(_distance(order, noisy) - _distance(order, quiet))])
        best = int(np.argmin(cost))
        fine = near.start + (best if change.is_rising else len(order) - best)
        return Edge(
            time_s=fine * self._fine_s,
            is_rising=change.is_rising,
            uncertainty_s=rectangular(QUIETING_GRAIN_S / 2.0),
            settled_power=change.above,
        )


def _distance(noise_power: FloatArray, level: float) -> FloatArray:
    """Minus log-likelihood of a noise power under a level: chi-square of a few freedoms."""
    return np.asarray(np.log(level) + noise_power / level, dtype=np.float64)
