"""The example descriptions that come with the program: invented, for the simulated bench."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

EXAMPLES = (
    "frost-watch-1.toml",
    "frost-watch-2.toml",
    "frost-watch-2-field.toml",
    "packing-shed.toml",
)
"""Two units, how one of them is used, and a bench."""


def example_path(name: str) -> Path:
    """Path of an example file.

    Parameters
    ----------
    name : str, one of ``EXAMPLES``

    Raises
    ------
    ValueError : another name.
    """
    if name not in EXAMPLES:
        raise ValueError(f"{name=} is not one of {EXAMPLES}")
    return Path(str(files("harness") / "data" / "examples" / name))
