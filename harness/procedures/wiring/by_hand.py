"""Whoever does by hand what no device does: the operator, or nobody, where none is needed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.describe import Bench
from harness.devices import Memory, Operator
from harness.errors import BadInput
from harness.procedures.entries import NoMemory

if TYPE_CHECKING:
    from harness.instruments.by_hand import Hand


def hand_for(bench: Bench, operator: Operator | None, memory: Memory | None) -> Hand:
    """Give whoever does what a bench file leaves to the hand.

    Raises
    ------
    BadInput : something is, and nobody is there.
    """
    parts = (bench.generator, bench.meter)
    if operator is None and any(part and part.source == "by hand" for part in parts):
        raise BadInput(
            "something on it is done by hand, and nobody is there to be asked",
            bench.name,
            "Start it where somebody can answer.",
        )
    return hand_of(operator, memory)


def hand_of(operator: Operator | None, memory: Memory | None) -> Hand:
    """Give an operator's hand; without an operator, that of nobody."""
    from harness.instruments.by_hand import Hand

    return Hand(operator or Nobody(), memory or NoMemory())


class Nobody:
    """Stands where no question can come up."""

    def ask(self, question: str) -> str:
        """Get no answer."""
        raise EOFError

    def say(self, text: str) -> None:
        """Let it go unheard."""
