"""The table of kinds: what ``harness measure KIND`` can be asked for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.devices import Role
from harness.measure.setup import Channel, Measurement, MeasurementKind, Options, Signal


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of measurement: how it is made, what it takes, what it says.

    ``width_spacings`` is how many channel spacings wide it wants its channel, and
    ``least_width_hz`` how wide at least, where the recording shows so much; ``takes_mask``
    whether it heeds an emission mask and the power that goes with it.
    """

    make: MeasurementKind
    signals: tuple[Signal, ...]
    summary: str
    width_spacings: float = 1.0
    least_width_hz: float = 0.0
    takes_mask: bool = False


# Each loads its own file when it is asked for: some need what takes a second to import.


def _carrier(channels: Mapping[Role, Channel], options: Options) -> Measurement:
    from harness.measure.carrier import Carrier

    return Carrier(channels, options)


def _audio(channels: Mapping[Role, Channel], options: Options) -> Measurement:
    from harness.measure.audio import Audio

    return Audio(channels, options)


def _timing(channels: Mapping[Role, Channel], options: Options) -> Measurement:
    from harness.measure.timing import Timing

    return Timing(channels, options)


def _squelch(channels: Mapping[Role, Channel], options: Options) -> Measurement:
    from harness.measure.squelch import Squelch

    return Squelch(channels, options)


def _spectrum(channels: Mapping[Role, Channel], options: Options) -> Measurement:
    from harness.measure.spectrum import Spectrum

    return Spectrum(channels, options)


KINDS: dict[str, Kind] = {
    "carrier": Kind(
        make=_carrier, signals=("iq",), summary="power, frequency error, deviation, test tone"
    ),
    "audio": Kind(
        make=_audio,
        signals=("iq", "audio"),
        summary="SINAD, distortion, hum, response, gain; sensitivity",
    ),
    "timing": Kind(
        make=_timing, signals=("iq", "audio"), summary="attack time, hang time, squelch tail"
    ),
    "squelch": Kind(
        make=_squelch, signals=("iq",), summary="opening, closing, hysteresis, keying state"
    ),
    "spectrum": Kind(
        make=_spectrum,
        signals=("iq",),
        summary="occupied bandwidth, adjacent channel power, mask, transient frequency",
        width_spacings=8.0,
        # Masks reach 50 kHz beyond the edge of the authorised bandwidth: 0.6 of this.
        least_width_hz=100e3,
        takes_mask=True,
    ),
}
