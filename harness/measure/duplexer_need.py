"""What a unit asks of its duplexer: numbers of its unit file, or the usual ones.

Each with its source beside it; what stands nowhere is told as such wherever it is used.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.describe.unit import Duplex, Unit

PRACTICE = "common practice, no source"
CHOSEN = "chosen"
EN_300_086 = "ETSI EN 300 086-1 V1.4.1, memory: 84 dB above the -107 dBm of its sensitivity"


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """A number that the need is computed from: its value, standard uncertainty and source."""

    words: str
    unit: str
    value: float
    uncertainty_db: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What the unit asks of its duplexer."""

    noise: Declared
    figure: Declared
    blocking: Declared
    tolerated: Declared

    @property
    def all(self) -> tuple[Declared, ...]:
        """All numbers, in the order in which they are told."""
        return (self.noise, self.figure, self.blocking, self.tolerated)


def needs_of(unit: Unit) -> Needs:
    """Give what the unit file says under ``[duplex]``, or the usual where it says nothing."""
    said = unit.duplex or Duplex()

    def of(
        words: str, unit: str, value: float | None, uncertainty_db: float, usual: float, source: str
    ) -> Declared:
        if value is not None:
            usual, source = value, "unit file"
        return Declared(
            words=words, unit=unit, value=usual, uncertainty_db=uncertainty_db, source=source
        )

    return Needs(
        noise=of(
            "transmitter noise",
            "dBc/Hz",
            said.transmitter_noise_dbc_per_hz,
            said.transmitter_noise_uncertainty_db,
            -140.0,
            CHOSEN,
        ),
        figure=of(
            "noise figure",
            "dB",
            said.noise_figure_db,
            said.noise_figure_uncertainty_db,
            4.0,
            PRACTICE,
        ),
        blocking=of(
            "blocking level",
            "dBm",
            said.blocking_dbm,
            said.blocking_uncertainty_db,
            -23.0,
            EN_300_086,
        ),
        tolerated=of("tolerated loss", "dB", said.tolerated_loss_db, 0.0, 1.0, CHOSEN),
    )
