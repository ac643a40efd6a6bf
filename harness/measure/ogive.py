"""The normal ogive: a normal distribution of levels of which only bounds were seen.

A sweep never shows the level at which the squelch opens, only that it lies between two steps.
Each *draw* here is such a pair: above ``lower``, at or below ``upper``, either of which may be
infinite. Its likelihood is Phi((upper - mean)/sigma) - Phi((lower - mean)/sigma). Two kinds of
data are both of this form:

- **Sweeps.** One sweep, one draw, between the last step before the change and the first one
  after it. This is right for staircases: the steps of one sweep are not independent, for what
  has opened stays open. Counting every step of every sweep as a trial would use each sweep
  several times over and give too short an interval.
- **Trials** (the binomial likelihood): k of n keyed at a level, each trial from rest. They are k
  draws at or below the level and n - k above it (``draws_from_trials``), and the likelihood is
  the binomial one but for a constant. Right where the unit is brought back to rest before each
  trial. One sweep that is one step long is one trial.

The likelihood itself, and how its top is found, stand in ``ogive_likelihood.py``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtr

from harness.measure.ogive_likelihood import SHARPEST, Draws, Likelihood, finite_ends
from harness.uncertainty import rectangular
from harness.units import FloatArray

State = Literal["fitted", "one step", "at most", "at least", "shapeless", "no draws"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ogive:
    """A fitted normal ogive, or as much of it as the draws allow to say.

    Parameters
    ----------
    state : what could be said
        ``fitted``: mean and sigma. ``one step``: all draws can lie in one step; the mean is
        its middle, evenly uncertain over the interval, and sigma is bounded only. ``at most``,
        ``at least``: all draws are open on one side; ``mean`` is None and ``mean_interval`` ends
        where half of them have their bound. ``shapeless``: the share
        does not rise with level. ``no draws``.
    mean, standard_uncertainty : float or None, unit of the levels
        When fitted, half of the 95 % interval over its Student factor.
    mean_interval : (lower, upper) of 95 %; an end may be infinite
    sigma : float or None; None unless ``fitted``
    sigma_interval : (lower, upper) of 95 %; the lower is 0 where the steps are too coarse to tell
    log_likelihood : at the top; 0 where all draws are certain
    degrees_of_freedom : of the standard uncertainty
    count : draws
    note : one plain sentence, or nothing
    """

    state: State
    mean: float | None = None
    standard_uncertainty: float | None = None
    mean_interval: tuple[float, float] = (-math.inf, math.inf)
    sigma: float | None = None
    sigma_interval: tuple[float, float] | None = None
    log_likelihood: float = 0.0
    degrees_of_freedom: float = math.inf
    count: int = 0
    note: str = ""

    def share(self, levels: FloatArray) -> FloatArray | None:
        """Give the fitted share at levels, or None when there is no curve."""
        if self.mean is None or self.sigma is None:
            return None
        return np.asarray(ndtr((levels - self.mean) / self.sigma), dtype=np.float64)


def fit_ogive(draws: Draws) -> Ogive:
    """Fit a normal distribution to draws by maximum likelihood.

    Returns
    -------
    Ogive : see its ``state`` for what could be said

    Notes
    -----
    Sigma is that of the maximum of the likelihood (from n sweeps low by about 1/(2 n) of itself).
    Moving all levels moves the answer with them.

    References
    ----------
    Method of probits: Finney, Probit Analysis (from memory). Profile likelihood: Cox and Hinkley,
    Theoretical Statistics (from memory). Small-sample critical value: module docstring.
    """
    count = round(float(draws.weight.sum()))
    if not count:
        return Ogive(state="no draws", note="no sweep says anything")
    finite = np.concatenate([draws.lower[np.isfinite(draws.lower)], finite_ends(draws.upper)])
    if not np.isfinite(draws.lower).any():
        return _one_sided("at most", _half(draws.upper, draws.weight), count)
    if not np.isfinite(draws.upper).any():
        return _one_sided("at least", -_half(-draws.lower, draws.weight), count)
    both = np.isfinite(draws.lower) & np.isfinite(draws.upper)
    bounded = round(float(draws.weight[both].sum()))
    scale = _finest_step(finite)
    origin = float(np.median(finite))
    climb = Likelihood(draws, origin, scale, bounded)
    low, high = float(draws.lower.max()), float(draws.upper.min())
    if low < high:
        return _one_step(climb, low, high, count)
    return _fitted(climb, count)


def _finest_step(levels: FloatArray) -> float:
    """Least distance of two levels; 1 where there is only one."""
    gaps = np.diff(np.unique(levels))
    gaps = gaps[gaps > 1e-6]
    return float(gaps.min()) if len(gaps) else 1.0


def _half(levels: FloatArray, weight: FloatArray) -> float:
    """Least level at or below which at least half of the draws have their bound."""
    order = np.argsort(levels)
    reached = np.cumsum(weight[order]) >= 0.5 * weight.sum()
    return float(levels[order][np.argmax(reached)])


def _one_sided(state: Literal["at most", "at least"], bound: float, count: int) -> Ogive:
    at_most = state == "at most"
    return Ogive(
        state=state,
        mean_interval=(-math.inf, bound) if at_most else (bound, math.inf),
        count=count,
        note=f"bounded from {'above' if at_most else 'below'} only",
    )


def _one_step(climb: Likelihood, low: float, high: float, count: int) -> Ogive:
    """All draws can lie in one step: its middle, and how wide they may scatter at most."""
    mean = (low + high) / 2.0
    interval = (low, high)
    sigma_interval: tuple[float, float] | None = None
    note = "all sweeps changed within one step; take finer steps"
    if climb.bounded >= 2:
        wide = climb.mean_interval((mean - climb.origin) / climb.scale, 0.0)
        interval = (min(wide[0], low), max(wide[1], high))
        sharp = max(0.05 * (high - low) / climb.scale, SHARPEST)
        sigma_interval = (0.0, climb.sigma_interval(sharp, 0.0)[1])
    elif count == 1:
        note = "one sweep: the uncertainty is that of its step, the spread is not in it"
    half = max(interval[1] - mean, mean - interval[0])
    return Ogive(
        state="one step",
        mean=mean,
        standard_uncertainty=rectangular(half) if math.isfinite(half) else None,
        mean_interval=interval,
        sigma_interval=sigma_interval,
        count=count,
        note=note,
    )


def _fitted(climb: Likelihood, count: int) -> Ogive:
    a, b, top = climb.top()
    if b <= 2.0 * climb.shallowest:
        return Ogive(
            state="shapeless",
            log_likelihood=top,
            count=count,
            note="the share of sweeps does not rise with level",
        )
    mean, sigma = a / b, 1.0 / b
    interval = climb.mean_interval(mean, top)
    half = (interval[1] - interval[0]) / 2.0
    return Ogive(
        state="fitted",
        mean=climb.origin + climb.scale * mean,
        standard_uncertainty=half / climb.student if math.isfinite(half) else None,
        mean_interval=interval,
        sigma=climb.scale * sigma,
        sigma_interval=climb.sigma_interval(sigma, top),
        log_likelihood=top,
        degrees_of_freedom=climb.degrees_of_freedom,
        count=count,
    )
