"""The simulated bench: what procedures drive and recordings are made from.

    generator --> tap --60 dB pad--> unit's port --43 dB of pads--> output dongle
                  tap --10 dB------> input dongle
                                      unit's loudspeaker --------> sound card

Time is true time, counted from the start of a take: ``read(until_s)`` gives every sample that a
dongle takes before ``until_s``, and a command holds from there on, exact to the sample. A dongle
whose clock is fast has therefore given a few more samples than ``until_s`` times its nominal rate.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.blocks import Block
from harness.devices import Role, StreamInfo, SupplyReading
from harness.errors import BadInput, HardwareFault
from harness.simulator.dongle import Dongle
from harness.simulator.environment import CALM, CONDITIONS, Environment
from harness.simulator.paths import declared_bench, true_dongles
from harness.simulator.sound import SoundCard
from harness.simulator.squelch import knob_positions
from harness.simulator.truth import Keying, Truth
from harness.simulator.unit import SimulatedUnit, with_faults
from harness.simulator.world import FRAME_S, World

WHERE = "simulated bench"
MAXIMUM_PORT_DBM = -40.0
WIDEST_OFFSET_HZ = 20e3
"""What the unit's baseband can hold without folding onto the channel."""
_OPENED_S = 25 * FRAME_S
"""The unit has been running for half a second when the bench is opened."""
_GENERATOR_ERROR_DB = 0.12
_GENERATOR_ERROR_PPM = 0.01
_LOST_SHARE = 0.02
_PIECE_S = 0.2
_SETTLING_S = 1.5
"""So long after the hang time the keying is steady: its own delays, and then a second. Chosen."""
_RECENT_FRAMES = 50
"""A second, whose keying counts for what follows."""
_UNPLUGGED_S = 4.0
_METER_NOISE_V = 0.004
_METER_NOISE_A = 0.002


class SimulatedBench:
    """A unit, a generator, two dongles, a sound card and a meter, all simulated.

    Parameters
    ----------
    unit : of ``simulated_unit``, or any other
    seed : int, 0 or more; the same one gives the same samples
    sample_rate_hz : of both dongles, a multiple of 31.25 kHz
    faults : names out of ``FAULTS``
    streams : which dongles are there, and "audio" where the sound card is
    environment : what happens to the signal on its way to the unit; faults are put on top

    Raises
    ------
    BadInput : unknown fault or impossible rate.

    Notes
    -----
    Satisfies SampleSource, Generator, KnobHand, SupplyMeter, TransmitterSwitch, TransmitterKey and
    Waiter of ``harness.devices``. The knob begins at 12:00, RF off, the transmitter enabled.
    """

    def __init__(
        self,
        unit: SimulatedUnit,
        *,
        seed: int = 1,
        sample_rate_hz: float = 250e3,
        faults: Collection[str] = (),
        streams: Collection[Role] = ("input", "output"),
        environment: Environment = CALM,
    ) -> None:
        self._faults = tuple(faults)
        for name, changes in CONDITIONS.items():
            if name in self._faults:
                environment = replace(environment, **changes)
        faulty = with_faults(unit, self._faults)
        unknown = [role for role in streams if role not in ("input", "output", "audio")]
        if unknown:
            raise ValueError(f"no stream {unknown[0]!r}")
        # One independent run of random numbers for each use, whichever streams there are.
        chains = [
            np.random.Generator(np.random.SFC64(child))
            for child in np.random.SeedSequence(seed).spawn(7)
        ]
        self._world = World(faulty, chains[0], environment)
        chained: dict[Role, np.random.Generator] = {"input": chains[1], "output": chains[2]}
        parts = {part.role: part for part in true_dongles(faulty, "overload" in self._faults)}
        self._dongles: dict[Role, Dongle] = {
            role: Dongle(parts[role], sample_rate_hz, chain)
            for role, chain in chained.items()
            if role in streams
        }
        self._sound = SoundCard(self._world, chains[6]) if "audio" in streams else None
        # What may lose blocks: the dongles. A sound card's overruns are another story.
        self._losing: dict[Role, np.random.Generator] = {"input": chains[3], "output": chains[4]}
        self._meter = chains[5]
        self._seed = seed
        self._now_s = _OPENED_S
        self._skipped_ns = 0
        self._settled_s: float | None = None
        self._steady: tuple[float, float] | None = None
        self._take_s: float | None = None
        self._takes: list[float] = []
        self._readers: dict[Role, _Reader] = {}
        self._input_keyings: list[Keying] = []
        self.truth = Truth(
            self._world, {role: parts[role] for role in self._dongles}, self._keyings
        )
        self.set_frequency(faulty.receive_hz)
        self._world.advance(self._now_s)

    # Source -----------------------------------------------------------------------------------

    @property
    def streams(self) -> Mapping[Role, StreamInfo]:
        """The streams there are."""
        infos = {role: dongle.info for role, dongle in self._dongles.items()}
        return infos if self._sound is None else {**infos, self._sound.role: self._sound.info}

    def start(self) -> None:
        """Begin a take: the next sample is sample 0 (of each dongle, a few us apart)."""
        if self._take_s is not None:
            raise ValueError("a take is already running: stop() it first")
        self._unsettle()
        self._take_s = self._now_s
        self._takes.append(self._now_s)
        self._readers = {
            role: _Reader(self, dongle, self._losing[role] if self._loses else None)
            for role, dongle in self._dongles.items()
        }
        if self._sound is not None:
            self._readers[self._sound.role] = _Reader(self, self._sound, None)

    def read(self, until_s: float) -> Mapping[Role, list[Block]]:
        """Give what was sampled up to ``until_s`` of true time from the start of the take.

        Raises
        ------
        HardwareFault : a dongle is unplugged; what it gave before came with the read before.
        ValueError : no take is running.
        """
        if self._take_s is None:
            raise ValueError("no take is running: start() one first")
        if not math.isfinite(until_s):
            raise ValueError(f"{until_s=} is not a time")
        end_s = math.inf
        if "unplugged dongle" in self._faults and len(self._takes) == 1:
            end_s = _UNPLUGGED_S
        if self._now_s - self._take_s >= end_s and "output" in self._dongles:
            raise HardwareFault(
                f"no samples since {end_s:g} s into the take; unplugged?",
                self._dongles["output"].info.hardware,
                "All up to there is kept. Plug it in and start again",
            )
        until_s = min(until_s, end_s)
        given: dict[Role, list[Block]] = {role: [] for role in self._readers}
        while True:
            # Side by side and in short pieces, so that little of the past need be kept.
            piece_s = min(until_s, self._now_s - self._take_s + _PIECE_S)
            for role, reader in self._readers.items():
                given[role].extend(reader.read(piece_s))
            self._now_s = max(self._now_s, self._take_s + piece_s)
            self._world.advance(self._now_s)
            self._tidy()
            if piece_s >= until_s:
                return given

    def stop(self) -> None:
        """End the take; allowed when none is running."""
        self._unsettle()
        self._take_s = None
        self._readers = {}

    # Generator --------------------------------------------------------------------------------

    def set_frequency(self, frequency_hz: float) -> None:
        """Set the carrier frequency; within 20 kHz of the unit's channel."""
        offset_hz = frequency_hz * (1.0 + _GENERATOR_ERROR_PPM * 1e-6)
        offset_hz -= self._world.unit.receive_hz
        if not abs(offset_hz) <= WIDEST_OFFSET_HZ + 10.0:
            raise BadInput(
                f"the generator cannot be set to {frequency_hz:g} Hz",
                WHERE,
                f"Stay within {WIDEST_OFFSET_HZ / 1e3:g} kHz of the unit's receive frequency",
            )
        self._unsettle()
        offset_hz += self._world.environment.generator_offset_hz
        self._world.set_generator(self._now_s, offset_hz=offset_hz)

    def set_modulation(self, tone_hz: float, deviation_hz: float) -> None:
        """Set sine FM; a deviation of 0 is an unmodulated carrier."""
        if not (0.0 <= deviation_hz <= 10e3 and (0.0 < tone_hz <= 10e3 or deviation_hz == 0.0)):
            raise BadInput(
                f"cannot modulate {tone_hz:g} Hz with {deviation_hz:g} Hz deviation",
                WHERE,
                "Both go up to 10 kHz",
            )
        self._unsettle()
        self._world.set_generator(self._now_s, tone_hz=tone_hz, deviation_hz=deviation_hz)

    def set_level(self, level_port_dbm: float) -> None:
        """Set the level at the unit's port and switch RF on."""
        if not -200.0 <= level_port_dbm <= MAXIMUM_PORT_DBM:
            raise BadInput(
                f"cannot give {level_port_dbm:g} dBm at the unit's port",
                WHERE,
                f"The generator and its pads go up to {MAXIMUM_PORT_DBM:g} dBm there",
            )
        self._set_amplitude(10.0 ** ((level_port_dbm + _GENERATOR_ERROR_DB) / 20.0))

    def rf_off(self) -> None:
        """Switch RF off: allowed at any time, any number of times."""
        self._set_amplitude(0.0)

    def _set_amplitude(self, amplitude: float) -> None:
        before = self._world.programme.now.after
        if amplitude == before:
            return
        self._unsettle()
        self._world.set_generator(self._now_s, after=amplitude)
        if self._take_s is not None and 0.0 in (before, amplitude):
            at_s = self._world.programme.now.half_power_s() - self._take_s
            take = len(self._takes) - 1
            self._input_keyings.append(
                Keying(take=take, role="input", at_s=at_s, on=amplitude > 0.0)
            )

    # Knob, switch, meter, clock ---------------------------------------------------------------

    def turn_knob(self, position: str) -> None:
        """Turn the squelch knob to a clock position in half hours, such as ``"3:30"``."""
        self._unsettle()
        self._world.turn_knob(self._now_s, position)

    @property
    def knob_positions(self) -> tuple[str, ...]:
        """The marks on the knob."""
        return knob_positions(self._world.unit.squelch)

    def set_transmitter_enabled(self, enabled: bool) -> None:
        """Let the unit transmit when keyed, or keep it from it."""
        self._unsettle()
        self._world.set_enabled(self._now_s, enabled)

    def hold_transmitter(self, held: bool) -> None:
        """Hold the transmitter's key, as by hand, or let it go."""
        self._unsettle()
        self._world.set_held(self._now_s, held)

    def read_supply(self) -> SupplyReading:
        """Give what the meter on the battery shows, with its own noise."""
        supply = self._world.supply
        noise = self._meter.standard_normal(2)
        return SupplyReading(
            voltage_v=supply.voltage_v + _METER_NOISE_V * float(noise[0]),
            current_a=supply.current_a + _METER_NOISE_A * float(noise[1]),
            temperature_degc=round(supply.temperature_degc, 1),
        )

    def wait(self, seconds: float) -> None:
        """Let time pass between takes, faster than the clock.

        The unit is run until its keying has settled; from there on only charge and heat are
        followed, with the keying of the last second, until the supply cuts the transmitter off
        or lets it on again: then the unit is run once more. The cut of a wait never shows.

        Raises
        ------
        ValueError : during a take, where samples would be missing; or a negative time.
        """
        if self._take_s is not None:
            raise ValueError("wait() lets time pass between takes, and one is running")
        if not 0.0 <= seconds < math.inf:
            raise ValueError(f"{seconds=} is not a time that can pass")
        left_ns = round(seconds * 1e9)
        while left_ns > 0:
            if self._steady is None:
                left_ns = self._settle(left_ns)
                continue
            passed_ns, switched = self._world.fast_forward(left_ns, *self._steady)
            self._skipped_ns += passed_ns
            left_ns -= passed_ns
            if switched:
                self._unsettle()
        self._tidy()

    def _settle(self, left_ns: int) -> int:
        """Run the unit towards the time at which its keying has settled; give what is left."""
        if self._settled_s is None:
            squelch = self._world.unit.squelch
            settling_s = squelch.hang_s + _SETTLING_S
            if math.isfinite(squelch.time_out_s):
                settling_s += squelch.time_out_s
            self._settled_s = math.ceil((self._now_s + settling_s) / FRAME_S) * FRAME_S
        to_go_ns = round((self._settled_s - self._now_s) * 1e9)
        if left_ns < to_go_ns:
            self._now_s += left_ns * 1e-9
            self._world.advance(self._now_s)
            return 0
        self._now_s = self._settled_s
        self._world.rewind(self._now_s)
        self._world.advance(self._now_s - FRAME_S / 2)
        recent = self._world.frames[-_RECENT_FRAMES:]
        keyed = sum(frame.keyed for frame in recent) / len(recent)
        receiving = sum(max(frame.receiving, frame.keyed) for frame in recent) / len(recent)
        self._steady = keyed, receiving
        return left_ns - to_go_ns

    def _unsettle(self) -> None:
        """Something was commanded, or the supply switched: the keying may change."""
        self._settled_s = self._steady = None

    @property
    def now_s(self) -> float:
        """Seconds that have passed since the bench was opened."""
        return self._now_s - _OPENED_S + self._skipped_ns * 1e-9

    # Description ------------------------------------------------------------------------------

    def declared_bench(self) -> dict[str, Any]:
        """Give what a bench file would say: shaped like ``bench.toml``, as well known as usual.

        Losses, scales and clocks are off their true values by about their standard uncertainty.
        """
        return declared_bench(self._world.unit, self._dongles, self._seed, self._faults)

    # Inside -----------------------------------------------------------------------------------

    @property
    def _loses(self) -> bool:
        return "lost blocks" in self._faults

    def _frame(self, role: Role, number: int) -> NDArray[Any]:
        """Codes of a frame of a dongle or of the sound card."""
        take_s = self._take_s
        assert take_s is not None
        if role == "audio":
            assert self._sound is not None
            return self._sound.codes(number, take_s)
        dongle = self._dongles[role]
        if role == "input":
            receive_hz = self._world.unit.receive_hz
            programme, environment = self._world.programme, self._world.environment
            return dongle.of_generator(number, take_s, programme, receive_hz, environment)
        return dongle.of_unit(number, take_s, self._world)

    @property
    def _version(self) -> tuple[int, int]:
        return self._world.version, len(self._world.programme.settings)

    def _tidy(self) -> None:
        """Forget what no read or command can ask for, and bring the truth up to date."""
        needed_s = self._now_s
        if self._take_s is not None:
            starts = [reader.frame_start_s for reader in self._readers.values()]
            needed_s = min([needed_s, *(self._take_s + start for start in starts)])
        if self._settled_s is not None:
            needed_s = min(needed_s, self._settled_s - _RECENT_FRAMES * FRAME_S)
        self._world.forget_before(needed_s - 2 * FRAME_S)

    def _keyings(self) -> list[Keying]:
        events = [*self._world.past_events]
        events += [event for frame in self._world.frames for event in frame.events]
        keyings = list(self._input_keyings)
        for event in events:
            started = [take_s for take_s in self._takes if take_s <= event.at_s]
            if started and event.at_s < self._now_s:
                keyings.append(
                    Keying(
                        take=len(started) - 1,
                        role="output",
                        at_s=event.at_s - started[-1],
                        on=event.on,
                    )
                )
        return sorted(keyings, key=lambda keying: (keying.take, keying.at_s))


class _Reader:
    """Hands out one device's samples of a take, in whatever pieces are asked for."""

    def __init__(
        self,
        bench: SimulatedBench,
        dongle: Dongle | SoundCard,
        losing: np.random.Generator | None,
    ) -> None:
        self._bench = bench
        self._dongle = dongle
        self._losing = losing
        self._done = 0
        self._lost = 0
        self._lost_frame = False
        self._rolled = 0
        self._cached: tuple[int, tuple[int, int], NDArray[Any]] | None = None
        dongle.restart()

    @property
    def frame_start_s(self) -> float:
        """Time in the take of the first sample of the frame that comes next."""
        return self._dongle.time_s(self._done // self._dongle.frame * self._dongle.frame)

    def read(self, until_s: float) -> list[Block]:
        """Give the samples up to a time of the take."""
        target = self._dongle.count_before(until_s)
        length = self._dongle.frame
        blocks: list[Block] = []
        while self._done < target:
            number = self._done // length
            stop = min(target, (number + 1) * length)
            if self._loses(number):
                self._lost += stop - self._done
            else:
                start = number * length
                codes = self._codes(number)[self._done - start : stop - start]
                blocks.append(
                    Block(codes, self._done, self._dongle.sample_rate_hz, lost_before=self._lost)
                )
                self._lost = 0
            self._done = stop
        return blocks

    def _loses(self, number: int) -> bool:
        """Whether this frame is dropped: never the first."""
        if self._losing is None or number == 0:
            return False
        while self._rolled < number:
            self._lost_frame = bool(self._losing.random() < _LOST_SHARE)
            self._rolled += 1
        return self._lost_frame

    def _codes(self, number: int) -> NDArray[Any]:
        version = self._bench._version
        if self._cached is None or self._cached[:2] != (number, version):
            codes = self._bench._frame(self._dongle.role, number)
            codes.flags.writeable = False
            self._cached = (number, version, codes)
            self._dongle.forget_before(number)
        return self._cached[2]
