"""A sample of a battery run: what a short recording of the output says of the carrier.

============================  ============================================================
programme                     what is recorded
============================  ============================================================
Hold                          some time as it stands
KeyUp                         the generator off for a moment, then on until the unit keys, and on
LetGo                         some time keyed, then the generator off until the unit drops
============================  ============================================================

A carrier that was on for less than ``STEADY_S`` is not settled and gives no power and no frequency.
A frequency that scatters by more than ``FREQUENCY_SCATTER_HZ`` is left out too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from harness.procedures.steps import Move, Moves, Sampled, Stimulus
from harness.readings import Findings, Reading

SAMPLE_S = 0.25
START_S = 0.6
"""From a key-up to the end of its sample. Chosen: the transmitter's rise is long over then."""
BEFORE_S = 0.1
"""Recorded before a key-up. Chosen: enough to see where it begins."""
KEYS_WITHIN_S = 3.0
"""A unit that has not keyed by then does not. Chosen: ten times a slow attack."""
DROPS_WITHIN_S = 12.0
"""A unit that is still keyed then is stuck. Chosen: longer than any hang."""
AFTER_DROP_S = 0.1
STEADY_S = 0.05
"""A carrier that was on for less is not settled: rise and fall are too much of it. Chosen."""
FREQUENCY_SCATTER_HZ = 5.0
"""Standard uncertainty from which on a frequency is not logged. Chosen: ten times the accuracy
promised for its drift."""


@runtime_checkable
class ShowsRows(Protocol):
    """A watcher that has room for how a battery run stands."""

    def row(self, line: str, share: float) -> None:
        """Show it, instead of what was shown before."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """Record for a while, the generator as it is to be all the while."""

    stimulus: Stimulus

    def moves(self) -> Moves:
        """Yield the one move."""
        yield Move(stimulus=self.stimulus)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyUp:
    """Record a key-up and some time after it; the stimulus says what keys."""

    stimulus: Stimulus

    def moves(self) -> Moves:
        """Yield the moves."""
        yield Move(stimulus=Stimulus(duration_s=BEFORE_S, level_port_dbm=None))
        yield Move(stimulus=_for(self.stimulus, KEYS_WITHIN_S), until=True, after_s=START_S)


@dataclass(frozen=True, slots=True, kw_only=True)
class LetGo:
    """Record the end of a keying; the stimulus is what it was keyed by."""

    stimulus: Stimulus

    def moves(self) -> Moves:
        """Yield the moves."""
        yield Move(stimulus=_for(self.stimulus, SAMPLE_S))
        off = Stimulus(duration_s=DROPS_WITHIN_S, level_port_dbm=None)
        yield Move(stimulus=off, until=False, after_s=AFTER_DROP_S)


def _for(stimulus: Stimulus, seconds: float) -> Stimulus:
    """Give the same stimulus for another time."""
    return Stimulus(
        duration_s=seconds,
        level_port_dbm=stimulus.level_port_dbm,
        tone_hz=stimulus.tone_hz,
        deviation_hz=stimulus.deviation_hz,
    )


def sampled_in(
    carrier: Findings,
    timing: Findings,
    take: str,
    *,
    begun_s: float,
    seconds: float,
    forgot: tuple[str, ...] = (),
) -> Sampled:
    """Give what a sample says, from its findings; the rest as in ``Sampled``."""
    error = _given(carrier, "frequency_error")
    found = error is not None
    edges = _edges(timing)
    keyed_s = _keyed_s(edges, seconds) if found else 0.0
    steady = keyed_s >= STEADY_S
    clear = steady and error is not None and _is_clear(error)
    return Sampled(
        take=take,
        forgot=forgot,
        begun_s=begun_s,
        seconds=seconds,
        keyed_s=keyed_s,
        rise_s=next((at_s for at_s, rises in edges if rises), None),
        fall_s=next((at_s for at_s, rises in edges if not rises), None),
        is_on=found and (not edges or edges[-1][1]),
        power_dbm=_number(_given(carrier, "carrier_power")) if steady else None,
        frequency_error_hz=_number(error) if clear else None,
        deviation_hz=_number(_given(carrier, "deviation_peak")) if steady else None,
    )


def _given(found: Findings, name: str) -> Reading | None:
    """Give a reading that has a value."""
    reading = found.reading(name)
    return reading if reading is not None and reading.value is not None else None


def _number(reading: Reading | None) -> float | None:
    value = reading.value if reading is not None else None
    return value if isinstance(value, float) else None


def _is_clear(error: Reading) -> bool:
    """Whether a frequency scatters little; the recorder's clock is the same in all rows."""
    return all(
        abs(part.effect) <= FREQUENCY_SCATTER_HZ for part in error.contributions if part.kind == "A"
    )


def _edges(timing: Findings) -> list[tuple[float, bool]]:
    """Give the edges of the output: time in the sample, and whether the carrier came on."""
    for series in timing.series:
        if series.name == "output_keying":
            times_s = series.axes[0].values.tolist()
            signs = series.values.tolist()
            return [(at_s, sign > 0.0) for at_s, sign in zip(times_s, signs, strict=True)]
    return []


def _keyed_s(edges: list[tuple[float, bool]], seconds: float) -> float:
    """Give how long the carrier was on, a carrier being there; edges come in order of time."""
    on_s = 0.0 if not edges or not edges[0][1] else None
    keyed_s = 0.0
    for at_s, rises in edges:
        if rises:
            on_s = at_s
        elif on_s is not None:
            keyed_s, on_s = keyed_s + at_s - on_s, None
    return keyed_s if on_s is None else keyed_s + seconds - on_s
