"""From discriminator to modulator: filters, gate, gain, limiter.

De-emphasis and pre-emphasis are each other's inverse, so the path is flat while nothing clips;
the limiter stands behind the pre-emphasis, as in land-mobile transmitters, and a low-pass behind
it keeps its splatter in the channel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.simulator.filters import Cascade, butterworth, inverse, one_pole, unity
from harness.simulator.receiver import RATE_HZ
from harness.simulator.unit import AudioPart
from harness.units import FloatArray


@dataclass(slots=True)
class AudioState:
    """Filter states and what is still in the delay."""

    receive: FloatArray
    transmit: FloatArray
    splatter: FloatArray
    delay: FloatArray


class Audio:
    """The repeated audio.

    Parameters
    ----------
    part : of the unit
    emphasis : whether the unit de-emphasises and pre-emphasises
    """

    def __init__(self, part: AudioPart, emphasis: bool) -> None:
        self._part = part
        band = [
            butterworth(2, part.high_pass_hz, "high", RATE_HZ),
            butterworth(4, part.low_pass_hz, "low", RATE_HZ),
        ]
        falling = one_pole(part.emphasis_corner_hz, RATE_HZ)
        self._receive = Cascade(*band, falling) if emphasis else Cascade(*band)
        rising = inverse(falling) if emphasis else unity()
        self._transmit = Cascade(rising)
        self._emphasis = emphasis
        self._splatter = Cascade(butterworth(4, part.splatter_low_pass_hz, "low", RATE_HZ))
        self._delay = max(round(part.delay_s * RATE_HZ), 1)

    def rest(self) -> AudioState:
        """State before the first sample."""
        return AudioState(
            self._receive.rest(),
            self._transmit.rest(),
            self._splatter.rest(),
            np.zeros(self._delay),
        )

    def run(
        self,
        frequency_hz: FloatArray,
        gate: FloatArray | float,
        residual_hz: FloatArray,
        state: AudioState,
    ) -> tuple[FloatArray, FloatArray, AudioState]:
        """Give one frame of discriminator output as it is sent and as it is heard.

        ``residual_hz`` is the noise of the modulator, added ahead of the last low-pass.

        Returns
        -------
        deviation_hz : of the transmitter. heard_hz : behind the receiver's filters and its squelch,
            at the loudspeaker. state : after the frame
        """
        part = self._part
        heard, receive = self._receive.run(frequency_hz, state.receive)
        heard *= part.gain * gate
        sent, transmit = heard, state.transmit
        if self._emphasis:
            sent, transmit = self._transmit.run(heard, transmit)
        bent = sent * (1.0 + sent * (part.second_order_per_hz + part.third_order_per_hz2 * sent))
        limited = np.clip(bent, -part.limit_hz, part.limit_hz)
        whole = np.concatenate([state.delay, limited])
        delayed, delay = whole[: len(limited)], whole[len(limited) :]
        deviation_hz, splatter = self._splatter.run(delayed + residual_hz, state.splatter)
        return deviation_hz, heard, AudioState(receive, transmit, splatter, delay)

    def gain_at(self, tone_hz: float, deviation_hz: float = 0.0) -> float:
        """Gain from deviation in to deviation out below the limiter.

        The discriminator's mean over a sample and the modulator's sum over samples undo each
        other and are left out; at a deviation, what the third-order bend does to the tone itself
        is included. The ripple of the IF filter on the sidebands is not: some 0.1 %.
        """
        gain = self._part.gain * abs(
            self._receive.gain(tone_hz, RATE_HZ) * self._transmit.gain(tone_hz, RATE_HZ)
        )
        bend = 0.75 * self._part.third_order_per_hz2 * (gain * deviation_hz) ** 2
        return gain * (1.0 + bend) * abs(self._splatter.gain(tone_hz, RATE_HZ))
