"""Discharge: what a battery run's log says of power, run time, energy and charge.

Rows come one at a time and are kept; what the load was, is known only at the end (``load``),
and power and carrier are then followed over the run under load (``course``). Times count from
load on. A gap is never interpolated over: what happened in one is given as a bound.

Memory: all rows, 64 bytes each while they come, some 400 at the end; measured by tracemalloc
for 100,000 rows (a day at one a second): 6.7 MB, and 41 MB while the readings are made.
"""

from __future__ import annotations

import math
from array import array
from typing import Any

import numpy as np

from harness.errors import BadInput
from harness.measure.course import (
    Course,
    Crossing,
    Start,
    fit_line,
)
from harness.measure.delivered import delivered
from harness.measure.discharge_knee import knee_reading
from harness.measure.discharge_parts import (
    edge_parts,
    half_width_part,
    interval_part,
    level_part,
    warm_up_note,
)
from harness.measure.discharge_series import discharge_series
from harness.measure.discharge_supply import efficiency, pushing, supply_series
from harness.measure.discharge_warm_up import warm_up_readings
from harness.measure.load import LoadedRun, Rows, find_run
from harness.measure.setup import Options
from harness.measure.until_end import end_parts, until_end
from harness.readings import (
    Findings,
    Reading,
    RecordingUsed,
    Series,
    measured,
    not_measured,
    sentence,
)
from harness.recordings import LogTable
from harness.uncertainty import Contribution, scaled
from harness.units import FloatArray

COLUMNS = (
    "time_s",
    "power_dbm",
    "frequency_error_hz",
    "keyed",
    "voltage_v",
    "current_a",
    "power_uncertainty_db",
    "scheduled",
)
POWER_SETTLED_DB = 0.05
"""A power so near to its settled course is settled: the accuracy promised for drift."""
FREQUENCY_SETTLED_HZ = 0.5
"""A carrier so near to its settled course is settled: the accuracy promised for drift."""
STABILITY = "receiver drift not known, not included"
_READINGS = (
    "power_drift",
    "power_warm_up",
    "warm_up_time",
    "power_slope",
    "power_knee",
    "time_to_minus_1db",
    "time_to_minus_3db",
    "run_time",
    "frequency_drift",
    "frequency_pushing",
    "energy_delivered",
    "charge_delivered",
    "efficiency",
)


def discharge_from_log(table: LogTable, options: Options) -> Findings:
    """Give the readings and series of a battery log.

    Parameters
    ----------
    table : the log, in order of time
    options : ``end_v`` and the meter's contributions are heeded; a weighting or de-emphasis is
        refused

    Raises
    ------
    BadInput : no rows, or an option that a battery log cannot heed.
    """
    discharge = Discharge(options, where=table.name)
    for row in zip(*(getattr(table, name).tolist() for name in COLUMNS), strict=True):
        discharge.push_row(**dict(zip(COLUMNS, row, strict=True)))
    found = discharge.finish()
    return Findings(
        kind=found.kind,
        readings=found.readings,
        series=found.series,
        cautions=(*table.cautions, *found.cautions),
        recordings=(RecordingUsed(path=table.name, role="log", sha512=table.sha512),),
    )


class Discharge:
    """Measure a battery run, a row at a time.

    Parameters
    ----------
    options : ``end_v`` and the meter's contributions are heeded
    where : name of the log

    Raises
    ------
    BadInput : an option that a battery log cannot heed.
    """

    def __init__(self, options: Options, *, where: str = "battery log") -> None:
        if options.weighting != "flat" or options.de_emphasis:
            raise BadInput(
                "a battery log has no audio to weight", where, "Leave the weighting out."
            )
        if options.end_v is not None and not 0.0 < options.end_v < math.inf:
            raise BadInput(
                f"{options.end_v:g} V is no end voltage", where, "Give it in volts, above 0."
            )
        self._options = options
        self._where = where
        self._columns = {name: array("d") for name in COLUMNS}

    def push_row(
        self,
        *,
        time_s: float,
        power_dbm: float = math.nan,
        frequency_error_hz: float = math.nan,
        keyed: float = math.nan,
        voltage_v: float = math.nan,
        current_a: float = math.nan,
        power_uncertainty_db: float = math.nan,
        scheduled: float = math.nan,
    ) -> None:
        """Take a row, not earlier than the one before; NaN is a blank."""
        times_s = self._columns["time_s"]
        if not math.isfinite(time_s) or (times_s and time_s < times_s[-1]):
            raise ValueError(f"{time_s=} is no time, or before {times_s[-1:]}")
        row = (time_s, power_dbm, frequency_error_hz, keyed, voltage_v, current_a)
        for name, value in zip(COLUMNS, (*row, power_uncertainty_db, scheduled), strict=True):
            self._columns[name].append(value)

    def finish(self) -> Findings:
        """Give what was found; called once, after the last row."""
        rows = Rows(**{name: np.array(column) for name, column in self._columns.items()})
        if not len(rows.time_s):
            raise BadInput("holds no rows", self._where, "Is it the right file?")
        run = find_run(rows)
        if run is None or run.off.loaded_s <= run.on.loaded_s:
            why = f"The log has {'no' if run is None else 'only one'} row under load."
            return Findings(
                kind="discharge",
                readings=tuple(not_measured(name, why) for name in _READINGS),
                series=discharge_series(rows, None),
                cautions=run.cautions if run else (),
            )
        readings = _Readings(rows, run, self._options, self._where)
        return Findings(
            kind="discharge",
            readings=readings.all(),
            series=(*discharge_series(rows, run), *readings.against_voltage()),
            cautions=run.cautions,
        )


class _Readings:
    """The readings of one run."""

    def __init__(self, rows: Rows, run: LoadedRun, options: Options, where: str) -> None:
        self._options = options
        self._end_v = options.end_v
        # The supply is looked at in all rows of the run that were to be under load, dropouts too:
        # a battery at rest shows more than it can give.
        to_load = rows.to_load[run.rows]
        self._voltage = Course(
            rows.time_s[run.rows][to_load], rows.voltage_v[run.rows][to_load], rows.planned_s
        )
        self._end = self._voltage.crossing(self._end_v) if self._end_v is not None else None
        self._complete = run.off.rest_s is not None or self._end is not None
        self._ends: tuple[Contribution, ...] = ()
        self._more: dict[str, Any] = {"recordings": (where,)}
        if self._end is not None:
            self._more = {**self._more, "conditions": {"end_v": self._end_v}}
            value = level_part("run_time.repeatability", self._end.value, 1.0)
            self._ends = end_parts(self._end, value, options.voltage_contributions)
            if self._end.before_s is not None:
                rows, run = until_end(rows, run, self._end)
        self._rows = rows
        self._run = run
        if run.gaps_s:
            self._more["flags"] = ("lost samples",)
        self._on = run.on.time_s
        self._power = self._course(rows.power_dbm)
        self._frequency = self._course(rows.frequency_error_hz)
        # A run cut at the end voltage has rows beyond: its last one is no stray.
        self._strays = self._leave_out_stray_end() if self._end is None else {}

    def all(self) -> tuple[Reading, ...]:
        run_time = self._run_time()
        if self._end is not None and self._end.before_s is None:
            why = f"The battery was below {self._end_v:g} V from the first row on."
            return tuple(
                run_time if name == run_time.name else not_measured(name, why, **self._more)
                for name in _READINGS
            )
        start = self._power.start(POWER_SETTLED_DB) if len(self._power) else None
        given = (self._rows, self._run, self._complete, self._options, self._more, self._ends)
        return (
            self._drift("power", self._power, POWER_SETTLED_DB, "dB"),
            *warm_up_readings(self._power, start, POWER_SETTLED_DB, self._run.on, self._more),
            self._slope(start),
            knee_reading(self._power, start, self._run.on, self._more),
            self._time_to(1, start),
            self._time_to(3, start),
            run_time,
            self._drift("frequency", self._frequency, FREQUENCY_SETTLED_HZ, "Hz"),
            pushing(self._rows, self._run, self._settled_s(), self._more),
            delivered("energy_delivered", *given),
            delivered("charge_delivered", *given),
            efficiency(self._rows, self._run, self._options, self._more),
        )

    def against_voltage(self) -> tuple[Series, ...]:
        """Give power and frequency against the supply voltage."""
        return supply_series(self._rows, self._run, self._settled_s())

    def _settled_s(self) -> float:
        """From here on power and frequency had settled."""
        settled_s = self._on
        for course, least in (
            (self._power, POWER_SETTLED_DB),
            (self._frequency, FREQUENCY_SETTLED_HZ),
        ):
            if len(course):
                settled_s = max(settled_s, float(course.time_s[course.start(least).row]))
        return settled_s

    def _course(self, column: FloatArray) -> Course:
        """Follow a quantity over the rows under load."""
        loaded = self._run.loaded
        return Course(self._rows.time_s[loaded], column[loaded], self._rows.planned_s)

    def _leave_out_stray_end(self) -> dict[str, float]:
        """Leave out a last row that is off the course; give by how much, for each quantity."""
        power, frequency = self._power, self._frequency
        strays = {
            "power": power.stray_end(POWER_SETTLED_DB) if len(power) else 0.0,
            "frequency": frequency.stray_end(FREQUENCY_SETTLED_HZ) if len(frequency) else 0.0,
        }
        if not any(strays.values()):
            return {}
        last_s = max(float(c.time_s[-1]) for c in (power, frequency) if len(c))
        self._power, self._frequency = power.before(last_s), frequency.before(last_s)
        return strays

    def _drift(self, what: str, course: Course, least: float, unit: str) -> Reading:
        name = f"{what}_drift"
        if len(course) < 2:
            return not_measured(name, f"The log has no {what} under load.", **self._more)
        start, end = course.start(least), course.end()
        parts = [
            level_part(f"{what}.settled start", start.level, -1.0),
            level_part(f"{what}.end", end, 1.0),
        ]
        parts += scaled(self._ends, course.end_slope_per_s())
        if start.left:
            parts.append(half_width_part(f"{what}.warm-up", start.left, "what is left of it"))
        notes = [warm_up_note(start, unit)] if len(course) > 2 else []
        if len(course) == 2:
            notes.append("two rows only, their noise is not known")
        if self._run.went_in_row:
            notes.append("the last row, in which the load went off, is left out")
        if self._strays:
            off = self._strays[what]
            by = f", {off:+.2f} {unit} off the course," if off else ""
            notes.append(f"the last row{by} is left out: the load may have gone off in it")
            if off:
                parts.append(half_width_part(f"{what}.last row", off, "deviation of the last row"))
        if what == "power":
            parts += self._declared(course, start)
        return measured(
            name,
            end.value - start.level.value,
            parts,
            count=len(course) - start.row,
            note=sentence("; ".join([*notes, STABILITY])),
            **self._more,
        )

    def _declared(self, course: Course, start: Start) -> list[Contribution]:
        """Give what the log declares of its power, without what start and end share."""
        loaded = self._run.loaded & np.isfinite(self._rows.power_dbm)
        declared = self._rows.power_uncertainty_db[loaded]
        if not np.isfinite(declared).any():
            return []
        at = np.searchsorted(self._rows.time_s[loaded], course.time_s[start.row])
        first, last = declared[at], declared[-1]
        apart = math.sqrt(abs(last**2 - first**2)) if np.isfinite(first + last) else 0.0
        return [
            Contribution(
                name="power.declared",
                standard_uncertainty=apart / 2.0,
                source="declared in the log (k = 2); what start and end share drops out",
            )
        ]

    def _slope(self, start: Start | None) -> Reading:
        name = "power_slope"
        if start is None:
            return not_measured(name, "The log has no power under load.", **self._more)
        time_s, power_dbm = self._power.time_s[start.row :], self._power.values[start.row :]
        line = fit_line(time_s, power_dbm, float(time_s[0]), self._power.noise)
        if line is None:
            return not_measured(name, "Fewer than three rows with power.", **self._more)
        part = Contribution(
            name="power_slope.fit",
            standard_uncertainty=line.slope_uncertainty * 3600.0,
            kind="A",
            degrees_of_freedom=line.degrees_of_freedom,
            source="residuals of the line, as they hang together from row to row",
        )
        return measured(
            name,
            line.slope_per_s * 3600.0,
            [part],
            count=len(time_s),
            note=sentence(warm_up_note(start, "dB")),
            **self._more,
        )

    def _time_to(self, drop_db: int, start: Start | None) -> Reading:
        name = f"time_to_minus_{drop_db}db"
        if start is None:
            return not_measured(name, "The log has no power under load.", **self._more)
        crossing = self._power.crossing(
            start.level.value - drop_db,
            start.row,
            averaged=True,
            level_uncertainty=start.level.standard_uncertainty,
        )
        if crossing is None:
            low_db = max(start.level.value - float(self._power.values.min()), 0.0)
            if low_db - self._strays.get("power", 0.0) >= drop_db:
                return measured(
                    name,
                    float(self._power.time_s[-1]) - self._on,
                    edge_parts("load on", self._run.on, -1.0),
                    bound="lower",
                    note="Only the last row is so low, and the load may have gone off in it.",
                    **{**self._more, "count": len(self._power) - start.row},
                )
            ended = "ended" if self._complete else "was last logged"
            note = f"Never: the power was within {low_db:.2f} dB until the run {ended}."
            return not_measured(name, note, **self._more)
        fall = crossing.slope_per_s
        parts = [
            level_part("power.settled start", start.level, 1.0 / fall),
            level_part(f"{name}.repeatability", crossing.value, -1.0 / fall),
        ]
        if not crossing.is_straight and crossing.before_s is not None:
            half_s = (crossing.after_s - crossing.before_s) / 2.0
            parts.append(interval_part(f"{name}.logging interval", half_s, 1.0))
        return self._at(
            name,
            crossing,
            parts,
            "",
            len(self._power) - start.row,
        )

    def _at(
        self,
        name: str,
        crossing: Crossing,
        parts: list[Contribution],
        note: str,
        count: int,
        **more: Any,
    ) -> Reading:
        """Give the time from load on to a crossing, or the bound where a gap hides it."""
        on = edge_parts("load on", self._run.on, -1.0)
        more = {**self._more, **more, "count": count}
        notes = [note] if note else []
        after_s = crossing.after_s - self._on
        if crossing.before_s is None:
            notes.append("it was so from the first row on")
            more["bound"] = "upper"
            return measured(name, after_s, on, note=sentence("; ".join(notes)), **more)
        before_s = crossing.before_s - self._on
        if self._run.on.in_gap:
            notes.append("load on lies in a gap of the log")
            more["bound"] = "lower"
        if crossing.time_s is None:
            notes.append(f"it lies in a gap of the log, {before_s:.0f} s to {after_s:.0f} s")
            more["bound"] = "lower"
            return measured(name, before_s, on, note=sentence("; ".join(notes)), **more)
        return measured(
            name,
            crossing.time_s - self._on,
            [*parts, *on],
            note=sentence("; ".join(notes)) if notes else "",
            **more,
        )

    def _run_time(self) -> Reading:
        name = "run_time"
        conditions = {} if self._end_v is None else {"end_v": self._end_v}
        if self._end is None:
            return self._to_load_off(name, {**self._more, "conditions": conditions})
        return self._at(
            name,
            self._end,
            list(self._ends),
            f"the battery was at {self._end_v:g} V",
            len(self._voltage),
            conditions=conditions,
        )

    def _to_load_off(self, name: str, more: dict[str, Any]) -> Reading:
        off = self._run.off
        parts = [
            *edge_parts("load on", self._run.on, -1.0),
            *edge_parts("load off", off, 1.0),
        ]
        bound: str | None = "lower" if self._run.on.in_gap else None
        if off.rest_s is None:
            bound, note = "lower", "the log ends while still loaded"
        else:
            note = "the transmitter went off" if self._run.transmitter_off else "the load went off"
            if off.in_gap:
                bound = "lower"
                note += f" in a gap of the log, at most {off.rest_s - self._on:.0f} s after load on"
        if self._end_v is not None:
            note += (
                f"; the battery was above {self._end_v:g} V"
                if len(self._voltage)
                else "; the log has no voltage under load"
            )
        rows = self._run.rows
        return measured(
            name,
            off.time_s - self._on,
            parts,
            count=rows.stop - rows.start,
            bound=bound,
            note=sentence(note),
            **more,
        )
