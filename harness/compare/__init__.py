"""Two runs side by side: differences with their own uncertainty."""

from harness.compare.pairs import Unmatched
from harness.compare.parts import kept_apart, same_declared, shared_between_runs, whole_parts
from harness.compare.runs import Comparison, Row, compare_runs

__all__ = [
    "Comparison",
    "Row",
    "Unmatched",
    "compare_runs",
    "kept_apart",
    "same_declared",
    "shared_between_runs",
    "whole_parts",
]
