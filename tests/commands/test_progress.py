"""How a long run is told of: a battery run by its expected length, lines where no bar can be."""

import pytest

from harness.commands.progress import TerminalWatcher
from harness.describe import example_path, load_unit
from harness.devices import SupplyReading
from harness.procedures.battery_run import battery_run
from harness.procedures.steps import Measure, ReadSupply, Record, Wait
from harness.readings import Findings, Reading

INTERVAL_S = 1800.0


def takes_of_a_run(current_a: float, samples: int) -> list[Record]:
    """Perform the steps of a battery run that loses its carrier after some samples."""
    battery = load_unit(example_path("frost-watch-2.toml")).battery
    run = battery_run(battery, level_port_dbm=-80.0, deviation_hz=1500.0, interval_s=INTERVAL_S)
    takes, now_s, answer = [], 0.0, None
    supply = SupplyReading(voltage_v=12.0, current_a=current_a, temperature_degc=20.0)
    while True:
        try:
            step = run.send(answer)
        except StopIteration:
            return takes
        answer = None
        if isinstance(step, Wait):
            now_s += step.seconds
            answer = now_s
        elif isinstance(step, Record):
            takes.append(step)
        elif isinstance(step, ReadSupply):
            answer = supply
        elif isinstance(step, Measure):
            keyed = len(takes) < samples
            error = Reading(
                name="frequency_error",
                unit="Hz",
                count=1,
                value=1.0 if keyed else None,
                expanded_uncertainty=0.5 if keyed else None,
                verdict=None if keyed else "not measured",
                note="" if keyed else "no carrier",
            )
            answer = Findings(kind="carrier", readings=(error,))


def test_a_battery_run_tells_its_share_of_the_expected_time() -> None:
    # 9.0 Ah at 1.5 A is 6 h: half an hour is a twelfth.
    takes = takes_of_a_run(1.5, 16)
    assert [take.title for take in takes[:3]] == [
        "Battery run, 0.00 h",
        "Battery run, 0.50 h of about 6.0 h",
        "Battery run, 1.00 h of about 6.0 h",
    ]
    shares = [take.share for take in takes]
    assert shares[:3] == pytest.approx([0.0, 1 / 12, 2 / 12])
    # It may last longer than was expected, and is then all but done.
    assert shares[-1] == 1.0


def test_without_a_current_no_time_is_expected() -> None:
    takes = takes_of_a_run(float("nan"), 3)
    assert [take.title for take in takes] == [
        "Battery run, 0.00 h",
        "Battery run, 0.50 h",
        "Battery run, 1.00 h",
    ]
    assert {take.share for take in takes} == {0.0}


def test_lines_tell_of_a_long_run_at_each_tenth(capsys, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    with TerminalWatcher() as watcher:
        watcher.step("Sensitivity")
        watcher.progress(0.5)
        for number in range(101):
            watcher.step(f"Battery run, {number / 10:.2f} h of about 10.0 h")
            watcher.progress(number / 100)
            watcher.progress(number / 100)
    lines = capsys.readouterr().err.splitlines()
    assert lines[:3] == [
        "Sensitivity",
        "Battery run, 0.00 h of about 10.0 h",
        "Battery run, 1.00 h of about 10.0 h, 10 %",
    ]
    assert lines[-1] == "Battery run, 10.00 h of about 10.0 h, 100 %"
    assert len(lines) == 2 + 10
