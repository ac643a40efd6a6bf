"""What a faster discharge costs: Peukert's relation, and capacity found back from a run.

Theory
------
Two forms are in use, and they disagree (5 h in 20 for the same label):

- referred to the rated time H: t = H (C / (I H))^n. C is the capacity marked for a discharge in H
  hours, so that I = C / H lasts H hours exactly. **Used here**: capacities are marked so.
- referred to 1 A: t = C / I^n with C the capacity at 1 A. Given for comparison only.

Between discharges at changing currents the first form is applied to the drain: at a current I the
battery loses I (I / I_rated)^(n-1) of its marked ampere-hours in an hour, I_rated = C / H, and is
empty when C of them are gone. Below I_rated it loses I and no less: Peukert's gain at slow
discharge is not claimed, since self-discharge and ageing eat it (chosen, the careful way). Rest
between spells of current gives some charge back, which is not claimed either.

References
----------
Relation read in a stored page (reference worked examples 9.1, 9.2).
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

from harness.units import FloatArray


def run_time_h(current_a: float, capacity_ah: float, rated_hours: float, exponent: float) -> float:
    """Give the hours at a steady current, by the form referred to the rated time.

    Parameters
    ----------
    current_a, capacity_ah, rated_hours : above 0
    exponent : 1 or more
    """
    return float(rated_hours * (capacity_ah / (current_a * rated_hours)) ** exponent)


def run_time_by_1_a_h(current_a: float, capacity_at_1_a_ah: float, exponent: float) -> float:
    """Give the hours at a steady current, by the form referred to 1 A. Not used in service."""
    return float(capacity_at_1_a_ah / current_a**exponent)


def drain_a(
    current_a: FloatArray | float, capacity_ah: float, rated_hours: float, exponent: float
) -> FloatArray:
    """Give how fast marked ampere-hours go at a current, in A; never less than the current.

    Parameters
    ----------
    current_a : float64, any shape, 0 or more
    capacity_ah, rated_hours : above 0
    exponent : 1 or more
    """
    current = np.asarray(current_a, dtype=np.float64)
    price = np.maximum(current * rated_hours / capacity_ah, 1.0) ** (exponent - 1.0)
    return np.asarray(current * price, dtype=np.float64)


def mean_drain_a(
    shares: FloatArray,
    currents_a: FloatArray,
    capacity_ah: float,
    rated_hours: float,
    exponent: float,
) -> float:
    """Give the drain of currents that each take a share of the time; shares sum to 1."""
    return float(shares @ drain_a(currents_a, capacity_ah, rated_hours, exponent))


def capacity_from_run_ah(
    shares: FloatArray,
    currents_a: FloatArray,
    lasted_h: float,
    rated_hours: float,
    exponent: float,
) -> float:
    """Give the capacity at the rated time of a battery that lasted so long at such currents.

    Parameters
    ----------
    shares : float64, shape (n,), of the time, sum 1
    currents_a : float64, shape (n,), 0 or more, one of them above 0
    lasted_h : above 0
    rated_hours : above 0
    exponent : 1 or more

    Returns
    -------
    float : Ah. For one current I above the rated one it is I H (t / H)^(1/n).

    Notes
    -----
    Solves t mean_drain(C) = C. The drain falls as C grows, so there is one solution; it lies
    between the charge Q and the capacity as if all of Q had gone at the largest current.
    """
    charge_ah = lasted_h * float(shares @ currents_a)
    largest_a = float(currents_a.max())
    most_ah = (charge_ah * (largest_a * rated_hours) ** (exponent - 1.0)) ** (1.0 / exponent)

    def beyond(capacity_ah: float) -> float:
        drained = mean_drain_a(shares, currents_a, capacity_ah, rated_hours, exponent)
        return lasted_h * drained - capacity_ah

    high = max(most_ah, charge_ah) * (1.0 + 1e-9)
    if beyond(charge_ah) <= charge_ah * 1e-12:
        return charge_ah
    return float(brentq(beyond, charge_ah, high, rtol=1e-12))
