"""A low-cost receiver: its own clock, gain, noise, DC, imbalance and 8 bits.

It tunes to centre (1 + e) and samples at rate (1 + e). Its samples lie on a grid of its own in
true time, so a dongle that is fast takes more samples in a second and sees tones and carriers
lower; two dongles drift apart as theirs do.

What the unit sends is known on the unit's grid and is interpolated to the dongle's by a Kaiser
windowed sinc of 16 neighbours, whose position is right at both ends of a frame and blended
between; over a 20 ms frame at 100 ppm that leaves less than 1e-6 of a cycle. The interpolation
itself leaves less than -75 dB of a phase swing up to 8 kHz.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.devices import Role, StreamInfo
from harness.errors import BadInput
from harness.simulator.environment import CALM, Environment
from harness.simulator.generator import Programme, radians
from harness.simulator.receiver import RATE_HZ
from harness.simulator.world import FRAME, World
from harness.units import FloatArray

_REACH = 8
_SHAPE = 8.0
"""Neighbours on either side, and the Kaiser parameter: chosen for the figures above."""
_BEFORE, _AFTER = _REACH, _REACH + 1
_TABLE_STEPS = 512
"""Places between two grid samples at which the taps are tabled; straight lines between them
leave -100 dB."""
_SHARE = np.linspace(0.0, 1.0, FRAME, endpoint=False, dtype=np.float32)[:, np.newaxis]
HALF_SCALE = 127.5


@dataclass(frozen=True, slots=True, kw_only=True)
class DonglePart:
    """What a dongle and the path to it are like in truth.

    ``port_offset_db`` is added to the level at the dongle to give the level at the unit's port.
    ``skew_s`` is how much later than the take its first sample is. All chosen.
    """

    role: Role
    serial: str
    centre_hz: float
    gain_db: float
    clock_error_ppm: float
    full_scale_dbm: float
    port_offset_db: float
    skew_s: float
    noise_lsb: float = 0.45
    dc_i_lsb: float = 0.4
    dc_q_lsb: float = -0.3
    imbalance_db: float = 0.03
    imbalance_degrees: float = 0.3


class Dongle:
    """Makes the codes of a dongle, frame by frame.

    Parameters
    ----------
    part : what it is like
    sample_rate_hz : nominal; a whole multiple of the unit's grid
    random : of its noise
    """

    def __init__(
        self, part: DonglePart, sample_rate_hz: float, random: np.random.Generator
    ) -> None:
        ratio = round(sample_rate_hz / RATE_HZ)
        if ratio < 4 or abs(ratio * RATE_HZ - sample_rate_hz) > 1e-6:
            raise BadInput(
                f"cannot sample at {sample_rate_hz:g} Hz",
                "simulated bench",
                f"Use a multiple of {RATE_HZ:g} Hz, at least {4 * RATE_HZ:g} Hz",
            )
        self.part = part
        self.sample_rate_hz = sample_rate_hz
        self.frame = FRAME * ratio
        self._ratio = ratio
        self._fast = 1.0 + part.clock_error_ppm * 1e-6
        self.step_s = 1.0 / (sample_rate_hz * self._fast)
        self._random = random
        self._noise: dict[int, NDArray[np.float32]] = {}
        self._drawn = 0
        self._scale = HALF_SCALE * 10.0 ** (-(part.full_scale_dbm + part.port_offset_db) / 20.0)
        """Codes per root of mW at the unit's port."""
        half_db = 10.0 ** (part.imbalance_db / 40.0)
        self._gains = (np.float32(half_db), np.float32(1.0 / half_db))
        self._table = _tap_table(ratio)
        self._skew = np.float32(math.radians(part.imbalance_degrees))

    @property
    def role(self) -> Role:
        """Which of the bench's receivers it is."""
        return self.part.role

    @property
    def info(self) -> StreamInfo:
        """What its stream says of itself."""
        return StreamInfo(
            role=self.part.role,
            datatype="cu8",
            sample_rate_hz=self.sample_rate_hz,
            centre_hz=self.part.centre_hz,
            hardware=f"simulated dongle {self.part.serial}",
            gain_db=self.part.gain_db,
        )

    @property
    def tuned_hz(self) -> float:
        """Where it is tuned in truth."""
        return self.part.centre_hz * self._fast

    def count_before(self, until_s: float) -> int:
        """Count the samples taken before a time of the take."""
        return max(math.ceil((until_s - self.part.skew_s) / self.step_s - 1e-6), 0)

    def time_s(self, sample: int) -> float:
        """Time of a sample in the take."""
        return self.part.skew_s + sample * self.step_s

    def restart(self) -> None:
        """Begin a take: frames count from 0 again, the noise goes on."""
        self._noise.clear()
        self._drawn = 0

    def forget_before(self, number: int) -> None:
        """Drop the noise of frames that will not be asked for again."""
        for old in [key for key in self._noise if key < number]:
            del self._noise[old]

    def of_generator(
        self,
        number: int,
        take_s: float,
        programme: Programme,
        nominal_hz: float,
        environment: Environment = CALM,
    ) -> NDArray[np.uint8]:
        """Codes of a frame that sees the generator; ``nominal_hz`` is what its offsets are from."""
        codes = self._floor(number)
        first_s = take_s + self.time_s(number * self.frame)
        turn_hz = nominal_hz - self.tuned_hz
        for piece in programme.pieces(first_s, self.step_s, self.frame):
            start_s = first_s + piece.start * self.step_s
            count = piece.stop - piece.start
            amplitude = piece.setting.amplitude(start_s, self.step_s, count)
            if amplitude.any():
                amplitude = amplitude * environment.gain(start_s, self.step_s, count)
                cycles = piece.setting.cycles(start_s, self.step_s, count, turn_hz)
                self._add(codes[piece.start : piece.stop], amplitude, cycles)
        impulses = environment.impulses(first_s, self.step_s, self.frame)
        if impulses is not None:
            # The channel lies beside the dongle's own centre.
            turned = impulses * np.exp(2j * np.pi * turn_hz * self.step_s * np.arange(self.frame))
            codes[:, 0] += (self._scale * turned.real).astype(np.float32)
            codes[:, 1] += (self._scale * turned.imag).astype(np.float32)
        return _quantised(codes)

    def of_unit(self, number: int, take_s: float, world: World) -> NDArray[np.uint8]:
        """Codes of a frame that sees what the unit sends."""
        codes = self._floor(number)
        first_s = take_s + self.time_s(number * self.frame)
        place = first_s * RATE_HZ
        first = math.floor(place)
        fraction = place - first
        later = fraction + self.frame * self.step_s * RATE_HZ - FRAME
        phase, amplitude = world.trajectory(first - _BEFORE, FRAME + _BEFORE + _AFTER)
        if not amplitude.any():
            return _quantised(codes)
        taps = np.concatenate([self._taps(fraction), self._taps(later)], axis=1)
        whole = float(np.rint(phase[0]))
        cycles = self._between(phase - whole, taps).astype(np.float64)
        turn_hz = world.transmitter.reference_hz - self.tuned_hz
        cycles += np.arange(self.frame) * (turn_hz * self.step_s)
        cycles += (turn_hz * first_s) % 1.0
        if len(amplitude) > 1:
            amplitude = self._between(amplitude, taps).astype(np.float64)
        self._add(codes, amplitude, cycles)
        return _quantised(codes)

    def _floor(self, number: int) -> NDArray[np.float32]:
        """Codes without a signal, before rounding: noise and DC."""
        while self._drawn <= number:
            noise = self._random.standard_normal((self.frame, 2), dtype=np.float32)
            noise *= np.float32(self.part.noise_lsb)
            noise += np.array(
                [HALF_SCALE + self.part.dc_i_lsb, HALF_SCALE + self.part.dc_q_lsb], np.float32
            )
            self._noise[self._drawn] = noise
            self._drawn += 1
        return self._noise[number].copy()

    def _add(self, codes: NDArray[np.float32], amplitude: FloatArray, cycles: FloatArray) -> None:
        """Add a carrier of an amplitude (root of mW at the port) and phase."""
        level = (amplitude * self._scale).astype(np.float32)
        angle = radians(cycles)
        codes[:, 0] += (level * self._gains[0]) * np.cos(angle)
        angle += self._skew
        codes[:, 1] += (level * self._gains[1]) * np.sin(angle, out=angle)

    def _taps(self, fraction: float) -> NDArray[np.float32]:
        """Interpolation from grid to dongle: rows are neighbours, columns the samples between."""
        place = fraction * _TABLE_STEPS
        row = min(max(math.floor(place), 0), _TABLE_STEPS - 1)
        share = np.float32(place - row)
        return np.asarray(self._table[row] + share * (self._table[row + 1] - self._table[row]))

    def _between(self, values: FloatArray, taps: NDArray[np.float32]) -> NDArray[np.float32]:
        """Interpolate a frame, its position blended from that of its start to that of its end."""
        windows = np.lib.stride_tricks.sliding_window_view(values.astype(np.float32), len(taps))
        both = np.ascontiguousarray(windows) @ taps
        at_start, at_end = both[:, : self._ratio], both[:, self._ratio :]
        return np.asarray(at_start + _SHARE * (at_end - at_start)).reshape(-1)


def _quantised(codes: NDArray[np.float32]) -> NDArray[np.uint8]:
    np.rint(codes, out=codes)
    np.clip(codes, 0.0, 255.0, out=codes)
    return codes.astype(np.uint8)


def _tap_table(ratio: int) -> NDArray[np.float32]:
    """Taps by place between grid samples, neighbour, and sample between: unity gain at 0 Hz."""
    places = np.arange(_TABLE_STEPS + 1)[:, np.newaxis, np.newaxis] / _TABLE_STEPS
    neighbours = np.arange(-_BEFORE, _AFTER + 1)[:, np.newaxis]
    apart = places + np.arange(ratio) / ratio - neighbours
    inside = np.clip(1.0 - (apart / _REACH) ** 2, 0.0, None)
    taps = np.sinc(apart) * np.i0(_SHAPE * np.sqrt(inside)) * (inside > 0.0)
    return np.asarray((taps / taps.sum(axis=1, keepdims=True)).astype(np.float32))
