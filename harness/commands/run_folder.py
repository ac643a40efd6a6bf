"""A run that is named by its folder: its results, or what can be worked out without them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from harness.procedures.accept import RESULTS_NAME
from harness.procedures.so_far import rebuild, results_in, run_so_far
from harness.results import Run, read_run


@dataclass(frozen=True, slots=True, kw_only=True)
class RunThere:
    """A run, the results file that it stands in (None: none), whether it goes on elsewhere."""

    run: Run
    path: Path | None
    goes_on: bool = False


def run_in(folder: Path, tell: Callable[[str], None], *, anew: bool = False) -> RunThere:
    """Give the run in a folder.

    Parameters
    ----------
    folder : of the run
    tell : is told what it was worked out from
    anew : whether its results are written anew from log and journal first

    Raises
    ------
    BadInput, Damaged : as ``run_so_far`` and ``rebuild``.
    """
    if anew:
        path, earlier = rebuild(folder)
        if earlier is not None:
            tell(f"Earlier results: {earlier}")
        tell(f"Results: {path}")
        return RunThere(run=read_run(path), path=path)
    found = results_in(folder)
    if found is not None:
        return RunThere(run=found, path=folder / RESULTS_NAME)
    so_far = run_so_far(folder)
    tell(so_far.run.notes)
    return RunThere(run=so_far.run, path=None, goes_on=so_far.goes_on)
