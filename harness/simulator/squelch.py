"""The noise-operated squelch and the timers behind it.

Detector: discriminator noise above the voice band, rectified, integrated by an RC. The squelch
opens when the voltage falls below the opening voltage (set by the knob as a share of the open
noise of the nominal receiver) and closes above ``hysteresis`` times that. Keying line:

    state      event                    next       action
    idle       squelch opens            open       keying line on
    open       squelch closes           hanging    timer starts
    hanging    squelch opens            open       timer stops
    hanging    timer has run            idle       keying line off
    open       time-out has run         cut        keying line off
    cut        squelch closes           idle       the time-out is ready again

The hang timer may vary from run to run, and a second, quicker detector may mute the audio ahead of
the squelch; the time-out counts from the squelch's opening. None of this is there by default.

RF follows the keying line: on ``key_up_delay_s`` later, off ``release_delay_s`` later. Both are
at least one frame of the world, so what keying does to the receiver is known before the frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.errors import BadInput
from harness.simulator.filters import Cascade, butterworth, one_pole
from harness.simulator.receiver import RATE_HZ
from harness.simulator.unit import SquelchPart
from harness.units import FloatArray


@dataclass(slots=True)
class SquelchState:
    """Filters, comparator and timers.

    ``hang_from`` is the sample at which the squelch closed, ``open_from`` the one at which it
    opened, ``hangs`` how often the hang timer has started.
    """

    high_pass: FloatArray
    integrator: FloatArray
    mute: FloatArray
    is_open: bool = False
    keyed: bool = False
    hang_from: int | None = None
    open_from: int | None = None
    hangs: int = 0


@dataclass(frozen=True, slots=True)
class SquelchFrame:
    """What the squelch did in a frame.

    ``gate`` is 1 while open, shape (n,), or a single 0.0 or 1.0; ``edges`` are the sample numbers
    and new states of the keying line.
    """

    gate: FloatArray | float
    edges: tuple[tuple[int, bool], ...]
    state: SquelchState


class Squelch:
    """Detector, comparator and hang timer.

    Parameters
    ----------
    part : of the unit
    open_noise : float
        Detector voltage (Hz) of the nominal receiver on noise alone.
    random : of the hang timer's runs
    """

    def __init__(
        self, part: SquelchPart, open_noise: float, random: np.random.Generator | None = None
    ) -> None:
        self._part = part
        self._high_pass = Cascade(butterworth(4, part.noise_corner_hz, "high", RATE_HZ))
        self._integrator = Cascade(one_pole(0.5 / (math.pi * part.integration_s), RATE_HZ))
        self._open_noise = open_noise
        self._mute = Cascade(one_pole(0.5 / (math.pi * (part.mute_s or 1.0)), RATE_HZ))
        self._random = random
        self._hangs: list[int] = []
        self._time_out = part.time_out_s * RATE_HZ

    def rest(self) -> SquelchState:
        """State before the first sample: closed, the detector on open noise."""
        return SquelchState(
            self._high_pass.rest(),
            self._integrator.settled(self._open_noise),
            self._mute.settled(self._open_noise),
        )

    def opening_voltage(self, clock: float) -> float:
        """Give the opening voltage at a knob position in hours from 12:00."""
        hours = [clock_hours(position) for position, _ in self._part.knob]
        shares = [share for _, share in self._part.knob]
        share = float(np.interp(clock, hours, shares))
        return share * self._part.opening_scale * self._open_noise

    def detect(
        self, frequency_hz: FloatArray, high_pass: FloatArray, integrator: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Detector voltage of a frame, and the filters' states after it."""
        noise, high_pass = self._rectified(frequency_hz, high_pass)
        voltage, integrator = self._integrator.run(noise, integrator)
        return voltage, high_pass, integrator

    def _rectified(
        self, frequency_hz: FloatArray, high_pass: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        noise, high_pass = self._high_pass.run(frequency_hz, high_pass)
        return np.abs(noise, out=noise), high_pass

    def _hang(self, number: int) -> int:
        """Give the samples that a run of the timer takes, also when its frame is made anew."""
        while len(self._hangs) <= number:
            length_s = self._part.hang_s
            if self._random is not None and self._part.hang_jitter_s:
                length_s += self._part.hang_jitter_s * float(self._random.standard_normal())
            self._hangs.append(max(round(length_s * RATE_HZ), 0))
        return self._hangs[number]

    def run(
        self, frequency_hz: FloatArray, opening: FloatArray | float, start: int, state: SquelchState
    ) -> SquelchFrame:
        """Run one frame that starts at sample ``start`` with the knob at an opening voltage."""
        noise, high_pass = self._rectified(frequency_hz, state.high_pass)
        voltage, integrator = self._integrator.run(noise, state.integrator)
        ratio = voltage / opening
        is_open, keyed, hang_from = state.is_open, state.keyed, state.hang_from
        open_from, hangs = state.open_from, state.hangs
        gate: FloatArray | float = 1.0 if is_open else 0.0
        edges: list[tuple[int, bool]] = []
        at, count = 0, len(voltage)
        while True:
            crossed = ratio[at:] > self._part.hysteresis if is_open else ratio[at:] < 1.0
            step = int(np.argmax(crossed)) if crossed.size else 0
            found = bool(crossed.size) and bool(crossed[step])
            until = at + step if found else count
            if hang_from is not None and hang_from + self._hang(hangs - 1) < start + until:
                edges.append((hang_from + self._hang(hangs - 1), False))
                keyed, hang_from = False, None
            if keyed and open_from is not None and open_from + self._time_out < start + until:
                edges.append((math.ceil(open_from + self._time_out), False))
                keyed = False
            if not found:
                break
            at = until
            is_open = not is_open
            if isinstance(gate, float):
                gate = np.full(count, gate)
            gate[at:] = 1.0 if is_open else 0.0
            if is_open and not keyed:
                edges.append((start + at, True))
            keyed = keyed or is_open
            open_from = start + at if is_open else None
            hang_from = start + at if keyed and not is_open else None
            hangs += hang_from is not None
        mute = state.mute
        if self._part.mute_s:
            quick, mute = self._mute.run(noise, state.mute)
            heard = quick <= opening * self._part.hysteresis
            gate = np.where(heard, gate, 0.0)
        after = SquelchState(
            high_pass, integrator, mute, is_open, keyed, hang_from, open_from, hangs
        )
        return SquelchFrame(gate, tuple(edges), after)


def clock_hours(position: str) -> float:
    """Hours from 12:00, clockwise, of a position on the upper face: 7:00 is -5, 5:00 is 5.

    Raises
    ------
    ValueError : not a clock position.
    """
    hours, _, minutes = position.partition(":")
    clock = int(hours) % 12 + int(minutes) / 60.0
    return clock if clock < 6.0 else clock - 12.0


def knob_positions(part: SquelchPart) -> tuple[str, ...]:
    """Every position of the knob: half hours between its ends."""
    ends = [clock_hours(position) for position, _ in part.knob]
    halves = range(round(2 * ends[0]), round(2 * ends[-1]) + 1)
    return tuple(f"{(half // 2) % 12 or 12}:{30 * (half % 2):02d}" for half in halves)


def knob_clock(part: SquelchPart, position: str) -> float:
    """Hours from 12:00 of a position that is on the knob.

    Raises
    ------
    BadInput : not a position of this knob.
    """
    known = knob_positions(part)
    if position not in known:
        raise BadInput(
            f"the knob has no position {position!r}",
            "simulated bench",
            f"It goes in half hours from {known[0]} over 12:00 to {known[-1]}",
        )
    return clock_hours(position)
