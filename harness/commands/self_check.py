"""``harness self-check``: what is measured against what the simulated bench was set to.

The only place that holds both sides. The measuring side gets samples, as ever; the truth is
asked of the simulated bench at the end of each take.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from harness.commands.table import Row
    from harness.procedures.runner import Runner
    from harness.readings import Findings, Reading
    from harness.simulator import SimulatedBench

HEADINGS = ("reading", "set", "measured", "off by", "agrees")
TONE_HZ = 1000.0
DEVIATION_HZ = 1500.0
LEVEL_DBM = -80.0
KEYINGS = 5
BATTERY_INTERVAL_S = 300.0
NULL_SHARES = (0.95, 0.97, 0.99, 1.01, 1.03, 1.05)
"""Deviations about the null, as shares of it; none on it, where noise hides the sign. Chosen."""
SEARCH_DBM, AT_EACH_S = (-128.0, -104.0), 2.0
"""Levels about the simulated units' sensitivities, and how long each lasts. Chosen."""
GAIN_RIPPLE = 1e-3
"""What the simulated unit itself cannot tell of its repeat gain: ripple of its IF filter."""
UNCHECKED = (
    "Not here: SINAD, sensitivity and squelch come out of the simulated receiver's physics, which"
    " was not set to any value of them; ./scripts/accuracy checks these on signals made to a value."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A reading beside what it ought to be."""

    what: str
    truth: float
    reading: Reading
    truth_uncertainty: float = 0.0
    """Expanded, of what was set; 0 where that is exact."""

    @property
    def difference(self) -> float:
        """Measured minus set, in the reading's unit."""
        return float(self.reading.value or 0.0) - self.truth

    @property
    def agrees(self) -> bool:
        """Whether the difference lies within U and what the truth itself leaves open."""
        measured = self.reading.expanded_uncertainty or 0.0
        return abs(self.difference) <= math.hypot(measured, self.truth_uncertainty)


def self_check(
    unit: Annotated[
        str, typer.Option(help="Simulated unit: frost-watch-1 or frost-watch-2.")
    ] = "frost-watch-2",
    seed: Annotated[
        int, typer.Option(min=0, help="Start of the simulated bench's random numbers.")
    ] = 1,
) -> int:
    """Compare what is measured on the simulated bench with what it was set to."""
    from rich.console import Console

    from harness.commands.progress import TerminalWatcher
    from harness.commands.table import print_rows, say
    from harness.describe import example_path, load_bench, load_unit
    from harness.procedures.runner import Runner
    from harness.procedures.wiring import devices_of, simulated_bench

    bench = load_bench(example_path("packing-shed.toml")).with_simulated_unit(unit, seed)
    simulated = simulated_bench(bench)
    opened = devices_of(simulated)
    description = load_unit(example_path(f"{unit}.toml"))
    with tempfile.TemporaryDirectory() as folder, TerminalWatcher() as watcher:
        runner = Runner(opened, description, bench, Path(folder), watcher)
        checks = [
            *_carrier(runner, simulated),
            *_timing(runner, simulated),
            *_battery(runner, simulated),
            *_bessel(runner),
            *_desensitisation(runner),
        ]
    console = Console()
    print_rows(console, HEADINGS, [_row(check) for check in checks])
    agreeing = sum(check.agrees for check in checks)
    say(
        console,
        f"{agreeing} of {len(checks)} agree within the uncertainty of what is measured and, where"
        " it has one, of what was set (95 % should).",
    )
    say(console, UNCHECKED)
    # Each U covers 95 %, so one of a dozen may lie outside by chance.
    return 0 if agreeing >= len(checks) - 1 else 4


def _row(check: Check) -> Row:
    from harness.commands.table import Row
    from harness.report.wording import quantity
    from harness.vocabulary import TERMS

    reading = check.reading
    assert isinstance(reading.value, float)
    places = TERMS[reading.name].decimals + 1
    truth = quantity(check.truth, reading.unit, decimals=places)
    if check.truth_uncertainty:
        truth = quantity(check.truth, reading.unit, check.truth_uncertainty)
    return Row(
        title=check.what,
        values=(
            truth,
            quantity(reading.value, reading.unit, reading.expanded_uncertainty),
            quantity(check.difference, reading.unit, decimals=places, signed=True),
            "yes" if check.agrees else "NO",
        ),
    )


def _find(findings: Findings, name: str) -> Reading:
    return next(reading for reading in findings.readings if reading.name == name)


def _carrier(runner: Runner, simulated: SimulatedBench) -> Iterator[Check]:
    from harness.procedures.steps import Measure, Procedure, Record, Stimulus, TurnKnob

    truth: dict[str, float] = {}
    found: list[Findings] = []

    def procedure() -> Procedure:
        yield TurnKnob(position="12:00")
        yield Record(
            take="carrier",
            title="Carrier",
            stimuli=(
                Stimulus(duration_s=0.4, level_port_dbm=None),
                Stimulus(
                    duration_s=4.0,
                    level_port_dbm=LEVEL_DBM,
                    tone_hz=TONE_HZ,
                    deviation_hz=DEVIATION_HZ,
                ),
            ),
            leave_on=True,
        )
        truth["carrier_power"] = simulated.truth.carrier_power_port_dbm()
        truth["frequency_error"] = simulated.truth.frequency_error_hz()
        gain = simulated.truth.repeat_gain(TONE_HZ, DEVIATION_HZ)
        truth["deviation_tone"] = gain * DEVIATION_HZ
        truth["tone_frequency"] = TONE_HZ
        found.append((yield Measure(kind="carrier", take="carrier", roles=("output",))))

    runner.run(procedure())
    for name, value in truth.items():
        open_share = GAIN_RIPPLE if name == "deviation_tone" else 0.0
        yield Check(
            what=name,
            truth=value,
            reading=_find(found[0], name),
            truth_uncertainty=open_share * abs(value),
        )


def _timing(runner: Runner, simulated: SimulatedBench) -> Iterator[Check]:
    from harness.procedures.steps import Measure, Procedure, Record, Stimulus

    on = Stimulus(
        duration_s=0.9, level_port_dbm=LEVEL_DBM, tone_hz=TONE_HZ, deviation_hz=DEVIATION_HZ
    )
    off = Stimulus(duration_s=1.7, level_port_dbm=None)
    found: list[Findings] = []

    def procedure() -> Procedure:
        yield Record(take="timing", title="Timing", stimuli=(off, *(on, off) * KEYINGS))
        found.append((yield Measure(kind="timing", take="timing")))

    runner.run(procedure())
    last = max(keying.take for keying in simulated.truth.keyings)
    events = [keying for keying in simulated.truth.keyings if keying.take == last]
    # The take before may have left the unit keyed: its drop is none of these keyings.
    first_s = min(keying.at_s for keying in events if keying.role == "input" and keying.on)
    events = [keying for keying in events if keying.at_s >= first_s]
    for name, state in (("attack_time", True), ("hang_time", False)):
        times = {
            role: [k.at_s for k in events if k.role == role and k.on is state]
            for role in ("input", "output")
        }
        delays = [b - a for a, b in zip(times["input"], times["output"], strict=True)]
        mean_s = math.fsum(delays) / len(delays)
        yield Check(what=name, truth=mean_s, reading=_find(found[0], name))


def _battery(runner: Runner, simulated: SimulatedBench) -> Iterator[Check]:
    from harness.procedures.battery_ends import Ends
    from harness.procedures.battery_run import RunPlan, battery_run

    battery = runner.unit.battery
    if battery is None:
        return
    charge_ah, energy_wh = simulated.truth.charge_ah, simulated.truth.energy_wh
    runner.run(
        battery_run(
            battery,
            RunPlan(
                level_port_dbm=LEVEL_DBM,
                deviation_hz=DEVIATION_HZ,
                ends=Ends(end_v=battery.end_v),
                every_s=BATTERY_INTERVAL_S,
            ),
        )
    )
    found = runner.findings[-1]
    yield Check(
        what="charge_delivered",
        truth=simulated.truth.charge_ah - charge_ah,
        reading=_find(found, "charge_delivered"),
    )
    yield Check(
        what="energy_delivered",
        truth=simulated.truth.energy_wh - energy_wh,
        reading=_find(found, "energy_delivered"),
    )


def _desensitisation(runner: Runner) -> Iterator[Check]:
    """Check the loss by the transmitter's noise, heard at the receiver of a bench of its own."""
    from dataclasses import replace

    from harness.procedures.desense import USUAL, desense, extent_on
    from harness.procedures.runner import Runner
    from harness.procedures.wiring import devices_of, simulated_bench

    hearing = simulated_bench(runner.bench, hears=True)
    folder = runner.folder / "desensitisation"
    other = Runner(devices_of(hearing), runner.unit, runner.bench, folder, runner.watcher)
    extent = replace(USUAL, search_dbm=SEARCH_DBM, dwell_s=AT_EACH_S)
    other.run(desense(runner.unit, extent_on(runner.bench, extent)))
    yield Check(
        what="desensitisation",
        truth=hearing.truth.desensitisation_db(),
        reading=_find(other.findings[-1], "desensitisation"),
    )


def _bessel(runner: Runner) -> Iterator[Check]:
    """Check the discriminator by the first zero of the carrier, which needs no meter.

    The generator's deviation is moved through the null; where the carrier line of the spectrum
    passes zero, the deviation is 2.40483 times the tone, whatever any discriminator says.
    """
    import numpy as np

    from harness.measure.bessel_null import FIRST_NULL
    from harness.procedures.steps import Measure, Procedure, Record, Stimulus

    found: list[Findings] = []

    def procedure() -> Procedure:
        for number, share in enumerate(NULL_SHARES):
            stimulus = Stimulus(
                duration_s=2.0,
                level_port_dbm=LEVEL_DBM,
                tone_hz=TONE_HZ,
                deviation_hz=share * FIRST_NULL * TONE_HZ,
            )
            take = f"bessel-{number}"
            yield Record(take=take, title="Bessel null", stimuli=(stimulus,), roles=("input",))
            found.append((yield Measure(kind="carrier", take=take, roles=("input",), keep=False)))

    runner.run(procedure())
    deviations, lines = [], []
    for findings in found:
        spectrum = next(s for s in findings.series if s.name == "spectrum")
        middle = np.abs(spectrum.axes[0].values) < TONE_HZ / 4.0
        lines.append(10.0 ** (float(spectrum.values[middle].max()) / 20.0))
        deviations.append(float(_find(findings, "deviation_tone").value or 0.0))
    # The amplitude of the carrier line is |J0|: its sign changes at the null.
    signed = np.array(lines) * np.where(np.array(NULL_SHARES) < 1.0, 1.0, -1.0)
    x = np.array(deviations) / (FIRST_NULL * TONE_HZ) - 1.0
    curve = np.polynomial.Polynomial.fit(x, signed, 2).convert()
    roots = [complex(value) for value in curve.roots()]
    root = min(roots, key=abs).real
    null_hz = (1.0 + root) * FIRST_NULL * TONE_HZ
    reading = _find(found[len(found) // 2], "deviation_tone")
    tone_hz = float(_find(found[len(found) // 2], "tone_frequency").value or 0.0)
    from harness.readings import measured
    from harness.uncertainty import Contribution

    residual = float(np.sqrt(np.sum((signed - curve(x)) ** 2) / (len(x) - 3)))
    slope = abs(float(curve.deriv()(root)))
    fit = Contribution(
        name="bessel.fit",
        standard_uncertainty=FIRST_NULL * TONE_HZ * residual / slope / math.sqrt(len(x)),
        kind="A",
        source="parabola through the carrier's amplitude about its zero",
    )
    yield Check(
        what="Bessel null",
        truth=FIRST_NULL * tone_hz,
        reading=measured(
            "deviation_tone", null_hz, [fit, *reading.contributions], count=len(lines)
        ),
    )
