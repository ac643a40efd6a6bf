"""How often each interval holds the truth over random units on the simulated bench.

    PYTHONPATH=. .venv/bin/python -m benchmarks.random_units [--units 50] [--write]

Each unit and each bench file is drawn from the ranges below; the acceptance's own keyings and
squelch sweeps run at one position of the knob. Truth comes from construction: of attack and hang
from the true edges of the keyings, of frequency and power from the unit's parts, of opening,
closing, spread and false keying from many draws of the receiver's noise at fixed levels, put
through the comparator and the timer written out here, and fitted by another library's probit. No
measuring code sees any of it. Outcomes are kept beside digests of the code; ``--write`` makes
``docs/random-units.md``.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest

from benchmarks.accuracy.kept import digests
from benchmarks.accuracy.running import loaded_files
from harness.describe import Bench, bench_from, example_path, load_bench, load_unit
from harness.procedures.acceptance import (
    RISING_DWELL_S,
    STANDARD_SHARE,
    Extent,
    carrier_take,
    keyings,
    squelch_sweeps,
)
from harness.procedures.runner import Runner
from harness.procedures.steps import Procedure, TurnKnob
from harness.procedures.wiring.simulated import devices_of
from harness.readings import Reading
from harness.simulator import SimulatedBench, SimulatedUnit, simulated_unit
from harness.simulator.receiver import RATE_HZ, Receiver
from harness.simulator.squelch import clock_hours
from harness.simulator.transmitter import Transmitter
from harness.simulator.world import World

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "random-units.md"
FOLDER = ROOT / ".cache" / "random-units"
UNITS = 50
EXTENT = Extent(keyings=3, sweeps=5, quiet_s=4.0, search_dbm=(-128.0, -100.0))
RANGES: tuple[tuple[str, str], ...] = (
    ("receiver's noise figure", "3 to 9 dB"),
    ("receiver's and transmitter's crystal error", "-2.5 to 2.5 ppm"),
    ("hysteresis of the comparator", "1.1 to 1.4"),
    ("integration, which makes the spread", "1 to 15 ms"),
    ("hang time", "0.25 to 0.6 s"),
    ("key-up delay", "21 to 50 ms"),
    ("scale of the knob, which makes falsing", "0.9 to 1.1"),
    ("isolation of the duplexer", "68 to 80 dB"),
    ("transmitter's power", "3 to 5 W"),
    ("transmitter's rise", "1 to 5 ms"),
    ("knob", "10:30, 11:00, 11:30, 12:00 or 3:30"),
    ("bench file", "each declared value off by its standard uncertainty times a normal draw"),
)
"""All chosen."""
POSITIONS = ("10:30", "11:00", "11:30", "12:00", "3:30")
READ_S = 0.005
"""Keyed or not is asked so long before the end of a step, as the measurement does."""
WATCHED_S = 300.0
WORTH_COUNTING = 0.5
"""Opening voltage as a share of open noise above which key-ups without a signal are looked for."""
CLEAN_PER_H = 100.0
"""Units that false more often than this have no opening of their own: noise opens sweeps."""
LEVEL_STEP_DB = 0.125
OPEN_TRIALS, CLOSE_TRIALS = 32, 16
DB = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Case:
    """A unit, the knob's position, and the bench file that somebody wrote."""

    unit: SimulatedUnit
    position: str
    bench: Bench


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """A reading of a unit, its truth, and whether the one holds the other."""

    unit: int
    reading: str
    truth: float | str | None
    value: float | str | None
    bound: str | None = None
    lower: float = 0.0
    upper: float = 0.0
    holds: bool | None = None
    """None where there is no truth or no reading to judge."""


def case(number: int) -> Case:
    """Draw a unit and a bench file."""
    rng = np.random.default_rng([number, 51])
    plain = simulated_unit("frost-watch-2")
    unit = replace(
        plain,
        receiver=replace(
            plain.receiver,
            noise_figure_db=float(rng.uniform(3.0, 9.0)),
            crystal_error_ppm=float(rng.uniform(-2.5, 2.5)),
        ),
        squelch=replace(
            plain.squelch,
            hysteresis=float(rng.uniform(1.1, 1.4)),
            integration_s=float(np.exp(rng.uniform(math.log(0.001), math.log(0.015)))),
            hang_s=float(rng.uniform(0.25, 0.6)),
            key_up_delay_s=float(rng.uniform(0.021, 0.05)),
            opening_scale=float(rng.uniform(0.9, 1.1)),
        ),
        duplexer=replace(plain.duplexer, isolation_db=float(rng.uniform(68.0, 80.0))),
        transmitter=replace(
            plain.transmitter,
            crystal_error_ppm=float(rng.uniform(-2.5, 2.5)),
            power_port_w=float(rng.uniform(3.0, 5.0)),
            rise_s=float(rng.uniform(0.001, 0.005)),
        ),
    )
    position = POSITIONS[int(rng.integers(len(POSITIONS)))]
    return Case(unit=unit, position=position, bench=written_bench(unit, rng))


def written_bench(unit: SimulatedUnit, rng: np.random.Generator) -> Bench:
    """Give a bench file whose every value is off the truth as far as its uncertainty says."""
    told = load_bench(example_path("packing-shed.toml")).plain()
    parts = SimulatedBench(unit, streams=("input", "output")).truth.dongles
    # Losses of the elements in truth, as the simulator's paths have them.
    losses = {"tap": 10.07, "60 dB pad": 60.06, "30 dB pad": 30.16, "10 dB pad": 9.97}
    losses["3 dB pad"] = 3.03

    def off(standard: float) -> float:
        return standard * float(rng.standard_normal())

    for role, part in parts.items():
        receiver = told[role]
        connected_db = off(told["connection_uncertainty_db"])
        scale_db = off(receiver["full_scale_uncertainty_db"])
        receiver["full_scale_dbm"] = part.full_scale_dbm + scale_db + connected_db
        receiver["clock_error_ppm"] = part.clock_error_ppm + off(receiver["clock_uncertainty_ppm"])
        receiver["skew_s"] = part.skew_s + off(receiver["skew_uncertainty_s"])
        for element in (*receiver.get("path", ()), *receiver.get("unit_path", ())):
            element["loss_db"] = losses[element["element"]] + off(element["uncertainty_db"])
    return bench_from(told, "drawn bench")


# Truth --------------------------------------------------------------------------------------------


class Detector:
    """Voltage of a unit's squelch detector over its opening voltage, at levels held for a time."""

    def __init__(self, one: Case, number: int) -> None:
        unit = one.unit
        world = World(unit, np.random.default_rng(0))
        self._receiver = Receiver(unit.receiver, unit.duplexer)
        self._squelch = world.squelch
        self._opening = self._squelch.opening_voltage(clock_hours(one.position))
        self._offset_hz = -world.receiver_offset_hz
        supply = world.supply
        transmitter = Transmitter(
            unit.transmitter, unit.transmit_hz, unit.duplexer.transmit_loss_db
        )
        power_mw = transmitter.power_port_mw(supply.temperature_degc, supply.voltage_v)
        self._density = transmitter.noise_at_receiver_mw_per_hz(
            power_mw, unit.duplexer.isolation_db
        )
        self._random = np.random.default_rng([number, 52])

    def over(self, levels_dbm: Sequence[float], seconds: float, *, keyed: bool) -> DB:
        """Voltage over opening voltage while each level lasts so long; shape (levels, n)."""
        count = round(seconds * RATE_HZ)
        levels = np.repeat(np.asarray(levels_dbm, dtype=np.float64), count)
        state, rest = self._receiver.rest(), self._squelch.rest()
        high_pass, integrator = rest.high_pass, rest.integrator
        found = []
        for first in range(0, len(levels), 31250):
            part = levels[first : first + 31250]
            turns = self._offset_hz * (first + np.arange(len(part))) / RATE_HZ
            signal = 10.0 ** (part / 20.0) * np.exp(2j * np.pi * turns)
            noise = self._random.standard_normal((2, len(part)), dtype=np.float32)
            density = self._density if keyed else 0.0
            frequency_hz, state = self._receiver.run(signal, noise, density, state)
            voltage, high_pass, integrator = self._squelch.detect(
                frequency_hz, high_pass, integrator
            )
            found.append(voltage / self._opening)
        return np.concatenate(found).reshape(len(levels_dbm), count)


def changes(ratio: DB, hysteresis: float, hang: int, *, is_open: bool) -> tuple[int, int]:
    """Run comparator and timer, written out; count the key-ups and the drops."""
    ups = drops = at = closed = 0
    keyed = is_open
    closing, opening = np.flatnonzero(ratio > hysteresis), np.flatnonzero(ratio < 1.0)
    while True:
        places = closing if is_open else opening
        number = int(np.searchsorted(places, at))
        found = number < len(places)
        now = int(places[number]) if found else len(ratio)
        if not is_open and keyed and now - closed >= hang:
            keyed = False
            drops += 1
        if not found:
            return ups, drops
        at, is_open = now, not is_open
        if is_open and not keyed:
            ups += 1
            keyed = True
        if not is_open:
            closed = at


def half_level(levels: DB, changed: DB, trials: int) -> tuple[float, float]:
    """Level of an even chance and the spread about it, by statsmodels' probit."""
    import statsmodels.api as sm

    origin = float(np.mean(levels))
    family = sm.families.Binomial(link=sm.families.links.Probit())
    counts = np.column_stack([changed, trials - changed])
    constant, slope = sm.GLM(counts, sm.add_constant(levels - origin), family=family).fit().params
    return origin - constant / slope, abs(1.0 / slope)


def thresholds(one: Case, detector: Detector, dwell_s: float) -> dict[str, float | str | None]:
    """Find opening, closing and spread, from the receiver's noise at fixed levels."""
    part, transmitter = one.unit.squelch, one.unit.transmitter
    late_s = part.key_up_delay_s + transmitter.rise_s / 2.0 + READ_S
    open_s, before_s = RISING_DWELL_S - late_s, 0.04
    hang = round(part.hang_s * RATE_HZ)

    def opened(level: float, trials: int) -> int:
        pattern = [level - 0.75, level] * trials
        length_s = max(open_s, before_s)
        ratio = detector.over(pattern, length_s, keyed=False)[1::2]
        window = ratio[:, : round(open_s * RATE_HZ)]
        return int((window.min(axis=1) < 1.0).sum())

    kept_s = dwell_s - READ_S - part.release_delay_s - transmitter.fall_s / 2.0

    def dropped(level: float, trials: int) -> int:
        before = detector.over([level + 0.75, level] * trials, kept_s, keyed=True)[1::2]
        return sum(changes(row, part.hysteresis, hang, is_open=True)[1] > 0 for row in before)

    rough = next(
        level
        for level in np.arange(-128.0, -90.0, 0.5)
        if opened(level, 8) >= 4 and opened(level + 0.25, 8) >= 4
    )
    levels = rough + np.arange(-1.5, 1.5, LEVEL_STEP_DB)
    opening, spread = half_level(
        levels, np.array([opened(x, OPEN_TRIALS) for x in levels], dtype=float), OPEN_TRIALS
    )
    # None: it stays open far below what opens it, as noise alone hardly closes it.
    lowest = next(
        (
            level
            for level in np.arange(opening + 3.0, opening - 10.0, -0.5)
            if dropped(level, 6) >= 3 and dropped(level - 0.25, 6) >= 3
        ),
        None,
    )
    found: dict[str, float | str | None] = {"squelch_opening": opening, "squelch_spread": spread}
    if lowest is None:
        return {**found, "squelch_closing": None, "squelch_hysteresis": None}
    levels = lowest + np.arange(-1.25, 1.25, LEVEL_STEP_DB)
    closing, _ = half_level(
        levels, np.array([dropped(x, CLOSE_TRIALS) for x in levels], dtype=float), CLOSE_TRIALS
    )
    if not levels[0] - 2.0 < closing < levels[-1] + 2.0:
        # Drops hang on the level so little that they have no half.
        return {**found, "squelch_closing": None, "squelch_hysteresis": None}
    return {**found, "squelch_closing": closing, "squelch_hysteresis": opening - closing}


def without_a_signal(one: Case, detector: Detector) -> tuple[int, int]:
    """Count key-ups and drops in ``WATCHED_S``; none where the knob is far too tight for any."""
    part = one.unit.squelch
    hours = [clock_hours(position) for position, _ in part.knob]
    share = np.interp(clock_hours(one.position), hours, [share for _, share in part.knob])
    if share * part.opening_scale < WORTH_COUNTING:
        return 0, 0
    ratio = detector.over([-300.0], WATCHED_S, keyed=False)[0]
    return changes(ratio, part.hysteresis, round(part.hang_s * RATE_HZ), is_open=False)


def timing_truths(bench: SimulatedBench) -> dict[str, float | None]:
    """Give mean attack and hang of the first take's keyings, by their true edges.

    None where no edge of the output follows one of the input: noise had keyed it before.
    """
    edges = [keying for keying in bench.truth.keyings if keying.take == 0]
    lags: dict[bool, list[float]] = {True: [], False: []}
    for edge, following in pairwise(edges):
        # Nothing comes between, or the output was keyed already, or was kept by a return.
        if edge.role == "input" and following.role == "output" and following.on is edge.on:
            lags[edge.on].append(following.at_s - edge.at_s)
    means = {on: float(np.mean(seen)) if seen else None for on, seen in lags.items()}
    return {"attack_time": means[True], "hang_time": means[False]}


# Bench --------------------------------------------------------------------------------------------


class _Nobody:
    def step(self, title: str) -> None:
        """Nothing."""

    def progress(self, share: float) -> None:
        """Nothing."""

    def say(self, text: str) -> None:
        """Nothing."""


def run_unit(number: int) -> list[Outcome]:
    """Measure a unit, work its truths out, and set each against the other."""
    one = case(number)
    bench = SimulatedBench(one.unit, seed=1000 + number)
    hang: list[float] = []

    def procedure() -> Procedure:
        yield TurnKnob(position=one.position)
        deviation_hz = STANDARD_SHARE * described.rated_deviation_hz
        hang.append((yield from keyings(deviation_hz, EXTENT)))
        yield from carrier_take(deviation_hz)
        yield from squelch_sweeps(one.position, hang[0], EXTENT)

    described = load_unit(example_path("frost-watch-2.toml"))
    with tempfile.TemporaryDirectory() as folder:
        found = Runner(
            open_bench=devices_of(bench),
            unit=described,
            bench=one.bench,
            folder=Path(folder),
            watcher=_Nobody(),
        ).run(procedure())
    readings: dict[str, Reading] = {}
    for findings in found:
        for reading in findings.readings:
            is_output_only = "method" in reading.conditions and "output" in str(
                reading.conditions["method"]
            )
            if not is_output_only:
                readings.setdefault(reading.name, reading)
        if findings.kind == "squelch":
            readings.update({reading.name: reading for reading in findings.readings})
    detector = Detector(one, number)
    ups, drops = without_a_signal(one, detector)
    rate = ups / WATCHED_S * 3600.0
    stays = ups > 0 and drops == 0
    truths: dict[str, float | str | None] = {
        # Noise opens it, and it drops at least every few seconds, or never, or one cannot say.
        "keying_state": "always keyed" if stays else "normal" if ups != 1 else None,
        "false_keying_rate": None if stays else rate,
        "carrier_power": bench.truth.carrier_power_port_dbm(),
        "frequency_error": bench.truth.frequency_error_hz(),
        **timing_truths(bench),
    }
    if rate <= CLEAN_PER_H and not stays:
        truths.update(thresholds(one, detector, hang[0] + 0.25))
        truths["keying_state"] = _state(truths["squelch_hysteresis"])
    else:
        truths.update(dict.fromkeys(SQUELCH, None))
    return [_judged(number, name, truth, readings.get(name)) for name, truth in truths.items()]


def _state(hysteresis_db: float | str | None) -> str | None:
    """Give the state of a unit that does not false, by how far it closes above where it opens.

    Well above the opening it drops and comes back, keyed and deafened by itself: it chatters by
    the rule of 1 dB; within a dB of that rule nobody can say which.
    """
    if not isinstance(hysteresis_db, float) or hysteresis_db > -0.5:
        return "normal"
    return "chatters" if hysteresis_db < -2.0 else None


SQUELCH = ("squelch_opening", "squelch_closing", "squelch_hysteresis", "squelch_spread")
ORDER = (
    *SQUELCH,
    "false_keying_rate",
    "keying_state",
    "attack_time",
    "hang_time",
    "frequency_error",
    "carrier_power",
)


def _judged(number: int, name: str, truth: float | str | None, reading: Reading | None) -> Outcome:
    """Set a reading against its truth."""
    value = None if reading is None else reading.value
    if truth is None or value is None or reading is None:
        return Outcome(unit=number, reading=name, truth=truth, value=value)
    if isinstance(value, str) or isinstance(truth, str):
        return Outcome(unit=number, reading=name, truth=truth, value=value, holds=value == truth)
    half = reading.expanded_uncertainty or 0.0
    lower, upper = reading.interval or (value - half, value + half)
    if reading.bound == "upper":
        lower, upper = -math.inf, value + half
    elif reading.bound == "lower":
        lower, upper = value - half, math.inf
    return Outcome(
        unit=number,
        reading=name,
        truth=truth,
        value=value,
        bound=reading.bound,
        lower=lower,
        upper=upper,
        holds=bool(lower <= truth <= upper),
    )


# Page ---------------------------------------------------------------------------------------------


def outcomes(units: int) -> list[Outcome]:
    """Give the outcomes of all units, measuring those that are not kept.

    An outcome is kept beside the digests of all files of the checkout that were loaded by then.
    """
    FOLDER.mkdir(parents=True, exist_ok=True)
    now = digests()
    every: list[Outcome] = []
    for number in range(1, units + 1):
        path = FOLDER / f"{number}.json"
        kept = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {"hangs_on": {}}
        hangs_on = kept["hangs_on"]
        if not hangs_on or any(now.get(name) != summed for name, summed in hangs_on.items()):
            found = [asdict(one) for one in run_unit(number)]
            hangs_on = {name: now[name] for name in sorted(loaded_files()) if name in now}
            kept = {"hangs_on": hangs_on, "outcomes": found}
            path.write_text(json.dumps(kept), encoding="utf-8")
        every += [Outcome(**fields) for fields in kept["outcomes"]]
    return every


HEAD = """# Random units

Made by `PYTHONPATH=. .venv/bin/python -m benchmarks.random_units --write`. {units} invented units,
each drawn from the ranges below, on the simulated bench, each with a bench file that is off by what
it declares: three keyings and five squelch sweeps up and down, as the acceptance makes them, at one
position of the knob. How often each interval held the truth, with exact binomial bounds (95 %) on
how often it does; one of 95 % cannot be told from 95 % where these hold it.

Truth is by construction. Attack and hang: the true edges. Power and frequency: the unit's parts.
Opening, closing, spread, false keying: many draws of the receiver's noise at fixed levels through
the comparator and the timer, fitted by another library; exact to a few hundredths of a dB.

| drawn | from |
|---|---|
{ranges}

| reading | units | held | share | by chance |  |
|---|---|---|---|---|---|
"""
NOTES = {
    "squelch_opening": f"of units that false less than {CLEAN_PER_H:g} times an hour: in the"
    " others noise opens the sweeps",
    "squelch_spread": "mostly an upper bound: steps of 0.75 dB hide what is less",
    "false_keying_rate": "exact for whole counts: holds at least as often as it says",
    "keying_state": "the right state; not judged where a unit closes 0.5 to 2 dB above its opening,"
    " deafened by itself",
}


def page(every: Sequence[Outcome], units: int) -> str:
    """Make the page."""
    ranges = "\n".join(f"| {what} | {span} |" for what, span in RANGES)
    lines = [HEAD.format(units=units, ranges=ranges).rstrip("\n")]
    missed = []
    for name in ORDER:
        judged = [one for one in every if one.reading == name and one.holds is not None]
        if not judged:
            continue
        held = sum(bool(one.holds) for one in judged)
        chance = binomtest(held, len(judged)).proportion_ci(0.95, method="exact")
        bounds = sum(one.bound is not None for one in judged)
        note = "; ".join(
            filter(None, [NOTES.get(name, ""), f"{bounds} of them bounds" if bounds else ""])
        )
        lines.append(
            f"| {name} | {len(judged)} | {held} | {100.0 * held / len(judged):.1f} % |"
            f" {100.0 * chance.low:.1f} to {100.0 * chance.high:.1f} % | {note} |"
        )
        missed += [one for one in judged if not one.holds]
    silent = {
        name: sum(one.reading == name and one.value is None for one in every) for name in ORDER
    }
    told = ", ".join(f"{name} {count}" for name, count in silent.items() if count)
    lines += ["", f"Not measured: {told or 'none'}.", ""]
    if missed:
        lines += ["Not held:", ""]
        lines += [f"- unit {one.unit}, {one.reading}: {_off(one)}" for one in missed]
    return "\n".join(lines).rstrip("\n") + "\n"


def _off(one: Outcome) -> str:
    if isinstance(one.value, str) or isinstance(one.truth, str):
        return f"{one.value}, in truth {one.truth}"
    return f"{one.lower:.6g} to {one.upper:.6g}, in truth {one.truth:.6g}"


def main() -> None:
    """Run."""
    parser = argparse.ArgumentParser(prog="random_units", description=__doc__)
    parser.add_argument("--units", type=int, default=UNITS)
    parser.add_argument("--write", action="store_true", help="write docs/random-units.md")
    asked: Any = parser.parse_args()
    text = page(outcomes(asked.units), asked.units)
    if asked.write:
        PAGE.write_text(text, encoding="utf-8")
    print(text, end="")


if __name__ == "__main__":
    main()
