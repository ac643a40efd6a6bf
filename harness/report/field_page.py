"""One page for the lid of the case: run time, range, exposure, the knob, and what to beware of.

Whole in itself, and readable in black and white, as the card of the squelch knob is.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from harness import __version__
from harness.report.fielded import (
    ON_EXPOSURE,
    ON_RANGES,
    ON_TIMES,
    Looked,
    factors_in_words,
    fielded,
)
from harness.report.lid_card import SHOWN_DIGITS
from harness.report.write import environment, replace_file, require_page


def write_field_page(path: str | Path, looked: Looked, fingerprints: Mapping[str, str]) -> None:
    """Write the page of a unit in service.

    Parameters
    ----------
    path : of the page, ending in .html; an earlier page of ours is replaced as a whole
    looked : what the results mean
    fingerprints : of the results files by name; the first 16 digits are shown

    Raises
    ------
    BadInput : the page cannot be written there, or something else would be lost.
    """
    require_page(Path(path))
    newest = looked.runs[0].run
    page = (
        environment()
        .get_template("field_page.html")
        .render(
            unit_name=looked.found.unit.get("name") or newest.title,
            serial=looked.found.unit.get("serial"),
            days=_days(looked),
            is_simulated=any(each.run.source == "simulated" for each in looked.runs),
            words=fielded(looked),
            factors=factors_in_words(),
            on_times=ON_TIMES,
            on_ranges=ON_RANGES,
            on_exposure=ON_EXPOSURE,
            origin=_origin(fingerprints),
        )
    )
    replace_file(Path(path), page, "page")


def _days(looked: Looked) -> str:
    days = sorted({f"{each.run.ended_utc:%Y-%m-%d}" for each in looked.runs})
    return days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"


def _origin(fingerprints: Mapping[str, str]) -> str:
    files = "; ".join(
        f"{name} {fingerprint[:SHOWN_DIGITS]}" for name, fingerprint in fingerprints.items()
    )
    return f"harness {__version__}. Results file {files}."
