"""What is said before anything is keyed (DESIGN section 7), in plain words."""

from __future__ import annotations

from collections.abc import Iterable

from harness.describe.unit import Unit

LOCAL_RULES = (
    "Limits here are those named beside each reading, in the edition named there. Local rules and"
    " licensed practice come first: check your local rule before you rely on a verdict."
)
"""For the foot of every report."""

_LOAD = "Put a load or an antenna on the port before you apply power."
_NO_DIRECT = (
    "Never connect a transmitter straight into a receiver or a signal generator: pads of enough"
    " loss and rating stand between them."
)
_LICENCE = "Key into a load, or on frequencies that you are licensed for."
_EXPOSURE = (
    "On an antenna, keep people at the exposure distance while it is keyed"
    " (47 CFR 1.1310, OET Bulletin 65)."
)
_LEAD_ACID = (
    "A lead-acid battery gives off hydrogen when charged and hundreds of amperes into a short:"
    " air the room, and fuse at the battery first."
)
_LIFTING = "Lift and hoist only with rated gear, and with nobody beneath."
_LOCAL = "Local rules and licensed practice come first."

CAUTIONS: tuple[str, ...] = (
    _LOAD,
    _NO_DIRECT,
    _LICENCE,
    _EXPOSURE,
    _LEAD_ACID,
    _LIFTING,
    _LOCAL,
)
"""All of them, in the order in which they are shown."""

_IN_SHORT = {
    _LOAD: "Load or antenna on the port before power.",
    _NO_DIRECT: "Never a transmitter straight into a receiver or generator.",
    _LICENCE: "Key into a load, or where you are licensed.",
    _EXPOSURE: "Keep people away from a keyed antenna.",
    _LEAD_ACID: "Lead-acid: hydrogen when charged; fuse at the battery.",
    _LIFTING: "Lift and hoist with rated gear only.",
    _LOCAL: "Local rules and licensed practice come first.",
}


def in_short(cautions: Iterable[str]) -> tuple[str, ...]:
    """Give the cautions as a label has room for; what is none of ours is left out."""
    return tuple(_IN_SHORT[text] for text in cautions if text in _IN_SHORT)


def cautions_for(unit: Unit) -> tuple[str, ...]:
    """Give the cautions that concern this unit: the one on lead-acid only if it has such."""
    lead_acid = unit.battery is not None and unit.battery.details.lead_acid
    return tuple(text for text in CAUTIONS if text is not _LEAD_ACID or lead_acid)
