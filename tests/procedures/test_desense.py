"""The procedure of desensitisation: what it asks, checks and does, and what it finds.

On the simulated bench the truth is what the transmitter's noise adds to the receiver's own, by the
bench's own power, noise and isolation: 10 lg(1 + N/N0). With the numbers of the demonstration by
hand: 4 W is 36.0 dBm, 1.2 dB more before the duplexer, -138 dBc/Hz, 75 dB of isolation: -175.8
dBm/Hz beside k 290 K and 4 dB, -169.98 dBm/Hz: 1.02 dB; detuned, with 20 dB less, 14.4 dB.
"""

from dataclasses import replace

import pytest

from harness.describe import bench_from, example_path, load_bench, load_unit
from harness.errors import BadInput, HardwareFault
from harness.procedures.desense import TRIES, USUAL, desense, extent_on
from harness.procedures.runner import Runner
from harness.procedures.steps import EnableTransmitter, HoldKey, Keep, Measure, Record, Say, Wait
from harness.procedures.wiring import devices_of, simulated_bench
from harness.readings import Findings, measured
from harness.uncertainty import Contribution

UNIT = load_unit(example_path("frost-watch-2.toml"))
BENCH = load_bench(example_path("packing-shed.toml"), UNIT)
SHORT = replace(USUAL, search_dbm=(-128.0, -101.0), dwell_s=1.2)


def simulated(notebook, folder, seed, *faults, knob=None):
    """Run it on a simulated bench; give what was found, the truth, and what was said."""
    part = BENCH.simulated.model_copy(update={"seed": seed, "faults": faults})
    bench = BENCH.model_copy(update={"simulated": part})
    unit = UNIT if knob is None else UNIT.model_copy(update={"knob_positions": (knob,)})
    extent = SHORT
    if "detuned duplexer" in faults:
        extent = replace(SHORT, search_dbm=(-128.0, -92.0))
    device = simulated_bench(bench, hears=True)
    watcher = notebook.Quiet()
    runner = Runner(devices_of(device), unit, bench, folder, watcher)
    runner.run(desense(unit, extent_on(bench, extent)))
    (found,) = runner.findings
    return found, device.truth.desensitisation_db(), watcher.said


@pytest.mark.parametrize(
    "seeds",
    [(1,), pytest.param((2, 3, 4), marks=pytest.mark.long(reason="three more seeds beside one"))],
)
def test_it_agrees_with_what_the_bench_was_set_to(seeds, notebook, tmp_path) -> None:
    """Each U covers 95 %: of three one may lie outside, and none by half of it."""
    off = []
    for seed in seeds:
        found, truth, _ = simulated(notebook, tmp_path / str(seed), seed)
        assert truth == pytest.approx(1.02, abs=0.1)  # by hand above, but for the battery's volts
        first = found.readings[0]
        assert (first.name, first.bound) == ("desensitisation", None)
        # The generator's 0.25 dB and the path's 0.1 dB would be 0.54 dB in each: they drop out.
        shared = [c for c in first.contributions if c.kind == "B"]
        assert shared
        assert all(c.effect == 0.0 for c in shared)
        assert 0.0 < first.expanded_uncertainty < 0.9
        off.append(abs(first.value - truth) / first.expanded_uncertainty)
    assert sum(share > 1.0 for share in off) <= 1
    assert max(off) < 1.5


@pytest.mark.long(reason="another duplexer; with the sound one it is run whole")
def test_a_detuned_duplexer_costs_far_more(notebook, tmp_path) -> None:
    found, truth, _ = simulated(notebook, tmp_path, 1, "detuned duplexer")
    reading = found.readings[0]
    assert truth > 14.0
    assert abs(reading.value - truth) < 1.5 * reading.expanded_uncertainty
    both = [r for r in found.readings if r.name == "sensitivity_12db_sinad"]
    assert {r.conditions["transmitter"] for r in both} == {"on", "off"}


def test_where_the_squelch_drops_the_transmitter_its_key_is_held(notebook, tmp_path) -> None:
    """At a tight knob the audio is muted below the opening: 12 dB is passed in neither sweep."""
    found, _, said = simulated(notebook, tmp_path, 1, knob="3:30")
    assert not any("keeps the transmitter keyed" in text for text in said)
    assert not any("By hand it is not keyed" in text for text in said)
    reading = found.readings[0]
    assert reading.name == "desensitisation"
    assert reading.value is None
    assert "say nothing of their difference" in reading.note


# Asked step by step --------------------------------------------------------------------------


def carrier(dbm):
    """Findings of a check: a carrier at the port, or none."""
    if dbm is None:
        return Findings(kind="carrier")
    return Findings(kind="carrier", readings=(measured("carrier_power", dbm, [], count=1),))


def swept(dbm, state, bound=None):
    fit = Contribution(name="sensitivity.fit", standard_uncertainty=0.1, kind="A")
    reading = measured(
        "sensitivity_12db_sinad",
        dbm,
        [fit],
        count=5,
        bound=bound,
        conditions={"transmitter": state},
    )
    return Findings(kind="audio", readings=(reading,))


def answered(carriers, off=-121.0, on=-119.0, bound=None):
    """Answer each step of the procedure; give the steps."""
    carriers = iter(carriers)
    steps, gave = [], None
    procedure = desense(UNIT, SHORT)
    while True:
        try:
            step = procedure.send(gave)
        except StopIteration:
            return steps
        steps.append(step)
        gave = None
        if isinstance(step, Measure) and step.kind == "carrier":
            gave = carrier(next(carriers))
        elif isinstance(step, Measure):
            state = "off" if step.take.endswith("off") else "on"
            gave = swept(off if state == "off" else on, state, bound if state == "on" else None)


def kinds(steps, *wanted):
    return [step for step in steps if isinstance(step, wanted)]


def test_the_transmitter_is_looked_at_before_each_sweep() -> None:
    steps = answered([None, 36.0, 36.0])
    order = [
        step.take if isinstance(step, Record) else step.enabled
        for step in kinds(steps, Record, EnableTransmitter)
    ]
    assert order == [
        False,
        "check-disabled-1",
        "search-off",
        "sensitivity-off",
        True,
        "check-enabled-1",
        "check-open",
        "search-on",
        "sensitivity-on",
    ]
    for step in kinds(steps, Record):
        told = {stimulus.transmitter for stimulus in step.stimuli}
        assert told == {None if step.take.startswith("check") else step.take.rpartition("-")[2]}
    # A signal that keys it, else a transmitter that is only not keyed would count as disabled.
    first = kinds(steps, Record)[0]
    assert [stimulus.level_port_dbm for stimulus in first.stimuli] == [-80.0]
    assert not kinds(steps, HoldKey)
    assert kinds(steps, Wait)[0].seconds > 5.0
    (kept,) = kinds(steps, Keep)
    assert kept.findings.readings[0].value == pytest.approx(2.0)


def test_it_sweeps_about_what_was_found() -> None:
    steps = answered([None, 36.0, 36.0])
    takes = {step.take: [s.level_port_dbm for s in step.stimuli] for step in kinds(steps, Record)}
    assert takes["sensitivity-off"] == [-118.5 - 0.5 * n for n in range(11)]
    assert takes["sensitivity-on"] == [-116.5 - 0.5 * n for n in range(11)]


@pytest.mark.parametrize("left_dbm", [36.0, 30.0, 0.0])
def test_a_transmitter_that_is_not_disabled_is_asked_for_again(left_dbm) -> None:
    steps = answered([left_dbm, None, 36.0, 36.0])
    assert [step.enabled for step in kinds(steps, EnableTransmitter)] == [False, False, True]
    said = [step.text for step in kinds(steps, Say)]
    assert f"The output receiver sees a carrier of {left_dbm:.1f} dBm, which is not a disabled" in (
        " ".join(said)
    )


def test_a_rest_of_its_carrier_is_told() -> None:
    steps = answered([-30.0, 36.0, 36.0])
    assert any("-30 dBm" in step.text for step in kinds(steps, Say))


@pytest.mark.parametrize("carriers", [[36.0] * TRIES, [None, *[None] * TRIES], [None, *[20.0] * 3]])
def test_one_that_never_is_as_asked_ends_the_run(carriers) -> None:
    with pytest.raises(HardwareFault, match=r"is not (en|dis)abled after 3 times"):
        answered(carriers)


@pytest.mark.parametrize("held_dbm", [36.0, None])
def test_the_key_is_held_where_no_signal_keys_nothing(held_dbm) -> None:
    steps = answered([None, 36.0, None, held_dbm])
    assert [step.held for step in kinds(steps, HoldKey)] == [True, False]
    told = any("it is keyed by the signal alone" in step.text for step in kinds(steps, Say))
    assert told == (held_dbm is None)


def test_a_search_that_does_not_pass_12_db_leaves_a_bound() -> None:
    steps = answered([None, 36.0, 36.0], on=-101.0, bound="lower")
    assert "sensitivity-on" not in [step.take for step in kinds(steps, Record)]
    (kept,) = kinds(steps, Keep)
    reading = kept.findings.readings[0]
    assert (reading.bound, reading.value) == ("lower", pytest.approx(20.0))


def test_what_the_bench_has_to_have() -> None:
    table = BENCH.plain()
    with pytest.raises(BadInput, match=r"has no \[output\]"):
        extent_on(bench_from({k: v for k, v in table.items() if k != "output"}), USUAL)
    # 0 dBm behind 60 dB of the path to the unit.
    assert extent_on(BENCH, USUAL).search_dbm == USUAL.search_dbm
    weak = bench_from({**table, "generator": {**table["generator"], "maximum_dbm": -50.0}})
    assert extent_on(weak, USUAL).search_dbm == (USUAL.search_dbm[0], -110.0)
    weaker = bench_from({**table, "generator": {**table["generator"], "maximum_dbm": -65.0}})
    with pytest.raises(BadInput, match=r"reaches from -128\.0 to -125\.0 dBm at the unit's port"):
        extent_on(weaker, USUAL)
