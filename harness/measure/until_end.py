"""A battery run up to the moment at which the battery was at its end voltage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np

from harness.measure.course import GAP_INTERVALS, Crossing
from harness.measure.discharge_parts import interval_part
from harness.measure.load import Edge, LoadedRun, Rows
from harness.uncertainty import Contribution, scaled
from harness.units import FloatArray


def until_end(rows: Rows, run: LoadedRun, end: Crossing) -> tuple[Rows, LoadedRun]:
    """Give the rows and the run up to a crossing; the row before it must be there.

    Notes
    -----
    At the crossing itself a row is put in, on the straight line between the rows under load on
    either side of it; a quantity that has none within a gap's length is blank in it. Where the
    crossing lies in a gap, the run ends at the row before the gap.
    """
    if end.before_s is None:
        raise ValueError(f"{end=}: no row lies before it")
    in_gap = end.time_s is None
    stop_s = end.before_s if end.time_s is None else end.time_s
    stop = int(np.searchsorted(rows.time_s, stop_s, side="right" if in_gap else "left"))
    columns = {field.name: getattr(rows, field.name)[:stop] for field in fields(rows)}
    loaded = run.loaded[:stop]
    if not in_gap:
        widest_s = max(GAP_INTERVALS * run.interval_s, rows.planned_s)
        for name in columns:
            at_end = _between(rows.time_s, getattr(rows, name), run.loaded, stop_s, widest_s)
            columns[name] = np.append(columns[name], stop_s if name == "time_s" else at_end)
        loaded = np.append(loaded, True)
    return Rows(**columns), replace(
        run,
        rows=slice(run.rows.start, len(loaded)),
        loaded=loaded,
        off=Edge(loaded_s=stop_s, rest_s=end.after_s if in_gap else None, in_gap=in_gap),
        gaps_s=tuple(gap for gap in run.gaps_s if gap[0] < stop_s),
        went_in_row=False,
    )


def end_parts(
    end: Crossing, repeatability: Contribution, meter: Sequence[Contribution]
) -> tuple[Contribution, ...]:
    """Give how uncertain the moment of a crossing is, in s.

    Parameters
    ----------
    repeatability : of the voltage at the crossing
    meter : its other contributions, in V
    """
    if end.time_s is None or end.before_s is None:
        return ()
    # A meter that shows too much sees the end voltage late; the slope is below 0.
    late = -1.0 / end.slope_per_s
    half_s = (end.after_s - end.before_s) / 2.0
    interval = interval_part("run_time.logging interval", half_s, 1.0)
    return (*scaled((repeatability, *meter), late), interval)


def _between(
    time_s: FloatArray,
    column: FloatArray,
    loaded: np.ndarray[tuple[int], np.dtype[np.bool_]],
    at_s: float,
    widest_s: float,
) -> float:
    """Give a column at a time, between the nearest rows under load that have it; else NaN."""
    there = np.flatnonzero(loaded & np.isfinite(column))
    after = int(np.searchsorted(time_s[there], at_s, side="left"))
    if not 0 < after < len(there):
        return np.nan
    pair = there[after - 1 : after + 1]
    if time_s[pair[1]] - time_s[pair[0]] > widest_s:
        return np.nan
    return float(np.interp(at_s, time_s[pair], column[pair]))
