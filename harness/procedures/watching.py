"""A watch for key-ups without a signal, in pieces: hours of it take neither memory nor disk.

Each piece is a recording of the output, measured like any other; then its samples go, unless the
transmitter was keyed in it. What is kept of a piece is a line in the run's journal: how long was
watched, how often it keyed. So counts add up over an interruption, and what keyed can be looked at
afterwards. Between two pieces nobody looks, and that time does not count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from harness.advice.positions import quiet_of
from harness.errors import BadInput
from harness.measure.false_keying import NAME, false_keying_rate
from harness.procedures.steps import Watch, Watched
from harness.readings import Findings


def watched_in(found: Findings, take: str) -> Watched:
    """Give what a piece says, from its findings; ``take`` is its name, kept where it was keyed."""
    rate = found.reading(NAME)
    state = found.value("keying_state")
    quiet = None if rate is None else quiet_of(rate)
    through = state == "always keyed"
    key_ups = quiet.key_ups if quiet else 0
    return Watched(
        key_ups=key_ups,
        watched_s=quiet.watched_s if quiet else 0.0,
        keyed_through=through,
        kept=take if key_ups or through or quiet is None else "",
    )


def without_samples(paths: Sequence[Path]) -> None:
    """Remove a piece in which nothing was keyed.

    Raises
    ------
    BadInput : it cannot be removed.
    """
    for path in paths:
        for part in (path, path.with_suffix(".sigmf-data")):
            try:
                part.unlink(missing_ok=True)
            except OSError as fault:
                raise BadInput(
                    f"cannot be removed ({fault.strerror})",
                    str(part),
                    "Check the folder's permissions.",
                ) from fault


@dataclass(slots=True)
class Tally:
    """What was watched so far at a position of the knob."""

    knob: str | None
    name: str
    key_ups: int = 0
    watched_s: float = 0.0
    pieces: int = 0
    kept: list[str] = field(default_factory=list)

    def add(self, watched: Watched) -> None:
        """Add a piece."""
        self.key_ups += watched.key_ups
        self.watched_s += watched.watched_s
        self.pieces += 1
        if watched.kept:
            self.kept.append(watched.kept)

    def findings(self) -> Findings:
        """Give the rate of all pieces together."""
        reading = false_keying_rate(
            self.key_ups,
            self.watched_s,
            conditions={} if self.knob is None else {"knob": self.knob},
            recordings=tuple(f"{take}-output" for take in self.kept) or (self.name,),
        )
        kept = ", ".join(self.kept) or "none"
        caution = (
            f"Watched in {self.pieces} pieces, of which the samples were removed where nothing was"
            f" keyed; kept: {kept}."
        )
        return Findings(kind="squelch", readings=(reading,), cautions=(caution,))


def tally_name(step: Watch) -> str:
    """Name of the watch that a piece belongs to: what stands before the piece's number."""
    return step.take.rpartition("/")[0]
