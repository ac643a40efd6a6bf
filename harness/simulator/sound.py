"""The sound card on the receiver's own audio: what a loudspeaker would give, transmitter or not.

It samples on the unit's own grid. A real card has a rate and a clock of its own; both would only
add an interpolation to what is looked for here, which is noise and a tone. Chosen.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from harness.devices import Role, StreamInfo
from harness.simulator.receiver import RATE_HZ
from harness.simulator.world import FRAME, World

FULL_SCALE_HZ = 8000.0
"""Deviation, as it is heard behind the receiver's filters, that is full scale. Chosen: open noise
without de-emphasis stays below."""
NOISE = 1e-4
"""Noise of the card, of full scale, rms: -80 dBFS. Chosen."""
_CODES = 32768.0


class SoundCard:
    """Makes the codes of a sound card, frame by frame; stands beside the dongles.

    Parameters
    ----------
    world : the unit that it hears
    random : of its noise
    """

    role: Role = "audio"
    frame = FRAME
    sample_rate_hz = RATE_HZ

    def __init__(self, world: World, random: np.random.Generator) -> None:
        self._world = world
        self._random = random
        self._noise: dict[int, NDArray[np.float64]] = {}
        self._drawn = 0

    @property
    def info(self) -> StreamInfo:
        """What its stream says of itself."""
        return StreamInfo(
            role=self.role,
            datatype="ri16_le",
            sample_rate_hz=RATE_HZ,
            centre_hz=0.0,
            hardware="simulated sound card",
        )

    def count_before(self, until_s: float) -> int:
        """Count the samples taken before a time of the take."""
        return max(math.ceil(until_s * RATE_HZ - 1e-6), 0)

    def time_s(self, sample: int) -> float:
        """Time of a sample in the take, to one sample."""
        return sample / RATE_HZ

    def restart(self) -> None:
        """Begin a take: frames count from 0 again, the noise goes on."""
        self._noise.clear()
        self._drawn = 0

    def forget_before(self, number: int) -> None:
        """Drop the noise of frames that will not be asked for again."""
        for old in [key for key in self._noise if key < number]:
            del self._noise[old]

    def codes(self, number: int, take_s: float) -> NDArray[np.int16]:
        """Codes of a frame of the take that began at ``take_s``."""
        while self._drawn <= number:
            self._noise[self._drawn] = self._random.standard_normal(FRAME)
            self._drawn += 1
        # The sample of the grid that was taken last: what comes after it may yet be commanded.
        first = math.floor(take_s * RATE_HZ + 1e-6) + number * FRAME
        heard = self._world.heard(first, FRAME) / FULL_SCALE_HZ + NOISE * self._noise[number]
        codes = np.rint(heard * _CODES)
        np.clip(codes, -_CODES, _CODES - 1.0, out=codes)
        return codes.astype("<i2")
