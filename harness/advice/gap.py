"""How far two levels lie apart: what they share drops out before anything is squared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.compare import kept_apart, same_declared, shared_between_runs, whole_parts
from harness.readings import Bound, Reading
from harness.uncertainty import Contribution, combine, difference


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A difference of levels in dB; with a ``bound`` the value is that bound and has no U."""

    value_db: float
    expanded_uncertainty_db: float | None
    coverage_factor: float = 2.0
    bound: Bound | None = None

    @property
    def is_above_zero(self) -> bool:
        """Whether it is positive by more than the uncertainty explains."""
        return self.bound != "upper" and self.value_db > (self.expanded_uncertainty_db or 0.0)

    @property
    def is_below_zero(self) -> bool:
        """Whether it is negative by more than the uncertainty explains."""
        return self.bound != "lower" and -self.value_db > (self.expanded_uncertainty_db or 0.0)


def gap(first: Reading | None, second: Reading | None, bench: str | None = None) -> Gap | None:
    """Give ``first - second`` for two levels.

    Parameters
    ----------
    first, second : readings in dBm, or None where there is none
    bench : None where both are of one run; else the name of the bench that both runs name, or ""

    Returns
    -------
    Gap : None where one is missing, or where two bounds leave both sides open

    Notes
    -----
    Within a run a declared (type B) contribution of the same name, source and standard
    uncertainty is one and the same calibration. A fit is not, nor what is named after the reading
    (``squelch_opening.setting``): each level has its own. Between two runs less is shared
    (``compare``): the unit was connected anew.
    """
    if first is None or second is None:
        return None
    if not isinstance(first.value, int | float) or not isinstance(second.value, int | float):
        return None
    bounds = {first.bound, _opposite(second.bound)} - {None}
    if len(bounds) > 1:
        return None
    a, b = whole_parts(first), whole_parts(second)
    if bench is None:
        shared = _shared_within_run(first.name, a, second.name, b)
    else:
        shared = shared_between_runs(a, b, bench, {*first.recordings, *second.recordings})
    total = combine(difference(kept_apart(a, shared, "first"), kept_apart(b, shared, "second")))
    value_db = first.value - second.value
    if not bounds:
        return Gap(
            value_db=value_db,
            expanded_uncertainty_db=total.expanded_uncertainty,
            coverage_factor=total.coverage_factor,
        )
    (bound,) = bounds
    further_db = total.expanded_uncertainty
    return Gap(
        value_db=value_db - further_db if bound == "lower" else value_db + further_db,
        expanded_uncertainty_db=None,
        bound=bound,
    )


def _shared_within_run(
    a_name: str, a: Sequence[Contribution], b_name: str, b: Sequence[Contribution]
) -> frozenset[str]:
    of_b = {part.name: part for part in b}
    own = (f"{a_name}.", f"{b_name}.")
    return frozenset(
        part.name
        for part in a
        if part.name in of_b
        and same_declared(part, of_b[part.name])
        and not part.name.startswith(own)
    )


def _opposite(bound: Bound | None) -> Bound | None:
    return {"upper": "lower", "lower": "upper", None: None}[bound]
