"""A whole acceptance through the driver gives what it gives on the simulated bench itself.

Both benches make the same samples from the same seed. What may differ: where a take begins within
a few samples (the driver tells time by a clock that is declared, not true), and with it which
noise falls into which frame. So each reading must agree within its own uncertainty, one of both
and not the sum; states must be the same.

``./scripts/test -n0 -s tests/instruments/test_acceptance.py`` prints each reading.
"""

import pytest

from harness.describe import example_path, load_bench, load_plan, load_unit
from harness.procedures import accept as accepting
from harness.procedures.accept import accept
from harness.procedures.wiring import simulated_bench
from harness.recordings import open_recording
from tests.instruments.lockstep import Lockstep, real_bench

pytestmark = pytest.mark.slow(reason="two acceptances, shortened, one of them through a driver")
UNIT = load_unit(example_path("frost-watch-2.toml")).model_copy(
    update={"knob_positions": ("9:00", "12:00")}
)
BENCH = load_bench(example_path("packing-shed.toml"))
LITTLE = (
    load_plan("short")
    .doing(["battery"])
    .altered(
        keyings=2,
        search_dbm=(-124.0, -112.0),
        quiet_s=0.5,
        sweeps=2,
        levels_dbm=(-119.0, -114.0),
        interval_s=3600.0,
    )
)


class Quiet:
    def step(self, title):
        pass

    def progress(self, share):
        pass

    def say(self, text):
        pass


def key(reading):
    """What makes a reading the same in both runs; measured conditions do not."""
    told = ("level", "knob", "weighting", "method", "de_emphasis", "direction")
    conditions = {k: v for k, v in reading.conditions.items() if any(t in k for t in told)}
    rounded = {k: round(v) if isinstance(v, float) else v for k, v in conditions.items()}
    return reading.name, tuple(sorted((k, str(v)) for k, v in rounded.items()))


def readings(run):
    found = {}
    for findings in run.findings:
        for place, reading in enumerate(findings.readings):
            found.setdefault((findings.kind, *key(reading)), []).append((place, reading))
    return found


def row(name, one, other):
    """A line of the table: reading with its conditions, both values, their difference, U."""
    kind, reading, conditions = name
    what = f"{kind} {reading} {' '.join(value for _, value in conditions)}"
    if not isinstance(one.value, float) or not isinstance(other.value, float):
        return f"{what:58.58} {other.value!s:>14} {one.value!s:>14}"
    numbers = f"{other.value:14.6g} {one.value:14.6g} {other.value - one.value:11.3g}"
    u = "none" if one.expanded_uncertainty is None else f"{one.expanded_uncertainty:.3g}"
    return f"{what:58.58} {numbers} {u:>10} {one.unit}"


def test_through_the_driver_the_readings_are_the_same(dongles, monkeypatch, tmp_path) -> None:
    # It would take a second of the driven bench, and none of the plain one: other noise.
    monkeypatch.setattr(accepting, "look_first", lambda *_: ())
    plain = accept(UNIT, BENCH, tmp_path / "plain", Quiet(), LITTLE).run
    bench = real_bench(BENCH)
    source = Lockstep(simulated_bench(BENCH), bench, dongles)
    monkeypatch.setattr(accepting, "open_bench", lambda bench, **_: source.devices())
    try:
        driven = accept(UNIT, bench, tmp_path / "driven", Quiet(), LITTLE).run
    finally:
        source.close()
    assert source.dongles.lost_samples == {"input": 0, "output": 0}
    first, second = readings(plain), readings(driven)
    assert first.keys() == second.keys()
    assert len(first) > 50
    ratios = []
    print(f"\n{'reading':58} {'by the driver':>14} {'simulated':>14} {'difference':>11} {'U':>10}")
    for name, expected in first.items():
        for (_, one), (_, other) in zip(expected, second[name], strict=True):
            print(row(name, one, other))
            if isinstance(one.value, float) and one.expanded_uncertainty:
                assert abs(other.value - one.value) <= one.expanded_uncertainty, name
                ratios.append(abs(other.value - one.value) / one.expanded_uncertainty)
            else:
                assert type(other.value) is type(one.value), name
                if isinstance(one.value, str):
                    assert other.value == one.value, name
    assert len(ratios) > 40
    # Only what noise decides moves at all: half of the readings by less than a tenth of U.
    assert sorted(ratios)[len(ratios) // 2] < 0.1
    assert driven.verdict == plain.verdict
    recording = open_recording(tmp_path / "driven" / "recordings" / "carrier-output.sigmf-meta")
    assert recording.hardware == "RTL-SDR dongle 00000102, R820T"
    # Told once and for all: nothing is set between takes.
    assert dongles.told(1).count("open") == dongles.told(0).count("open") == 1
