"""The table of kinds: what ``harness measure KIND`` can be asked for."""

from __future__ import annotations

from dataclasses import dataclass

from harness.measure.audio import Audio
from harness.measure.carrier import Carrier
from harness.measure.setup import MeasurementKind, Signal
from harness.measure.spectrum import Spectrum
from harness.measure.squelch import Squelch
from harness.measure.timing import Timing


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


KINDS: dict[str, Kind] = {
    "carrier": Kind(
        make=Carrier, signals=("iq",), summary="power, frequency error, deviation, test tone"
    ),
    "audio": Kind(
        make=Audio,
        signals=("iq", "audio"),
        summary="SINAD, distortion, hum, response, gain; sensitivity",
    ),
    "timing": Kind(
        make=Timing, signals=("iq", "audio"), summary="attack time, hang time, squelch tail"
    ),
    "squelch": Kind(
        make=Squelch, signals=("iq",), summary="opening, closing, hysteresis, keying state"
    ),
    "spectrum": Kind(
        make=Spectrum,
        signals=("iq",),
        summary="occupied bandwidth, adjacent channel power, mask, transient frequency",
        width_spacings=8.0,
        # Masks reach 50 kHz beyond the edge of the authorised bandwidth: 0.6 of this.
        least_width_hz=100e3,
        takes_mask=True,
    ),
}
