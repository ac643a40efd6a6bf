"""When a battery run was under load: from the rows of its log to one run with two edges.

What a row says of the load, the first that applies:

    not to be keyed, by the run's schedule         unknown
    power far below the highest                    off (power lost)
    keyed 1 / 0                                    on / off
    current above / not above half its maximum     on / off
    neither keyed nor current anywhere:
        power given                                on
        power blank in two rows or more, at an end of the log    off
        no power in the log at all: voltage or frequency given   on
    else                                           unknown, and the row decides nothing

The last row of a stretch is off, though keyed, when its current has fallen and that of the row
before had not: the load went off in it, and its power and carrier are those of a part of it.
One row that is off between two that are on is a dropout, not an end. The run is the longest
stretch of "on"; what the load did before and after is said, not measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from harness.measure.course import GAP_INTERVALS, typical_interval_s
from harness.units import FloatArray

LOST_DB = 20.0
"""Power so far below the highest is a transmitter that is off. Chosen."""

PLANNED_INTERVALS = 1.5
PLANNED_SHARE = 0.9
"""Where a schedule keys the transmitter, rows further apart than so many times the pause that so
many of the pauses stay below are a gap. Chosen."""

_UNKNOWN, _OFF, _ON = -1, 0, 1
_States = NDArray[np.int8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """The rows of a log as columns: float64, shape (n,), NaN where blank."""

    time_s: FloatArray
    power_dbm: FloatArray
    frequency_error_hz: FloatArray
    keyed: FloatArray
    voltage_v: FloatArray
    current_a: FloatArray
    power_uncertainty_db: FloatArray
    scheduled: FloatArray

    @property
    def to_load(self) -> NDArray[np.bool_]:
        """Rows in which the transmitter was to be keyed: shape (n,), all without a schedule."""
        return np.asarray(~(self.scheduled == 0.0))

    @property
    def planned_s(self) -> float:
        """Rows so far apart are no gap, as a schedule had them; 0 without one.

        The interval between rows to be keyed that most of them stay below: the cycle's pause.
        """
        if not (self.scheduled == 0.0).any():
            return 0.0
        pauses_s = np.diff(self.time_s[self.to_load])
        pauses_s = pauses_s[pauses_s > 0]
        if not pauses_s.size:
            return 0.0
        return PLANNED_INTERVALS * float(np.quantile(pauses_s, PLANNED_SHARE))


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """Load on or off, between two rows.

    Parameters
    ----------
    loaded_s : the row under load
    rest_s : the row on the other side, None where the log has none
    in_gap : whether rows are missing between them
    """

    loaded_s: float
    rest_s: float | None
    in_gap: bool

    @property
    def sharp(self) -> bool:
        """Whether both rows are there, with none missing between."""
        return self.rest_s is not None and not self.in_gap

    @property
    def time_s(self) -> float:
        """Middle of the two rows when sharp, else the row under load."""
        if self.rest_s is None or self.in_gap:
            return self.loaded_s
        return (self.loaded_s + self.rest_s) / 2.0

    @property
    def half_s(self) -> float:
        """Half of the interval that the edge lies in; 0 when not sharp."""
        return abs(self.loaded_s - self.time_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedRun:
    """The stretch of a log under load.

    Parameters
    ----------
    rows : which rows lie in it, dropouts and a schedule's pauses included; ``loaded``: bool, shape
        (n,), and on
    on, off : its edges
    interval_s : typical interval of its rows
    gaps_s : from and to of each gap in it
    transmitter_off : whether keying or power ended it, and not the current alone
    went_in_row : whether the load went off in a row, which then is no longer in the run
    cautions : what else the load did
    """

    rows: slice
    loaded: NDArray[np.bool_]
    on: Edge
    off: Edge
    interval_s: float
    gaps_s: tuple[tuple[float, float], ...]
    transmitter_off: bool
    went_in_row: bool
    cautions: tuple[str, ...]


def find_run(rows: Rows) -> LoadedRun | None:
    """Find the longest stretch under load; None where there is none."""
    cautions: list[str] = []
    states = _states(rows, cautions)
    went = _went_in_row(rows, states)
    states[went] = _OFF
    known = np.flatnonzero(states != _UNKNOWN)
    state = states[known]
    time_s = rows.time_s[known]
    both_on = (state[1:] == _ON) & (state[:-1] == _ON)
    interval_s = typical_interval_s(np.cumsum(np.append(0.0, np.diff(time_s)[both_on])))
    state = _without_dropouts(state, time_s, interval_s, rows.planned_s, cautions)
    turns = np.flatnonzero(np.diff(np.concatenate(([_OFF], state, [_OFF]))))
    firsts, lasts = turns[::2], turns[1::2] - 1
    if not firsts.size:
        return None
    longest = int(np.argmax(time_s[lasts] - time_s[firsts]))
    first, last = int(firsts[longest]), int(lasts[longest])
    if len(firsts) > 1:
        cautions.append(
            f"The load was on {len(firsts)} times; only the longest, from {time_s[first]:.6g} s to"
            f" {time_s[last]:.6g} s, is measured."
        )
    wide_s = max(GAP_INTERVALS * interval_s, rows.planned_s)
    steps_s = np.diff(time_s[first : last + 1])
    gaps_s = tuple(
        (float(time_s[first + at]), float(time_s[first + at + 1]))
        for at in np.flatnonzero(steps_s > wide_s)
    )

    def edge(loaded: int, rest: int) -> Edge:
        if not 0 <= rest < len(time_s):
            return Edge(loaded_s=float(time_s[loaded]), rest_s=None, in_gap=False)
        loaded_s, rest_s = float(time_s[loaded]), float(time_s[rest])
        in_gap = abs(loaded_s - rest_s) > wide_s > 0.0
        return Edge(loaded_s=loaded_s, rest_s=rest_s, in_gap=in_gap)

    on, off = edge(first, first - 1), edge(last, last + 1)
    if on.rest_s is None:
        cautions.append("The log starts under load; times count from its first row.")
    elif on.in_gap:
        cautions.append(
            f"Load on is not logged closer than {on.loaded_s - on.rest_s:.0f} s; times count from"
            " the first row under load."
        )
    if gaps_s:
        lengths_s = [end - begin for begin, end in gaps_s]
        count = "1 gap" if len(gaps_s) == 1 else f"{len(gaps_s)} gaps"
        cautions.append(
            f"Rows are missing under load: {count}, {sum(lengths_s):.0f} s in all, the longest"
            f" {max(lengths_s):.0f} s."
        )
    transmitter_off = went_in_row = False
    if off.rest_s is not None:
        after = int(known[last + 1])
        # Unless the current is all that tells, what ended the run is keying or power.
        transmitter_off = bool(
            np.isfinite(rows.keyed[after])
            or _lost(rows.power_dbm)[after]
            or not np.isfinite(rows.current_a[after])
        )
        went_in_row = bool(went[after])
    whole = slice(int(known[first]), int(known[last]) + 1)
    loaded = np.zeros(len(states), dtype=np.bool_)
    loaded[whole] = (states[whole] != _OFF) & rows.to_load[whole]
    return LoadedRun(
        rows=whole,
        loaded=loaded,
        on=on,
        off=off,
        interval_s=interval_s,
        gaps_s=gaps_s,
        transmitter_off=transmitter_off,
        went_in_row=went_in_row,
        cautions=tuple(cautions),
    )


def _lost(power_dbm: FloatArray) -> NDArray[np.bool_]:
    """Rows whose power is given and far below the highest."""
    given = np.isfinite(power_dbm)
    if not given.any():
        return given
    return np.asarray(given & (power_dbm < power_dbm[given].max() - LOST_DB))


def _states(rows: Rows, cautions: list[str]) -> _States:
    """Say of each row on, off or unknown, by the table above."""
    states = np.full(len(rows.time_s), _UNKNOWN, dtype=np.int8)
    current_a = rows.current_a
    given = np.isfinite(current_a)
    if given.any():
        highest_a, lowest_a = float(current_a[given].max()), float(current_a[given].min())
        if -lowest_a > highest_a:
            cautions.append(
                f"The current reaches {lowest_a:.3g} A; current out of the battery must be"
                " positive in the log."
            )
        if highest_a > 0.0:
            states[given] = np.where(current_a[given] > highest_a / 2.0, _ON, _OFF)
        else:
            states[given] = _OFF
    keyed = np.isfinite(rows.keyed)
    states[keyed] = np.where(rows.keyed[keyed] > 0.0, _ON, _OFF)
    if not given.any() and not keyed.any():
        power = np.isfinite(rows.power_dbm)
        if power.any():
            states[power] = _ON
            at = np.flatnonzero(power)
            if at[0] >= 2:
                states[: at[0]] = _OFF
            if len(power) - 1 - at[-1] >= 2:
                states[at[-1] + 1 :] = _OFF
        else:
            states[np.isfinite(rows.voltage_v) | np.isfinite(rows.frequency_error_hz)] = _ON
            cautions.append("Nothing in the log tells the load; all of it is taken as loaded.")
    states[_lost(rows.power_dbm)] = _OFF
    states[~rows.to_load] = _UNKNOWN
    return states


def _went_in_row(rows: Rows, states: _States) -> NDArray[np.bool_]:
    """Rows that are the last of a stretch and whose current alone has fallen; shape (n,)."""
    went = np.zeros(len(states), dtype=np.bool_)
    given = np.isfinite(rows.current_a)
    if not given.any():
        return went
    half_a = float(rows.current_a[given].max()) / 2.0
    known = np.flatnonzero(states != _UNKNOWN)
    state, current_a = states[known], rows.current_a[known]
    on_next = np.append(state[1:] == _ON, False)
    fallen = (state == _ON) & (current_a <= half_a) & ~on_next
    fallen[:1] = False
    fallen[1:] &= (state[:-1] == _ON) & (current_a[:-1] > half_a)
    went[known[fallen]] = True
    return went


def _without_dropouts(
    state: _States,
    time_s: FloatArray,
    interval_s: float,
    planned_s: float,
    cautions: list[str],
) -> _States:
    """Count one row that is off between two that are on, with no row missing, as on.

    Where a schedule keys the transmitter, the rows of one keying that did not come are such a one.
    """
    turns = np.flatnonzero(np.diff(state == _OFF)) + 1
    state = state.copy()
    single, keyings = [], []
    for first, stop in pairwise(turns):
        if state[first] != _OFF:
            continue
        around_s = time_s[stop] - time_s[first - 1]
        if stop - first == 1 and around_s <= max(2.0 * GAP_INTERVALS * interval_s, 2.0 * planned_s):
            single.append(first)
        elif around_s <= 2.0 * planned_s and time_s[stop - 1] - time_s[first] < planned_s / 2.0:
            keyings.append(first)
        else:
            continue
        state[first:stop] = _ON
    for found, one, many in (
        (single, "1 row", "single rows"),
        (keyings, "1 keying", "keyings"),
    ):
        if found:
            rows = f"{one}, at" if len(found) == 1 else f"{len(found)} {many}, the first at"
            cautions.append(
                f"The load is off in {rows} {time_s[found[0]]:.6g} s; counted as a dropout."
            )
    return state
