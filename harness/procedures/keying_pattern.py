"""How the input is keyed for timing: what tells attack, hang, and what lies behind them.

A round is two keyings: one from rest, for attack time; then, half a hang time after its end, one
more, which finds the transmitter still keyed and shows the squelch attack alone; then silence until
the hang is over. The lengths of the keyings go up and down in turn, so that a hang time that
follows them is told from one that drifts. Where the hang time is too short for the squelch to close
and open within half of it, keyings from rest alone are given.
"""

from __future__ import annotations

from harness.procedures.steps import Stimulus

TEST_TONE_HZ = 1000.0
LENGTHS = (1.0, 2.0, 1.5, 2.5)
"""Of the keyings, as multiples of the shortest, in turn. Chosen: neither rising nor falling."""
SHORTEST_S = 0.3
"""Chosen: some times what a squelch and a transmitter take to come up, and long enough for a test
tone to be fitted."""
RETURN_SHARE = 0.5
"""Of the hang time, from the input's end to its return. Chosen: half way between a squelch that has
not closed yet and a hang that is over."""
LEAST_RETURN_S = 0.1
"""Chosen: a squelch closes within it, and silence is seen after it."""
MARGIN_S = 0.5
"""Silence beyond the hang time. Chosen: a hang that varies by some percent still ends in it."""
REST_S = 0.3
"""Silence before the first keying. Chosen."""


def keying_pattern(
    *, hang_s: float, keyings: int, level_port_dbm: float, deviation_hz: float
) -> tuple[Stimulus, ...]:
    """Give the stimuli that key the unit so many times from rest, each to the end of its hang.

    Parameters
    ----------
    hang_s : float, above 0
        The hang time as far as it is known; one that is too long costs time only.
    keyings : int, at least 1
    level_port_dbm, deviation_hz : of every keying; the tone is 1 kHz

    Returns
    -------
    Stimuli, silence first and last. No steps of level: annotated, they are no staircase.
    """
    if not hang_s > 0.0 or keyings < 1:
        raise ValueError(f"{hang_s=} is not above 0, or {keyings=} below 1")
    return_s = RETURN_SHARE * hang_s
    stimuli = [_silence(REST_S)]
    for number in range(keyings):
        length_s = SHORTEST_S * LENGTHS[number % len(LENGTHS)]
        stimuli.append(_keyed(length_s, level_port_dbm, deviation_hz))
        if return_s >= LEAST_RETURN_S:
            stimuli.append(_silence(return_s))
            stimuli.append(_keyed(SHORTEST_S, level_port_dbm, deviation_hz))
        stimuli.append(_silence(hang_s + MARGIN_S))
    return tuple(stimuli)


def _silence(duration_s: float) -> Stimulus:
    return Stimulus(duration_s=duration_s, level_port_dbm=None)


def _keyed(duration_s: float, level_port_dbm: float, deviation_hz: float) -> Stimulus:
    return Stimulus(
        duration_s=duration_s,
        level_port_dbm=level_port_dbm,
        tone_hz=TEST_TONE_HZ,
        deviation_hz=deviation_hz,
    )
