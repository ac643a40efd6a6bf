"""What a measurement is told before the first block: the channel, its calibration, the steps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, Protocol

from harness.blocks import Block
from harness.devices import Role, TransmitterState
from harness.dsp.plan import PASSBAND_SPACINGS
from harness.readings import Findings
from harness.uncertainty import Contribution

Weighting = Literal["flat", "psophometric", "c-message"]
Signal = Literal["iq", "audio"]

NO_SIGNAL = "no signal"
"""Label of a step in which the generator is off (DESIGN section 3, own fields)."""
NO_MODULATION = "no modulation"
"""Label of a step in which the generator's carrier is not modulated: for quieting."""

AT_OPENING = "at opening"
"""Label of a step with standard test modulation at the level at which the squelch opens."""
ABOVE_OPENING = "above opening"
"""Label of one at a higher level, where the squelch does not stay open at that one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A span of a recording under known conditions.

    Parameters
    ----------
    start_s, end_s : float, from the start of the recording on its own corrected clock
    level_port_dbm : float or None
        Level at the unit's port as set; None with the label ``no signal`` is generator off.
    knob : str or None, position of the squelch knob as marked on the unit
    offset_hz : float or None, generator's carrier minus the nominal receive frequency
    transmitter : "on", "off" or None, whether the unit transmitted
    label : str, what the step is for, or nothing
    """

    start_s: float
    end_s: float
    level_port_dbm: float | None = None
    knob: str | None = None
    offset_hz: float | None = None
    transmitter: TransmitterState | None = None
    label: str = ""

    @property
    def duration_s(self) -> float:
        """Length of the step."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """What a measurement knows of one stream of channel blocks.

    Parameters
    ----------
    name : str
        Name of the recording.
    role : "input", "output" or "audio"
    signal : "iq" (complex64 channel blocks) or "audio" (float64 blocks, any unit)
    sample_rate_hz : float, of the channel blocks, true (clock error corrected)
    centre_hz : float
        True radio frequency of 0 Hz in the channel blocks; 0 for audio.
    nominal_hz : float or None
        What the carrier ought to be; None when nobody said.
    tuned_hz : float, where the recorder was set to, as it says itself
    spacing_hz : float, channel spacing
    width_spacings : float, how many spacings wide the channel was taken; the blocks are flat over
        1.2 times as much
    recorder_centre_hz : float or None
        True radio frequency of the recorder's own centre, where its DC spike stands.
    level_offset_db : float or None
        Added to dBFS (0 is a complex sinusoid of amplitude 1) to give dBm at the unit's port;
        None when the recording is not calibrated.
    level_contributions : what its uncertainty is made of, in dB
    clock_contributions : uncertainty of the recorder's clock error, each in ppm
    skew_s : float, added to the recording's own time to get the take's time
    skew_contributions : what its uncertainty is made of, in s
    start_utc : time of sample 0, or None
    steps : as annotated, in order of time
    """

    name: str
    role: Role
    signal: Signal = "iq"
    sample_rate_hz: float
    centre_hz: float = 0.0
    nominal_hz: float | None = None
    tuned_hz: float = 0.0
    spacing_hz: float = 12500.0
    width_spacings: float = 1.0
    recorder_centre_hz: float | None = None
    level_offset_db: float | None = None
    level_contributions: tuple[Contribution, ...] = ()
    clock_contributions: tuple[Contribution, ...] = ()
    skew_s: float = 0.0
    skew_contributions: tuple[Contribution, ...] = ()
    start_utc: datetime | None = None
    steps: tuple[Step, ...] = ()

    @property
    def flat_hz(self) -> float:
        """How far from its middle the channel is flat."""
        return PASSBAND_SPACINGS * self.spacing_hz * self.width_spacings


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What the user may ask of a measurement; a kind refuses what it cannot heed.

    ``rated_deviation_hz``, ``emphasis`` and ``end_v`` come from the unit file. ``repeater_delay_s``
    is the unit's audio delay, for timing from the output alone; None when unknown.
    ``standard_span_s`` is the part of a recording that holds standard test modulation.
    ``stimulus_contributions`` is the uncertainty, in dB, of a level as the generator was set, and
    ``level_step_db`` how finely it can be set where that is coarse;
    ``voltage_contributions`` and ``current_contributions`` that of the meter on the supply, in V
    and A. ``mask`` is an emission mask by name or file, ``power_w`` the transmitter's rated power,
    from the unit file unless given.
    """

    weighting: Weighting = "flat"
    de_emphasis: bool = False
    rated_deviation_hz: float | None = None
    emphasis: bool | None = None
    standard_span_s: tuple[float, float] | None = None
    end_v: float | None = None
    repeater_delay_s: float | None = None
    stimulus_contributions: tuple[Contribution, ...] = ()
    level_step_db: float | None = None
    voltage_contributions: tuple[Contribution, ...] = ()
    current_contributions: tuple[Contribution, ...] = ()
    mask: str | None = None
    power_w: float | None = None


class Measurement(Protocol):
    """Blocks of one or more channels in, findings out; state explicit, no clock, no files."""

    def push(self, role: Role, block: Block) -> None:
        """Take a channel block of one of the channels, in order of time within a role."""
        ...

    def finish(self) -> Findings:
        """Give what was found; called once, after the last block."""
        ...


class MeasurementKind(Protocol):
    """How a measurement is made: the entries of ``measure.kinds.KINDS``."""

    def __call__(self, channels: Mapping[Role, Channel], options: Options) -> Measurement:
        """Begin a measurement on these channels."""
        ...
