"""Spectrum: occupied bandwidth, adjacent channel power, emission mask, transient frequency.

Everything is read off one channel several spacings wide: the mean spectrum while keyed, and the
frequency at each key-up and drop. What the recording is too narrow for is said, not measured.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from harness.blocks import Block
from harness.devices import Role
from harness.errors import BadInput
from harness.measure.adjacent import (
    Side,
    adjacent_channel,
    adjacent_channel_power,
    authorised_bandwidth_hz,
)
from harness.measure.emission import Emission, EmissionWatch
from harness.measure.mask_margin import emission_mask_margin, masked_emission
from harness.measure.masks import Mask, load_mask, mask_for
from harness.measure.occupied import occupied_bandwidth
from harness.measure.setup import Channel, Options
from harness.measure.transient import TransientWatch, transient_rule
from harness.measure.transient_readings import transient_readings
from harness.readings import Axis, Findings, Reading, Series, not_measured, sentence
from harness.units import db_from_ratio

RESOLUTION_SPACINGS = 1.0 / 125.0
"""Width of a line without a mask, as a share of the spacing: 100 Hz at 12.5 kHz. Chosen: about
a hundredth of the emission."""
LEAST_CARRIER_RATIO = 1.0
"""Less than this to the noise in its channel is no carrier. Chosen: 0 dB."""
SIDES: tuple[Side, ...] = ("lower", "upper")


class Spectrum:
    """Measure the emission of one channel: ``output`` if there is one, else the only one.

    Parameters
    ----------
    channels : one channel of IQ, or several of which one is the output
    options : ``mask`` and ``power_w`` are heeded

    Raises
    ------
    BadInput : no such mask, or it needs what nobody said.
    """

    def __init__(self, channels: Mapping[Role, Channel], options: Options) -> None:
        self._role: Role = "output" if "output" in channels else next(iter(channels))
        self._channel = channel = channels[self._role]
        if channel.signal != "iq":
            raise ValueError("a spectrum is measured on IQ")
        power_w = options.power_w
        if power_w is not None and not 0.0 < power_w < 1e6:
            raise BadInput(f"{power_w:g} W is no power", "--power", "Give it in watts, above 0.")
        self._power_w = power_w
        self._mask: Mask | None = None
        if options.mask is not None:
            self._mask = mask_for(
                load_mask(options.mask),
                power_w=power_w,
                bandwidth_hz=authorised_bandwidth_hz(channel.spacing_hz),
            )
        resolution_hz = RESOLUTION_SPACINGS * channel.spacing_hz
        if self._mask is not None:
            resolution_hz = self._mask.file.resolution_hz
        recorder_hz = None
        if channel.recorder_centre_hz is not None:
            recorder_hz = channel.recorder_centre_hz - channel.centre_hz
        self._emission = EmissionWatch(channel.sample_rate_hz, resolution_hz, recorder_hz)
        self._resolution_hz = resolution_hz
        self._rule = transient_rule(channel.spacing_hz, channel.centre_hz)
        self._middle_hz = (
            None if channel.nominal_hz is None else (channel.nominal_hz - channel.centre_hz)
        )
        self._transient = (
            None if self._rule is None else TransientWatch(channel, self._rule, self._middle_hz)
        )

    def push(self, role: Role, block: Block) -> None:
        """Take a channel block; those of other roles are not needed."""
        if role != self._role:
            return
        self._emission.push(block)
        if self._transient is not None:
            self._transient.push(block)

    def finish(self) -> Findings:
        """Give the readings."""
        channel = self._channel
        cautions: list[str] = []
        emission = self._emission.emission(
            spacing_hz=channel.spacing_hz, flat_hz=channel.flat_hz, middle_hz=self._middle_hz
        )
        missing = self._missing(emission)
        if missing or emission is None:
            cautions.append(sentence(missing))
            readings = self._none(missing)
            series: list[Series] = []
        else:
            readings = self._of_emission(emission)
            series = self._series(emission)
        if self._transient is not None:
            self._transient.finish()
            series += self._transient.series()
        readings += transient_readings(self._transient, self._rule, channel, self._power_w)
        return Findings(
            kind="spectrum",
            readings=tuple(readings),
            series=tuple(series),
            cautions=tuple(cautions),
        )

    def _missing(self, emission: Emission | None) -> str:
        """Why there is no emission to be measured; nothing when there is one."""
        length_ms = 1e3 * self._emission.length / self._channel.sample_rate_hz
        never_on = (
            f"the carrier is never on for the {length_ms:.0f} ms that lines of"
            f" {self._resolution_hz:g} Hz take"
        )
        if emission is None:
            if self._emission.unsteady:
                return never_on
            return f"the recording is shorter than the {length_ms:.0f} ms that a spectrum takes"
        inside = np.abs(emission.offset_hz) <= self._channel.spacing_hz / 2.0
        noise = float(emission.noise[inside].sum())
        signal = float((emission.lines - emission.noise)[inside].sum())
        if signal <= LEAST_CARRIER_RATIO * noise or emission.carrier_power <= 0.0:
            return never_on if self._emission.unsteady else "no carrier found in the channel"
        return ""

    def _none(self, why: str) -> list[Reading]:
        more = {"recordings": (self._channel.name,)}
        names = ["occupied_bandwidth", "adjacent_channel_power", "adjacent_channel_power"]
        names += ["emission_mask_margin"] if self._mask is not None else []
        sides = iter(SIDES)
        return [
            not_measured(
                name,
                why,
                conditions={"side": next(sides)} if name == "adjacent_channel_power" else {},
                **more,
            )
            for name in names
        ]

    def _of_emission(self, emission: Emission) -> list[Reading]:
        channel = self._channel
        readings = [occupied_bandwidth(emission, channel.spacing_hz, channel.name)]
        adjacent = adjacent_channel(channel.spacing_hz, channel.centre_hz)
        for side in SIDES:
            if adjacent is None:
                readings.append(
                    not_measured(
                        "adjacent_channel_power",
                        f"no measuring bandwidth is known for {channel.spacing_hz:g} Hz spacing",
                        recordings=(channel.name,),
                        conditions={"side": side},
                    )
                )
            else:
                readings.append(adjacent_channel_power(emission, adjacent, side, channel.name))
        if self._mask is not None:
            readings.append(emission_mask_margin(emission, self._mask, channel.name))
        return readings

    def _series(self, emission: Emission) -> list[Series]:
        """Draw the lines, and the mask beside them."""
        seen = np.abs(emission.offset_hz) <= emission.flat_hz
        axis = Axis(name="frequency_offset", unit="Hz", values=emission.offset_hz[seen])

        def against_carrier(name: str, lines: np.ndarray, detector: str) -> Series:
            level = np.maximum(lines[seen] / emission.carrier_power, 1e-15)
            return Series(
                name=name,
                unit="dBc",
                axes=(axis,),
                values=np.asarray(db_from_ratio(level)),
                conditions={
                    "resolution_bandwidth_hz": float(round(emission.resolution_hz)),
                    "reference": "total carrier power",
                    "detector": detector,
                },
            )

        given = [against_carrier("emission", emission.lines, "mean")]
        if self._mask is not None:
            if self._mask.file.detector == "peak hold":
                given.append(against_carrier("emission_peak_hold", emission.highest, "peak hold"))
            asked_db = masked_emission(emission, self._mask).attenuation_db[seen]
            given.append(
                Series(
                    name="emission_mask",
                    unit="dBc",
                    axes=(axis,),
                    values=-asked_db,
                    conditions={"mask": self._mask.file.name},
                )
            )
        return given
