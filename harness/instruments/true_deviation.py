"""A generator whose deviation scale is known: set so that the true deviation is what is asked."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from harness import devices
from harness.describe import DeviationCalibration, same_tone

STEP_HZ = 1.0
"""Deviations are set to whole steps of this. Chosen: what hands and generators can set; at 1.5 kHz
half of it is 0.03 %."""


class TrueDeviation:
    """A generator in front of another, whose deviation it corrects.

    Parameters
    ----------
    generator : what is really set
    found : its deviation scales, one for each tone that was calibrated with

    Notes
    -----
    Satisfies ``harness.devices.Generator``. At another tone nothing is corrected; at another
    deviation the scale is taken as the same (common practice, no source). ``cautions`` says both.
    """

    def __init__(self, generator: devices.Generator, found: Sequence[DeviationCalibration]) -> None:
        self._generator = generator
        self._found = tuple(found)

    def cautions(self, today: date) -> tuple[str, ...]:
        """Say what is corrected, over what it was found, and whether it still holds."""
        told = []
        for one in self._found:
            told.append(
                f"The generator's deviation is corrected with a tone of {one.tone_hz:.0f} Hz: true"
                f" is {one.deviation_scale:.4f} ± {2.0 * one.deviation_scale_uncertainty:.4f} of"
                f" what it shows, found from {one.lowest_hz:.0f} to {one.highest_hz:.0f} Hz and"
                " taken as the same beyond; with other tones it is as shown. U of the readings does"
                " not hold it."
            )
            if today > one.valid_until:
                told.append(
                    f"The generator's deviation calibration was valid until {one.valid_until}, it"
                    f" is {today}; calibrate it again."
                )
        return tuple(told)

    def set_frequency(self, frequency_hz: float) -> None:
        """Set the carrier frequency."""
        self._generator.set_frequency(frequency_hz)

    def set_modulation(self, tone_hz: float, deviation_hz: float) -> None:
        """Set sine FM of a true deviation; 0 is an unmodulated carrier."""
        for one in self._found:
            if deviation_hz and same_tone(one.tone_hz, tone_hz):
                deviation_hz = STEP_HZ * round(deviation_hz / one.deviation_scale / STEP_HZ)
                break
        self._generator.set_modulation(tone_hz, deviation_hz)

    def set_level(self, level_port_dbm: float) -> None:
        """Set the level at the unit's port and switch RF on."""
        self._generator.set_level(level_port_dbm)

    def rf_off(self) -> None:
        """Switch RF off: allowed at any time, any number of times."""
        self._generator.rf_off()
