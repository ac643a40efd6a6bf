"""Energy and charge that a battery gave over a run: the trapezoid rule over the rows there are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from harness.measure.course import Course
from harness.measure.load import LoadedRun, Rows
from harness.measure.setup import Options
from harness.readings import Reading, measured, not_measured, sentence
from harness.uncertainty import Contribution, rectangular, scaled
from harness.units import FloatArray

METER = "the meter's own error is not known and not included"
PARTLY = "of the meter's own error only that of the {} is known and included"


def delivered(
    name: str,
    rows: Rows,
    run: LoadedRun,
    complete: bool,
    options: Options,
    more: Mapping[str, Any],
    ends: Sequence[Contribution] = (),
) -> Reading:
    """Give ``energy_delivered`` (Wh) or ``charge_delivered`` (Ah) over the run.

    Parameters
    ----------
    complete : whether the log goes on to the end of the run
    options : ``voltage_contributions`` and ``current_contributions`` are heeded
    more : further fields of the reading
    ends : how uncertain the end of the run is, in s, beside the log's interval

    Notes
    -----
    Between load on or off and the row nearest to it the value of that row counts. Gaps are left
    out; the reading is then a lower bound. The error of the rule is that between it and the rule
    over every other row, by three (Richardson; Press et al., Numerical Recipes, 4.2, memory).
    Where a schedule has the transmitter keyed and let go, the rate steps somewhere between two
    rows; half of it is taken to be on either side, and where the step lies for a rectangle.
    The meter's error is taken for one offset all through the run: in energy that of the voltage
    counts with the charge, that of the current with the integral of the voltage.
    """
    rate = rows.current_a
    if not np.isfinite(rate[run.rows]).any():
        return not_measured(name, "The log has no current under load.", **more)
    if name == "energy_delivered":
        rate = rate * rows.voltage_v
    course = Course(rows.time_s[run.rows], rate[run.rows], rows.planned_s)
    if len(course) < 2:
        return not_measured(name, "Fewer than two rows with voltage and current.", **more)
    unit = "Wh" if name == "energy_delivered" else "Ah"
    time_s, values = course.time_s, course.values
    steps_s = np.diff(time_s)
    pieces = steps_s * (values[1:] + values[:-1]) / 2.0
    gaps = course.gaps
    turns = _turns(rows, time_s) & ~gaps
    total = float(pieces[~gaps].sum())
    parts = [
        Contribution(
            name=f"{name}.step halving",
            standard_uncertainty=_step_error(time_s, values, gaps | turns) / 3600.0,
            source="difference from the rule over every other row, by three",
        ),
        Contribution(
            name=f"{name}.repeatability",
            standard_uncertainty=_noise(rows, course)
            * float(np.sqrt(np.square(steps_s[~gaps]).sum()))
            / 3600.0,
            kind="A",
            source="scatter from row to row",
        ),
    ]
    if turns.any():
        steps = steps_s[turns] * np.abs(np.diff(values)[turns]) / 2.0
        parts.append(
            Contribution(
                name=f"{name}.schedule",
                standard_uncertainty=rectangular(float(np.sqrt(np.square(steps).sum()))) / 3600.0,
                source="where between two rows the schedule's steps lie, each by itself",
                distribution="rectangular",
            )
        )
    meter, meter_note = _meter(name, rows, run, rate, options)
    parts += meter
    notes: list[str] = []
    bounded = not complete or run.on.in_gap or run.off.in_gap
    for which, edge, end, sign in (("on", run.on, 0, -1.0), ("off", run.off, -1, 1.0)):
        beside_s = abs(float(time_s[end]) - edge.time_s)
        if beside_s > course.widest_s:
            bounded = True
            notes.append(f"nothing is logged for {beside_s:.0f} s at load {which}")
            continue
        total += beside_s * float(values[end])
        if edge.sharp:
            parts.append(
                Contribution(
                    name=f"load {which}.logging interval",
                    standard_uncertainty=rectangular(edge.half_s),
                    sensitivity=sign * float(values[end]) / 3600.0,
                    source="the log's interval there, as a rectangle",
                    distribution="rectangular",
                )
            )
    parts += scaled(ends, float(values[-1]) / 3600.0)
    if not complete:
        notes.append("the log ends while still loaded")
    if gaps.any():
        bounded = True
        missing = float(pieces[gaps].sum()) / 3600.0
        notes.append(
            f"{float(steps_s[gaps].sum()):.0f} s in gaps are left out, some {missing:.3g} {unit}"
            " if the load was on"
        )
    notes += meter_note
    given = dict(more)
    if gaps.any():
        given["flags"] = ("lost samples",)
    return measured(
        name,
        total / 3600.0,
        parts,
        count=len(course),
        bound="lower" if bounded else None,
        note=sentence("; ".join(notes)) if notes else "",
        **given,
    )


def _meter(
    name: str, rows: Rows, run: LoadedRun, rate: FloatArray, options: Options
) -> tuple[list[Contribution], list[str]]:
    """Give what the meter's declared uncertainty does to the reading, and what is not declared."""

    def over_run(column: FloatArray) -> float:
        """Integral of a column over the rows that count, in its unit times hours."""
        counts = np.where(np.isfinite(rate), column, np.nan)[run.rows]
        course = Course(rows.time_s[run.rows], counts, rows.planned_s)
        pieces = np.diff(course.time_s) * (course.values[1:] + course.values[:-1]) / 2.0
        return float(pieces[~course.gaps].sum()) / 3600.0

    voltage, current = options.voltage_contributions, options.current_contributions
    if name == "charge_delivered":
        parts = scaled(current, over_run(np.ones_like(rate)))
        return list(parts), [] if current else [METER]
    parts = (
        *scaled(voltage, over_run(rows.current_a)),
        *scaled(current, over_run(rows.voltage_v)),
    )
    if voltage and current:
        return list(parts), []
    if voltage or current:
        return list(parts), [PARTLY.format("voltage" if voltage else "current")]
    return [], [METER]


def _noise(rows: Rows, course: Course) -> float:
    """Give the scatter from row to row, keyed rows and the schedule's pauses each by themselves."""
    keyed = _keyed(rows, course.time_s)
    if keyed.all():
        return course.noise
    parts = [Course(course.time_s[part], course.values[part]) for part in (keyed, ~keyed)]
    return max(part.noise for part in parts)


def _keyed(rows: Rows, time_s: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether the transmitter was to be keyed at the times of rows."""
    at = np.searchsorted(rows.time_s, time_s, side="right") - 1
    return np.asarray(rows.to_load[at])


def _turns(rows: Rows, time_s: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether the schedule keys or lets go between each time and the next; shape (n - 1,)."""
    keyed = _keyed(rows, time_s)
    return np.asarray(keyed[1:] != keyed[:-1])


def _step_error(
    time_s: FloatArray, values: FloatArray, gaps: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> float:
    """Estimate the rule's error from every other row, stretch by stretch between gaps."""
    apart = 0.0
    edges = [0, *(np.flatnonzero(gaps) + 1).tolist(), len(time_s)]
    for first, last in pairwise(edges):
        # An odd row at the end is left out of both.
        last -= (last - first + 1) % 2
        if last - first < 3:
            continue
        fine = np.trapezoid(values[first:last], time_s[first:last])
        coarse = np.trapezoid(values[first:last:2], time_s[first:last:2])
        apart += float(fine - coarse)
    return abs(apart) / 3.0
