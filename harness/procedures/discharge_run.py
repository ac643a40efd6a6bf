"""A whole battery run on a bench: what is said beforehand, the journal, the results file."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

from harness.describe import Bench, Unit
from harness.describe.schedule import CONTINUOUS, Schedule
from harness.devices import Operator
from harness.errors import BadInput
from harness.procedures.accept import Performed, journal_for, perform
from harness.procedures.acceptance import STANDARD_SHARE, STRONG_DBM
from harness.procedures.battery_ends import LONGEST_S, Ends, PowerLimit
from harness.procedures.battery_run import INTERVAL_S, KEEP_STEP_DB, RunPlan, battery_run
from harness.procedures.runner import Watcher
from harness.procedures.steps import Procedure, TurnKnob


def run_plan(
    unit: Unit,
    bench: Bench,
    *,
    schedule: Schedule = CONTINUOUS,
    every_s: float = INTERVAL_S,
    keep_every_s: float | None = None,
    keep_step_db: float = KEEP_STEP_DB,
    power: PowerLimit | None = None,
    for_s: float | None = None,
    with_tone: bool = True,
) -> RunPlan:
    """Plan a battery run of a unit on a bench.

    Parameters
    ----------
    schedule, every_s, keep_every_s, keep_step_db : as in ``RunPlan``
    power, for_s : ends of the run, as in ``Ends``
    with_tone : whether the unit is keyed with standard test modulation, and its deviation logged

    Raises
    ------
    BadInput : the unit has no battery; nothing would end the run in time; somebody would have to
        set the generator or read the meter every few seconds.
    """
    if unit.battery is None:
        raise BadInput("has no [battery]", unit.name, "Describe it in the unit file.")
    meter = bench.meter
    if meter is None and power is None and for_s is None:
        raise BadInput(
            "has no [meter], so nothing would stop the run before the battery is run down too far",
            bench.name,
            "Describe a meter, or end the run yourself: --for 4h, or --to-power 3dB.",
        )
    by_hand = [
        part
        for part, described in (("generator", bench.generator), ("meter", meter))
        if described is not None and described.source == "by hand"
    ]
    if by_hand and not schedule.is_continuous:
        raise BadInput(
            f"its {by_hand[0]} is by hand, and the schedule {schedule.name} wants it at each step",
            bench.name,
            "Use another one, or run it continuously.",
        )
    return RunPlan(
        level_port_dbm=STRONG_DBM,
        deviation_hz=STANDARD_SHARE * unit.rated_deviation_hz if with_tone else 0.0,
        ends=Ends(
            end_v=None if meter is None else unit.battery.end_v,
            power=power,
            for_s=LONGEST_S if for_s is None else for_s,
        ),
        schedule=schedule,
        every_s=every_s,
        keep_every_s=keep_every_s,
        keep_step_db=keep_step_db,
        has_meter=meter is not None,
        # Elsewhere a hand does it: harness.procedures.wiring.
        can_disable=bench.simulated is not None,
    )


def discharge(
    unit: Unit,
    bench: Bench,
    folder: Path,
    watcher: Watcher,
    plan: RunPlan,
    operator: Operator | None = None,
    *,
    resume: bool = False,
    go_on_with: str = "",
) -> Performed:
    """Run a unit's battery down, and write the results file, also when it ends early.

    Parameters
    ----------
    unit, bench, folder, watcher, operator, resume, go_on_with : as for ``accept``
    plan : of ``run_plan``

    Raises
    ------
    Unsafe, BadInput, HardwareFault : as ``accept``.
    """
    settings = {
        "unit": unit.plain(),
        "bench": bench.plain(),
        "battery run": {**asdict(plan), "schedule": plan.schedule.plain()},
    }
    journal = journal_for(folder, settings, resume=resume)
    return perform(
        unit,
        bench,
        folder,
        watcher,
        run_down(unit, plan),
        title=f"Battery run of {unit.name}",
        name=f"battery run, {plan.schedule.name}",
        operator=operator,
        is_whole=False,
        journal=journal,
        go_on_with=go_on_with,
    )


def run_down(unit: Unit, plan: RunPlan) -> Procedure:
    """Yield the steps: the knob to where it is used, where that is known, and the battery down."""
    if unit.used_knob is not None:
        yield TurnKnob(position=unit.used_knob)
    assert unit.battery is not None
    yield from battery_run(unit.battery, plan)
