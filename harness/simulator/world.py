"""The unit running in time, on its own grid, in frames of fixed length.

A frame is made whole from the state before it, its random numbers and the commands that fall
into it. A command that comes in the middle of a frame already made rewinds to the state before
that frame and makes it anew with the same random numbers; as every path from a command to the
output takes longer than the output's interpolation looks ahead (``LOOK_AHEAD_S``), what was
handed out before the command stays true. So a read may end at any sample, and the cut never
shows in the bits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from harness.simulator.audio import Audio, AudioState
from harness.simulator.battery import Supply
from harness.simulator.environment import CALM, Environment
from harness.simulator.generator import Programme, sine
from harness.simulator.receiver import RATE_HZ, Receiver, ReceiverState
from harness.simulator.squelch import Squelch, SquelchState, knob_clock
from harness.simulator.transmitter import Edge, Gate, RfEvent, Transmitter, TransmitterState
from harness.simulator.unit import Duplexer, ReceiverPart, SimulatedUnit
from harness.units import FloatArray

FRAME = 625
FRAME_S = FRAME / RATE_HZ
"""20 ms. Chosen: long enough to be cheap, shorter than the timers of a unit."""
LOOK_AHEAD_S = 9 / RATE_HZ
SWITCH_DELAY_S = 0.001
"""From switching the transmitter off (or a supply too low) to the start of its fall. Chosen."""
_CALIBRATION_FRAMES = 100
_STEADY = 1e-4
"""Change of amplitude from frame to frame that is not drawn out (0.001 dB). Chosen."""


@dataclass(frozen=True, slots=True)
class Draws:
    """A frame's random numbers, kept for when it is made anew."""

    receiver: NDArray[np.float32]
    residual: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class State:
    """Everything that goes on from frame to frame; never changed in place."""

    receiver: ReceiverState
    squelch: SquelchState
    audio: AudioState
    transmitter: TransmitterState
    supply: Supply


@dataclass(frozen=True, slots=True)
class Frame:
    """What a frame gave: phase (cycles), amplitude (root of mW at the port), audio and events."""

    number: int
    before: State
    draws: Draws
    phase: FloatArray
    amplitude: FloatArray | float
    heard: FloatArray
    events: tuple[RfEvent, ...]
    keyed: float
    receiving: float


@dataclass(slots=True)
class Commands:
    """What was set, in order of time, beside the generator's programme."""

    knob: list[tuple[float, float]] = field(default_factory=list)
    enabled: list[tuple[float, bool]] = field(default_factory=list)
    held: list[tuple[float, bool]] = field(default_factory=list)


class World:
    """The unit, its generator and its supply.

    Parameters
    ----------
    unit : with its faults
    random : of the unit's noise
    environment : what happens to the signal on its way
    """

    def __init__(
        self,
        unit: SimulatedUnit,
        random: np.random.Generator,
        environment: Environment = CALM,
    ) -> None:
        _check_delays(unit)
        self.unit = unit
        self.environment = environment
        self.programme = Programme()
        self.receiver = Receiver(unit.receiver, unit.duplexer)
        self.audio = Audio(unit.audio, unit.emphasis)
        self.transmitter = Transmitter(
            unit.transmitter, unit.transmit_hz, unit.duplexer.transmit_loss_db
        )
        # Spawned: the unit's own noise stays as it is whether the timer varies or not.
        self.squelch = Squelch(unit.squelch, _open_noise(unit), random.spawn(1)[0])
        self.commands = Commands()
        self.version = 0
        """Goes up when frames were thrown away."""
        self.frames: list[Frame] = []
        self.past_events: list[RfEvent] = []
        self._random = random
        self._draws: dict[int, Draws] = {}
        self._drawn = 0
        self._head = 0
        self._state = State(
            self.receiver.rest(),
            self.squelch.rest(),
            self.audio.rest(),
            TransmitterState(last=Edge(-1e9, False)),
            Supply.of(unit.battery, unit.thermal, unit.transmitter),
        )

    @property
    def receiver_offset_hz(self) -> float:
        """True centre of the receiver from the nominal frequency."""
        return self.unit.receive_hz * self.unit.receiver.crystal_error_ppm * 1e-6

    @property
    def head_s(self) -> float:
        """Time up to which frames have been made."""
        return self._head * FRAME_S

    @property
    def supply(self) -> Supply:
        """The supply at the head; a copy."""
        supply = self._state.supply.copy()
        supply.catch_up()
        return supply

    def turn_knob(self, at_s: float, position: str) -> None:
        """Turn the knob at a time."""
        clock = knob_clock(self.unit.squelch, position)
        self.rewind(at_s)
        self.commands.knob.append((at_s, clock))

    def set_enabled(self, at_s: float, enabled: bool) -> None:
        """Let the unit transmit, or keep it from it, from a time on."""
        self.rewind(at_s)
        self.commands.enabled.append((at_s, enabled))

    def set_held(self, at_s: float, held: bool) -> None:
        """Hold the key of the transmitter, or let it go, from a time on."""
        self.rewind(at_s)
        self.commands.held.append((at_s, held))

    def set_generator(self, at_s: float, **changes: float) -> None:
        """Change the generator at a time."""
        self.rewind(at_s)
        self.programme.change(at_s, **changes)

    def rewind(self, at_s: float) -> None:
        """Throw away what was made from the frame that holds ``at_s`` on."""
        keep = _frame_of(at_s)
        if keep >= self._head:
            return
        position = keep - self.frames[0].number
        if position < 0:
            raise ValueError(f"{at_s=} lies before the frames that are kept")
        self._state = self.frames[position].before
        del self.frames[position:]
        self._head = keep
        self.version += 1

    def forget_before(self, time_s: float) -> None:
        """Drop frames that ended before ``time_s``; commands must come later than that."""
        while self.frames and (self.frames[0].number + 1) * FRAME_S < time_s:
            gone = self.frames.pop(0)
            self._draws.pop(gone.number, None)
            self.past_events.extend(gone.events)
        self.programme.forget_before(time_s - 2 * FRAME_S)

    def advance(self, until_s: float) -> None:
        """Make frames until ``until_s`` is covered."""
        while self.head_s < until_s:
            self._make()

    def fast_forward(self, time_ns: int, keyed: float, receiving: float) -> tuple[int, bool]:
        """Let the supply and the heat go on while the grid stands still.

        It stops where the supply switches the transmitter. Gives how much of the time passed,
        in ns, and whether that happened.
        """
        supply = self._state.supply.copy()
        passed = supply.skip(time_ns, keyed, receiving)
        self._state = replace(self._state, supply=supply)
        return passed

    def trajectory(self, first: int, count: int) -> tuple[FloatArray, FloatArray]:
        """Phase (cycles) and amplitude (root of mW) of the output from grid sample ``first``.

        The amplitude has one element where it is constant.
        """
        wanted = self._wanted(first, count)
        skip = first % FRAME
        phase = np.concatenate([frame.phase for frame in wanted])[skip : skip + count]
        levels = [frame.amplitude for frame in wanted]
        if all(isinstance(level, float) for level in levels):
            steady = [abs(float(level) - float(levels[0])) for level in levels]
            if max(steady) <= _STEADY * float(levels[0]):
                return phase, np.array([levels[0]])
        amplitude = np.concatenate([np.broadcast_to(level, FRAME) for level in levels])
        return phase, amplitude[skip : skip + count]

    def heard(self, first: int, count: int) -> FloatArray:
        """Audio at the loudspeaker, in Hz of deviation, from grid sample ``first``."""
        whole = np.concatenate([frame.heard for frame in self._wanted(first, count)])
        return whole[first % FRAME :][:count]

    def _wanted(self, first: int, count: int) -> list[Frame]:
        """Give the frames that hold some samples of the grid."""
        self.advance((first + count) / RATE_HZ)
        start = first // FRAME - self.frames[0].number
        if start < 0:
            raise ValueError(f"{first=} lies before the frames that are kept")
        stop = (first + count - 1) // FRAME + 1 - self.frames[0].number
        return self.frames[start:stop]

    def _draw(self, number: int) -> Draws:
        while self._drawn <= number:
            receiver = self._random.standard_normal((2, FRAME), dtype=np.float32)
            residual = self._random.standard_normal(FRAME, dtype=np.float32).astype(np.float64)
            self._draws[self._drawn] = Draws(
                receiver, residual * self.unit.transmitter.residual_fm_hz
            )
            self._drawn += 1
        return self._draws[number]

    def _make(self) -> None:
        number, state = self._head, self._state
        first_s = number * FRAME_S
        draws = self._draw(number)
        supply = self.supply
        transmitter = self._switched(number, supply, state.transmitter)
        envelope, transmitter, events = self.transmitter.envelope(first_s, FRAME, transmitter)
        power_mw = self.transmitter.power_port_mw(supply.temperature_degc, supply.voltage_v)
        density = self.transmitter.noise_at_receiver_mw_per_hz(
            power_mw, self.unit.duplexer.isolation_db
        )
        frequency_hz, receiver = self.receiver.run(
            self._signal(first_s), draws.receiver, density * envelope**2, state.receiver
        )
        frame = self.squelch.run(frequency_hz, self._opening(number), number * FRAME, state.squelch)
        audio = state.audio
        deviation_hz, heard, audio = self.audio.run(frequency_hz, frame.gate, draws.residual, audio)
        drift_hz = self.transmitter.drift_hz(supply.temperature_degc, supply.voltage_v)
        phase, transmitter = self.transmitter.phase(first_s, deviation_hz, drift_hz, transmitter)
        for at, on in frame.edges:
            delay_s = self.unit.squelch.key_up_delay_s if on else self.unit.squelch.release_delay_s
            transmitter = self.transmitter.scheduled(
                transmitter, at / RATE_HZ + delay_s, "keyed", on
            )
        keyed = float(np.mean(np.square(envelope)))
        receiving = float(np.mean(frame.gate))
        supply.advance(FRAME_S, keyed, max(receiving, keyed))
        amplitude = envelope * math.sqrt(power_mw)
        self.frames.append(
            Frame(number, state, draws, phase, amplitude, heard, events, keyed, receiving)
        )
        self._state = State(receiver, frame.state, audio, transmitter, supply)
        self._head += 1

    def _switched(
        self, number: int, supply: Supply, transmitter: TransmitterState
    ) -> TransmitterState:
        """Heed the transmitter's switch, its key and the supply in a frame."""
        commands: tuple[tuple[Gate, list[tuple[float, bool]]], ...] = (
            ("enabled", self.commands.enabled),
            ("held", self.commands.held),
        )
        for gate, told in commands:
            for at_s, value in told:
                if _frame_of(at_s) == number and value != getattr(transmitter, gate):
                    transmitter = self.transmitter.scheduled(
                        transmitter, at_s + SWITCH_DELAY_S, gate, value
                    )
        if transmitter.supplied == supply.cut_off:
            transmitter = self.transmitter.scheduled(
                transmitter, number * FRAME_S + SWITCH_DELAY_S, "supplied", not supply.cut_off
            )
        return transmitter

    def _signal(self, first_s: float) -> NDArray[np.complex128] | None:
        """Give what the generator gives at the port, about the receiver's centre."""
        iq: NDArray[np.complex128] | None = None
        for piece in self.programme.pieces(first_s, 1.0 / RATE_HZ, FRAME):
            start_s = first_s + piece.start / RATE_HZ
            count = piece.stop - piece.start
            amplitude = piece.setting.amplitude(start_s, 1.0 / RATE_HZ, count)
            if not amplitude.any():
                continue
            amplitude = amplitude * self.environment.gain(start_s, 1.0 / RATE_HZ, count)
            cycles = piece.setting.cycles(start_s, 1.0 / RATE_HZ, count, -self.receiver_offset_hz)
            if iq is None:
                iq = np.zeros(FRAME, dtype=np.complex128)
            iq.real[piece.start : piece.stop] = amplitude * sine(cycles + 0.25)
            iq.imag[piece.start : piece.stop] = amplitude * sine(cycles)
        impulses = self.environment.impulses(first_s, 1.0 / RATE_HZ, FRAME)
        if impulses is not None:
            iq = impulses if iq is None else iq + impulses
        return iq

    def _opening(self, number: int) -> FloatArray | float:
        """Give the opening voltage over a frame."""
        earlier = [clock for at_s, clock in self.commands.knob if _frame_of(at_s) < number]
        voltage = self.squelch.opening_voltage(earlier[-1] if earlier else 0.0)
        turned = [item for item in self.commands.knob if _frame_of(item[0]) == number]
        if not turned:
            return voltage
        opening = np.full(FRAME, voltage)
        for at_s, clock in turned:
            at = math.ceil((at_s - number * FRAME_S) * RATE_HZ - 1e-6)
            opening[max(at, 0) :] = self.squelch.opening_voltage(clock)
        return opening


def _frame_of(time_s: float) -> int:
    """Frame that a time falls into; a hair before a frame's start counts as its start."""
    return math.floor(time_s / FRAME_S + 1e-9)


def _check_delays(unit: SimulatedUnit) -> None:
    """Refuse a unit that answers faster than the world can follow."""
    squelch = unit.squelch
    if min(squelch.key_up_delay_s, squelch.release_delay_s) < FRAME_S or squelch.hang_s < 0.0:
        raise ValueError(f"{squelch=}: timers below {FRAME_S} s")
    if unit.audio.delay_s < 2 * LOOK_AHEAD_S:
        raise ValueError(f"{unit.audio.delay_s=} is below {2 * LOOK_AHEAD_S} s")


def _open_noise(unit: SimulatedUnit) -> float:
    """Detector voltage on noise alone of the nominal receiver: what the knob was set up with.

    The limiter takes away the level, so this depends on the filters only. The same random
    numbers for every unit: the set-up is not part of what is being simulated.
    """
    random = np.random.default_rng(20260101)
    receiver = Receiver(ReceiverPart(), Duplexer())
    squelch = Squelch(unit.squelch, 1.0)
    state = receiver.rest()
    filters = squelch.rest()
    high_pass, integrator = filters.high_pass, filters.integrator
    voltages = []
    for _ in range(_CALIBRATION_FRAMES):
        noise = random.standard_normal((2, FRAME), dtype=np.float32)
        frequency_hz, state = receiver.run(None, noise, 0.0, state)
        voltage, high_pass, integrator = squelch.detect(frequency_hz, high_pass, integrator)
        voltages.append(float(np.mean(voltage)))
    return float(np.mean(voltages[_CALIBRATION_FRAMES // 10 :]))
