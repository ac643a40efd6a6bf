"""Whether a reading lies within the calibration that it rests on.

Only what rests on a calibration file is asked. A level in dBm hangs on date, gain, level range,
frequency and temperature; a difference of levels and a modulation do not, since the scale drops out
of them. A frequency error hangs on the clock's date and temperature; gain, level and tuning do not
move it. A recording made before its
calibration is taken as covered: calibrating afterwards is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date
from typing import TYPE_CHECKING

from harness.readings import Reading
from harness.recordings import Recording

if TYPE_CHECKING:
    from harness.describe import LevelCalibration, Receiver
    from harness.describe.calibration import Calibration

EDGE_DB = 0.5
"""A level this far beyond the calibrated range still counts as in it. Chosen: so that the very
level that was calibrated with is not outside by its noise."""
NEAR_SHARE = 0.1
"""A receiver tuned this share beyond the frequencies it was calibrated at still counts as within.
Chosen: a low-cost tuner's gain moves slowly within one of its bands, and by decibels between."""
NEAR_DEGC = 10.0
"""So far from the temperature of the calibration counts as at it. Chosen: a plain crystal moves by
some 1 ppm, a tuner's gain by some 0.1 dB (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Validity:
    """What speaks against the calibration of one recording's receiver.

    Parameters
    ----------
    recording : its name
    role : ``.output`` and the like, as the names of contributions have it
    level_faults, clock_faults : one sentence each
    range_port_dbm : lowest and highest calibrated level, at the unit's port; None: no file
    """

    recording: str = ""
    role: str = ""
    level_faults: tuple[str, ...] = ()
    clock_faults: tuple[str, ...] = ()
    range_port_dbm: tuple[float, float] | None = None

    def faults(self, reading: Reading) -> tuple[str, ...]:
        """Give a sentence for each thing that puts a reading outside the calibration."""
        if self.recording not in reading.recordings or not isinstance(reading.value, int | float):
            return ()
        if reading.name == "frequency_error":
            return self.clock_faults
        scale = f".{self.role}.full_scale_dbm"
        if reading.unit != "dBm" or not any(c.name.endswith(scale) for c in reading.contributions):
            return ()
        found = list(self.level_faults)
        if self.range_port_dbm is not None:
            low, high = self.range_port_dbm
            if not low - EDGE_DB <= reading.value <= high + EDGE_DB:
                found.append(
                    f"{self.recording}: {reading.value:.1f} dBm is outside the calibrated range,"
                    f" {low:.1f} to {high:.1f} dBm at the unit's port; calibrate at this level."
                )
        return tuple(found)


def validity(recording: Recording, declared: Receiver | None) -> Validity:
    """Hold a recording against the calibration file that its receiver's bench names.

    What the recording says of itself comes first: a scale or a clock error of its own that is not
    the file's is none of the file's business.
    """
    if declared is None:
        return Validity()
    from harness.describe import same_gain

    start_utc = recording.segments[0].start_utc
    made = start_utc.astimezone(UTC).date() if start_utc else None
    level_faults: list[str] = []
    clock_faults: list[str] = []
    range_port_dbm = None
    level, clock = declared.level_calibration, declared.clock_calibration
    if level is not None:
        level_faults += dated(recording.name, "level", made, level.valid_until)
        level_faults += warm(recording.name, level, "level", declared.temperature_degc)
        level_faults += _tuned(recording, level)
        if recording.gain_db is not None and not same_gain(recording.gain_db, level.gain_db):
            level_faults.append(
                f"{recording.name}: it was made at a gain of {recording.gain_db:g} dB, the level"
                f" calibration at {level.gain_db:g} dB; calibrate at that gain."
            )
        offset_db = recording.port_offset_db
        if offset_db is None:
            offset_db = declared.port_offset_db
        range_port_dbm = (level.lowest_dbm + offset_db, level.highest_dbm + offset_db)
    if clock is not None and recording.clock_error_ppm in (None, clock.clock_error_ppm):
        clock_faults += dated(recording.name, "clock", made, clock.valid_until)
        clock_faults += warm(recording.name, clock, "clock", declared.temperature_degc)
    return Validity(
        recording=recording.name,
        role=declared.role,
        level_faults=tuple(level_faults),
        clock_faults=tuple(clock_faults),
        range_port_dbm=range_port_dbm,
    )


def dated(name: str, what: str, made: date | None, until: date) -> list[str]:
    """Tell of a recording made after its calibration's last day, or nobody knows when."""
    if made is None:
        return [
            f"{name}: it bears no date, so nobody can tell whether its {what} calibration, valid"
            f" until {until}, held."
        ]
    if made <= until:
        return []
    return [f"{name}: its {what} calibration was valid until {until}, it was made on {made}."]


def _tuned(recording: Recording, level: LevelCalibration) -> list[str]:
    """Tell of a recording that was tuned where the level scale is not known."""
    at_hz = recording.segments[0].centre_hz
    low_hz, high_hz = level.lowest_hz, level.highest_hz
    # A recording at 0 Hz does not tell what it was tuned to.
    if low_hz is None or high_hz is None or at_hz == 0.0:
        return []
    if (1.0 - NEAR_SHARE) * low_hz <= at_hz <= (1.0 + NEAR_SHARE) * high_hz:
        return []
    return [
        f"{recording.name}: it was tuned to {at_hz / 1e6:.3f} MHz, the level calibration to"
        f" {low_hz / 1e6:.3f} to {high_hz / 1e6:.3f} MHz; calibrate near that frequency."
    ]


def warm(
    name: str,
    found: Calibration,
    what: str,
    temperature_degc: float | None,
) -> list[str]:
    """Tell of a bench much warmer or colder than at its calibration, where both are known."""
    if found.temperature_degc is None or temperature_degc is None:
        return []
    if abs(temperature_degc - found.temperature_degc) <= NEAR_DEGC:
        return []
    return [
        f"{name}: the bench is at {temperature_degc:g} degC, its {what} calibration was made at"
        f" {found.temperature_degc:g} degC; calibrate within {NEAR_DEGC:g} degC."
    ]
