"""The simulated unit: every parameter with its unit in the name and its source beside it.

What stands here is physics and circuit values, never an answer: sensitivity, squelch levels,
desensitisation and run time come out of running them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, fields, is_dataclass, replace
from typing import Any

from harness.errors import BadInput

CHOSEN = "chosen"
PRACTICE = "common practice, no source"


def given(value: Any, source: str = CHOSEN) -> Any:
    """Declare a parameter by its default and where that comes from."""
    return field(default=value, metadata={"source": source})


@dataclass(frozen=True, slots=True, kw_only=True)
class Duplexer:
    """Cavities between the antenna port, the receiver and the transmitter."""

    receive_loss_db: float = given(1.2, PRACTICE)
    transmit_loss_db: float = given(1.2, PRACTICE)
    isolation_db: float = given(75.0)
    """Of transmitter noise at the receive frequency, from transmitter to receiver."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverPart:
    """From the duplexer to the discriminator."""

    noise_figure_db: float = given(4.0, PRACTICE)
    crystal_error_ppm: float = given(0.4)
    if_cutoff_hz: float = given(5800.0, "chosen: 11 kHz noise bandwidth, for a 12.5 kHz channel")
    """Half-amplitude frequency on either side; half the noise bandwidth is a quarter of the
    transition less."""
    if_transition_hz: float = given(2600.0)
    if_stopband_db: float = given(60.0, PRACTICE)


@dataclass(frozen=True, slots=True, kw_only=True)
class SquelchPart:
    """Noise-operated carrier squelch and the timers behind it."""

    noise_corner_hz: float = given(4200.0)
    integration_s: float = given(0.012)
    hysteresis: float = given(1.8, "chosen: the transmitter's own noise does not close it again")
    """Closing over opening detector voltage."""
    knob: tuple[tuple[str, float], ...] = given(
        (
            ("7:00", 1.4),
            ("9:00", 1.2),
            ("10:30", 0.82),
            ("12:00", 0.17),
            ("3:30", 0.10),
            ("5:00", 0.052),
        )
    )
    """Opening voltage at clock positions, as a share of the detector's voltage on open noise of
    the nominal receiver; between the positions along a straight line."""
    opening_scale: float = given(1.0)
    hang_s: float = given(0.6)
    hang_jitter_s: float = given(0.0, "chosen: a timer that repeats")
    """Standard deviation of the hang timer from run to run, normal."""
    time_out_s: float = given(math.inf, "chosen: none")
    """From the squelch's opening to where the transmitter is dropped, input or not."""
    mute_s: float = given(0.0, "chosen: none")
    """Time constant of a second detector that mutes the audio at once; 0 is none."""
    key_up_delay_s: float = given(0.025)
    """From the keying line to the start of the rise."""
    release_delay_s: float = given(0.020)
    """From the keying line to the start of the fall."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioPart:
    """Between discriminator and modulator."""

    gain: float = given(0.96)
    """Deviation out over deviation in of the wiring, before the filters' own losses."""
    high_pass_hz: float = given(230.0)
    low_pass_hz: float = given(3400.0)
    emphasis_corner_hz: float = given(250.0)
    """Where the 6 dB/octave ends at the lower end."""
    delay_s: float = given(0.0011)
    limit_hz: float = given(2450.0)
    """Peak deviation at which the limiter clips."""
    splatter_low_pass_hz: float = given(4000.0)
    second_order_per_hz: float = given(2.5e-6)
    third_order_per_hz2: float = given(-1.2e-9)


@dataclass(frozen=True, slots=True, kw_only=True)
class TransmitterPart:
    """Crystal, modulator and power stage."""

    crystal_error_ppm: float = given(0.55)
    """At 25 degC and the reference voltage."""
    drift_ppm_per_k: float = given(-0.045)
    drift_ppm_per_v: float = given(0.12)
    key_up_offset_hz: float = given(350.0)
    key_up_settling_s: float = given(0.006)
    power_port_w: float = given(4.0, "DESIGN section 8")
    """At the port with the nominal duplexer, at the reference voltage."""
    nominal_transmit_loss_db: float = given(1.2)
    reference_v: float = given(12.4)
    power_exponent: float = given(2.0, "power goes as the square of the supply: " + PRACTICE)
    power_drift_db_per_k: float = given(-0.01)
    rise_s: float = given(0.003)
    fall_s: float = given(0.002)
    hum_hz: float = given(100.0)
    hum_deviation_hz: float = given(4.0)
    residual_fm_hz: float = given(5.0)
    """rms, noise in the modulator ahead of its low-pass."""
    noise_dbc_per_hz: float = given(-138.0)
    """At the duplex spacing."""
    cut_off_v: float = given(10.5, "end voltage of a 12 V lead-acid battery: " + PRACTICE)
    restart_v: float = given(11.8)


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryPart:
    """The battery and what the unit draws from it."""

    chemistry: str = given("lead-acid AGM", "DESIGN section 8")
    cells: int = given(6)
    capacity_ah: float = given(9.0, "DESIGN section 8")
    rated_hours: float = given(20.0, PRACTICE)
    rate_exponent: float = given(1.15)
    internal_resistance_ohm: float = given(0.045)
    """Full; it grows as the charge runs out."""
    state_of_charge: float = given(1.0)
    standby_a: float = given(0.045)
    receive_a: float = given(0.11)
    transmit_a: float = given(1.35)
    """At the reference voltage and rated power, receiver included."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalPart:
    """One lump of heat."""

    ambient_degc: float = given(21.0)
    rise_keyed_k: float = given(17.0)
    time_constant_s: float = given(700.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedUnit:
    """A repeater as the simulated bench runs it."""

    name: str
    receive_hz: float = given(158.425e6, "DESIGN section 8")
    transmit_hz: float = given(153.825e6, "DESIGN section 8")
    channel_spacing_hz: float = given(12500.0, "DESIGN section 8")
    rated_deviation_hz: float = given(2500.0, "DESIGN section 8")
    emphasis: bool = given(True)
    duplexer: Duplexer = field(default_factory=Duplexer)
    receiver: ReceiverPart = field(default_factory=ReceiverPart)
    squelch: SquelchPart = field(default_factory=SquelchPart)
    audio: AudioPart = field(default_factory=AudioPart)
    transmitter: TransmitterPart = field(default_factory=TransmitterPart)
    battery: BatteryPart = field(default_factory=BatteryPart)
    thermal: ThermalPart = field(default_factory=ThermalPart)


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter as it stands in a unit: where, its value, its default's source."""

    name: str
    value: Any
    source: str


def parameters(part: Any, prefix: str = "") -> Iterator[Parameter]:
    """List every parameter of a unit (or of one of its parts) with its source."""
    for item in fields(part):
        value = getattr(part, item.name)
        if is_dataclass(value):
            yield from parameters(value, f"{prefix}{item.name}.")
        elif "source" in item.metadata:
            yield Parameter(prefix + item.name, value, item.metadata["source"])


_UNITS = {
    "frost-watch-2": SimulatedUnit(name="Frost Watch 2"),
    # A little deaf, off frequency and on an older battery: DESIGN section 8; by how much: chosen.
    "frost-watch-1": SimulatedUnit(
        name="Frost Watch 1",
        receiver=ReceiverPart(noise_figure_db=7.0, crystal_error_ppm=1.1),
        squelch=SquelchPart(hang_s=0.74, integration_s=0.014),
        audio=AudioPart(gain=0.88),
        transmitter=TransmitterPart(
            crystal_error_ppm=2.75, power_port_w=3.6, noise_dbc_per_hz=-136.0
        ),
        battery=BatteryPart(capacity_ah=7.4, internal_resistance_ohm=0.085),
    ),
}


def simulated_unit(name: str) -> SimulatedUnit:
    """Give a unit of the demonstration by its short name.

    Raises
    ------
    BadInput : no such unit.
    """
    if name not in _UNITS:
        raise BadInput(
            f"there is no simulated unit {name!r}", "simulated bench", f"Known: {', '.join(_UNITS)}"
        )
    return _UNITS[name]


FAULTS: dict[str, str] = {
    "lost blocks": "every receiver drops a run of samples now and then",
    "unplugged dongle": "the output receiver falls silent a few seconds into the first take",
    "overload": "a 10 dB pad before the output receiver was left out: its converter clips",
    "off-frequency crystal": "the transmitter's crystal is 12 ppm high",
    "loose squelch": "the squelch opens at 1.6 times the noise that its knob says",
    "deaf receiver": "the receiver's noise figure is 10 dB worse",
    "detuned duplexer": "20 dB less isolation, 2 dB more loss to the receiver, 1 dB from the "
    "transmitter",
    "weak battery": "0.4 of the capacity, four times the internal resistance",
    "unsteady hang timer": "the hang time scatters by 8 % from keying to keying",
    "time-out timer": "the transmitter drops 30 s after the squelch opened, and stays off until it"
    " closes",
    "no tail": "a quick second detector mutes the audio before the noise is heard",
    "slow fade": "what the unit is sent fades by 6 dB and comes back, three times a minute",
    "impulse noise": "300 impulses a second, 20 microseconds long, -80 dBm at the unit's port",
    "generator off frequency": "what the unit is sent is 1.8 kHz above what the generator says",
}
"""The faults that can be switched on, by name, and what each does."""


def with_faults(unit: SimulatedUnit, faults: tuple[str, ...]) -> SimulatedUnit:
    """Give the unit with the faults that lie in it; those of the bench change nothing here.

    Raises
    ------
    BadInput : an unknown fault.
    """
    for fault in faults:
        if fault not in FAULTS:
            raise BadInput(
                f"there is no fault {fault!r}", "simulated bench", f"Known: {', '.join(FAULTS)}"
            )
    if "off-frequency crystal" in faults:
        error_ppm = unit.transmitter.crystal_error_ppm + 12.0
        unit = replace(unit, transmitter=replace(unit.transmitter, crystal_error_ppm=error_ppm))
    if "loose squelch" in faults:
        scale = unit.squelch.opening_scale * 1.6
        unit = replace(unit, squelch=replace(unit.squelch, opening_scale=scale))
    if "deaf receiver" in faults:
        figure_db = unit.receiver.noise_figure_db + 10.0
        unit = replace(unit, receiver=replace(unit.receiver, noise_figure_db=figure_db))
    if "detuned duplexer" in faults:
        duplexer = replace(
            unit.duplexer,
            isolation_db=unit.duplexer.isolation_db - 20.0,
            receive_loss_db=unit.duplexer.receive_loss_db + 2.0,
            transmit_loss_db=unit.duplexer.transmit_loss_db + 1.0,
        )
        unit = replace(unit, duplexer=duplexer)
    if "unsteady hang timer" in faults:
        squelch = replace(unit.squelch, hang_jitter_s=0.08 * unit.squelch.hang_s)
        unit = replace(unit, squelch=squelch)
    if "time-out timer" in faults:
        unit = replace(unit, squelch=replace(unit.squelch, time_out_s=30.0))
    if "no tail" in faults:
        unit = replace(unit, squelch=replace(unit.squelch, mute_s=0.0002))
    if "weak battery" in faults:
        battery = replace(
            unit.battery,
            capacity_ah=unit.battery.capacity_ah * 0.4,
            internal_resistance_ohm=unit.battery.internal_resistance_ohm * 4.0,
        )
        unit = replace(unit, battery=battery)
    return unit
