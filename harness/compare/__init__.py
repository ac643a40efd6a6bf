"""Runs side by side: two, before and after a repair, a fleet, one unit over years."""

from harness.compare.fleet import Fleet, compare_fleet
from harness.compare.gather import Named
from harness.compare.pairs import Unmatched
from harness.compare.parts import kept_apart, same_declared, shared_between_runs, whole_parts
from harness.compare.repair import Repair, compare_repairs
from harness.compare.runs import Comparison, Row, compare_runs
from harness.compare.years import Years, compare_years

__all__ = [
    "Comparison",
    "Fleet",
    "Named",
    "Repair",
    "Row",
    "Unmatched",
    "Years",
    "compare_fleet",
    "compare_repairs",
    "compare_runs",
    "compare_years",
    "kept_apart",
    "same_declared",
    "shared_between_runs",
    "whole_parts",
]
