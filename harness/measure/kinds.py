"""The table of kinds: what ``harness measure KIND`` can be asked for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.devices import Role
from harness.errors import BadInput
from harness.measure.setup import Channel, Measurement, MeasurementKind, Options, Signal


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of measurement: how it is made, what it takes, what it says.

    ``width_spacings`` is how many channel spacings wide it wants its channel, and
    ``least_width_hz`` how wide at least, where the recording shows so much; ``heeds`` are the
    fields of ``Options`` that the user may give it.
    """

    make: MeasurementKind
    signals: tuple[Signal, ...]
    summary: str
    width_spacings: float = 1.0
    least_width_hz: float = 0.0
    heeds: frozenset[str] = frozenset()


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
        heeds=frozenset({"weighting", "de_emphasis", "standard_span_s"}),
    ),
    "timing": Kind(
        make=_timing,
        signals=("iq", "audio"),
        summary="attack time, hang time, squelch tail",
        heeds=frozenset({"repeater_delay_s"}),
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
        heeds=frozenset({"mask", "power_w"}),
    ),
}

DISCHARGE = "discharge"
"""The kind that is measured on a battery log, not on samples."""
DISCHARGE_HEEDS = frozenset({"end_v"})

_ASKED: dict[str, tuple[str, str]] = {
    "weighting": ("--weighting", "has no weighted audio"),
    "de_emphasis": ("--de-emphasis", "has no audio to de-emphasise"),
    "standard_span_s": ("--standard-span", "takes no standard test modulation"),
    "mask": ("--mask", "takes no emission mask"),
    "power_w": ("--power", "takes no emission mask"),
    "repeater_delay_s": ("--repeater-delay", "takes no delay of the repeater"),
    "end_v": ("--end-v", "has no end voltage"),
}
"""What a user may ask for: the option of the command, and what a kind that cannot heed it says."""


def refuse_unheeded(kind: str, options: Options) -> None:
    """Refuse what was asked of a kind that cannot heed it.

    Raises
    ------
    BadInput : names the option.
    """
    heeds = DISCHARGE_HEEDS if kind == DISCHARGE else KINDS[kind].heeds
    nothing = Options()
    for field, (option, told) in _ASKED.items():
        if field not in heeds and getattr(options, field) != getattr(nothing, field):
            raise BadInput(f"{kind} {told}", option, "Leave it out.")
