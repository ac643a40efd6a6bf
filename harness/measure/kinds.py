"""The table of kinds: what ``harness measure KIND`` can be asked for."""

from __future__ import annotations

from dataclasses import dataclass

from harness.measure.audio import Audio
from harness.measure.carrier import Carrier
from harness.measure.setup import MeasurementKind, Signal
from harness.measure.squelch import Squelch
from harness.measure.timing import Timing


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of measurement: how it is made, what it takes, what it says."""

    make: MeasurementKind
    signals: tuple[Signal, ...]
    summary: str


KINDS: dict[str, Kind] = {
    "carrier": Kind(
        make=Carrier, signals=("iq",), summary="power, frequency error, deviation, test tone"
    ),
    "audio": Kind(
        make=Audio, signals=("iq", "audio"), summary="SINAD; sensitivity from a level sweep"
    ),
    "timing": Kind(
        make=Timing, signals=("iq", "audio"), summary="attack time, hang time, squelch tail"
    ),
    "squelch": Kind(
        make=Squelch, signals=("iq",), summary="opening, closing, hysteresis, keying state"
    ),
}
