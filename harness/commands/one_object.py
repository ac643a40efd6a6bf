"""What ``--json`` prints: one object on standard output and nothing else."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from typing import Any


def print_object(told: Mapping[str, Any]) -> None:
    """Print it, on one line; a number that JSON has not is a defect.

    Raises
    ------
    ValueError : an infinity or NaN is in it.
    """
    json.dump(told, sys.stdout, allow_nan=False)
    sys.stdout.write("\n")
