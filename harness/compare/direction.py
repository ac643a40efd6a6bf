"""Which way a reading is better, where that is a question at all."""

from __future__ import annotations

from typing import Literal

Better = Literal["a", "b"]

_LOWER_IS_BETTER = frozenset(
    # Common practice, no source.
    "sensitivity_12db_sinad quieting_20db audio_distortion hum_and_noise false_keying_rate "
    "desensitisation attack_time squelch_tail squelch_spread attack_spread hang_spread "
    "squelch_attack key_up_delay".split()
)
_HIGHER_IS_BETTER = frozenset(
    "sinad run_time time_to_minus_1db time_to_minus_3db emission_mask_margin "
    "energy_delivered charge_delivered power_knee efficiency".split()
)
_NEARER_ZERO_IS_BETTER = frozenset(
    "frequency_error frequency_drift frequency_pushing power_drift power_slope".split()
)


def badness(name: str, value: float) -> float | None:
    """Give a number that is the lower the better a value is; None where neither way is better."""
    if name in _NEARER_ZERO_IS_BETTER:
        return abs(value)
    if name in _HIGHER_IS_BETTER:
        return -value
    return value if name in _LOWER_IS_BETTER else None


def better_of(name: str, a: float, b: float) -> Better | None:
    """Tell which of two values is the better, None where neither is."""
    bad_a, bad_b = badness(name, a), badness(name, b)
    if bad_a is None or bad_b is None or bad_a == bad_b:
        return None
    return "a" if bad_a < bad_b else "b"
