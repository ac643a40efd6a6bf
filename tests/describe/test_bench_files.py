"""Bench files: exact lines for slips, offsets with their signs, and named contributions."""

import math
from datetime import date

import pytest

from harness.describe import EXAMPLES, bench_from, example_path, load_bench
from harness.errors import BadInput
from harness.uncertainty import combine, difference

GOOD = example_path("packing-shed.toml").read_text(encoding="utf-8")
AGAIN = "Correct it and run again."

CONTRACT = """
name = "packing-shed bench"
[output]                  # the receiver on what the unit sends
source = "rtlsdr"         # or "simulated", "recording"
serial = "00000102"
clock_error_ppm = 38.6
clock_uncertainty_ppm = 0.05
[[output.path]]           # from the unit's port to the dongle
element = "30 dB pad"
loss_db = 30.1
uncertainty_db = 0.1
rating_w = 10
"""
"""The bench file of DESIGN section 5, word for word."""


def test_the_file_that_the_contract_shows_loads(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(CONTRACT)
    bench = load_bench(path)
    assert bench.output is not None
    assert (bench.output.source, bench.output.serial) == ("rtlsdr", "00000102")
    assert (bench.output.clock_error_ppm, bench.output.clock_uncertainty_ppm) == (38.6, 0.05)
    assert bench.output.port_offset_db == 30.1
    assert bench.output.path[0].rating_w == 10.0
    assert bench.live
    # No full scale is declared, so there is no level to be uncertain of.
    assert bench.output.level_contributions(bench.name) == ()


SLIPS = [
    (
        "loss_db = 30.1",
        "loss_dbm = 30.1",
        f'[[output.path]] number 1 has the unknown key "loss_dbm"; did you mean "loss_db"? {AGAIN}',
    ),
    (
        "loss_db = 10.0",
        "loss_dbm = 10.0",
        f'[[output.path]] number 2 has the unknown key "loss_dbm"; did you mean "loss_db"? {AGAIN}',
    ),
    (
        "gain_db = 0.0",
        "gain = 0.0",
        f'[output] has the unknown key "gain"; did you mean "gain_db"? {AGAIN}',
    ),
    (
        "uncertainty_db = 0.1",
        'colour = "blue"',
        '[[output.path]] number 1 has the unknown key "colour"; known here: element, loss_db,'
        f" touchstone, ports, uncertainty_db, rating_w. {AGAIN}",
    ),
    (
        "loss_db = 30.1",
        "loss_db = -30.1",
        f"[[output.path]] number 1 loss_db = -30.1 is outside 0 to 150 dB. {AGAIN}",
    ),
    (
        "loss_db = 30.1",
        'loss_db = "30.1"',
        f'[[output.path]] number 1 loss_db = "30.1" is text; write it without quotes. {AGAIN}',
    ),
    ("uncertainty_db = 0.1", "", f'[[output.path]] number 1 has no "uncertainty_db". {AGAIN}'),
    (
        "rating_w = 10",
        'rating_w = "10 W"',
        f'[[output.path]] number 1 rating_w = "10 W" is not a number. {AGAIN}',
    ),
    (
        '"10 dB pad"',
        '"30 dB pad"',
        f'[output] path has two elements named "30 dB pad"; give each its own name. {AGAIN}',
    ),
    (
        "full_scale_uncertainty_db = 0.2",
        "",
        "[output] needs full_scale_dbm and full_scale_uncertainty_db together, or neither. "
        + AGAIN,
    ),
    (
        "clock_error_ppm = 38.6",
        "",
        f"[output] needs clock_error_ppm and clock_uncertainty_ppm together, or neither. {AGAIN}",
    ),
    (
        "skew_uncertainty_s = 20e-6",
        "",
        f"[output] needs skew_s and skew_uncertainty_s together, or neither. {AGAIN}",
    ),
    (
        "[[input.unit_path]]",
        "[[output.unit_path]]",
        f'[output] has the unknown key "unit_path"; did you mean "path"? {AGAIN}',
    ),
    (
        "sample_rate_hz = 250e3",
        "sample_rate_hz = 250",
        f"[output] sample_rate_hz = 250 looks like kHz; write 250e3. {AGAIN}",
    ),
    (
        "sample_rate_hz = 250e3",
        "sample_rate_hz = 2.4",
        f"[output] sample_rate_hz = 2.4 looks like MHz; write 2.4e6. {AGAIN}",
    ),
    (
        'source = "simulated"',
        'source = "rtl-sdr"',
        f'[output] source = "rtl-sdr" is unknown; did you mean "rtlsdr"? {AGAIN}',
    ),
    (
        'source = "simulated"',
        'source = "rtlsdr"',
        '[output] has source = "rtlsdr" beside [simulated]; a bench is simulated as a whole. '
        + AGAIN,
    ),
    ("seed = 1", "seed = -1", f"[simulated] seed = -1 is outside 0 to 2^63 - 1. {AGAIN}"),
    ("seed = 1", "seed = 1.5", f"[simulated] seed = 1.5 is not a whole number. {AGAIN}"),
    (
        "faults = []",
        "faults = [3]",
        f'[simulated] faults number 1 = 3 is not text in "quotes". {AGAIN}',
    ),
    (
        "faults = []",
        'faults = "weak battery"',
        f'[simulated] faults = "weak battery" is not a list. {AGAIN}',
    ),
    (
        "calibrated = 2026-11-20",
        'calibrated = "soon"',
        f'calibrated = "soon" is not a date like 2026-11-20. {AGAIN}',
    ),
    (
        "calibrated = 2026-11-20",
        "calibrated = 2026-11-20T10:00:00",
        f"calibrated = 2026-11-20 10:00:00 is not a date like 2026-11-20. {AGAIN}",
    ),
    (
        "[simulated]",
        "[simulatd]",
        f'has the unknown key "simulatd"; did you mean "simulated"? {AGAIN}',
    ),
    ("[generator]", "[[generator]]", f"generator is a list, not a table. {AGAIN}"),
]


@pytest.mark.parametrize(("right", "wrong", "line"), SLIPS)
def test_each_slip_gives_its_line(tmp_path, monkeypatch, right, wrong, line):
    monkeypatch.chdir(tmp_path)
    assert right in GOOD
    (tmp_path / "bench.toml").write_text(GOOD.replace(right, wrong, 1))
    with pytest.raises(BadInput) as caught:
        load_bench("bench.toml")
    assert str(caught.value) == f"bench.toml: {line}"


def pad(loss_db, uncertainty_db=0.1, name="pad", rating_w=10.0):
    return {
        "element": name,
        "loss_db": loss_db,
        "uncertainty_db": uncertainty_db,
        "rating_w": rating_w,
    }


DONGLE = {"source": "recording", "full_scale_dbm": -10.0, "full_scale_uncertainty_db": 0.3}


def test_loss_to_the_receiver_counts_up_and_loss_to_the_unit_counts_down():
    """Level at the port = level at the receiver + loss to it - loss from the tap to the unit."""
    bench = bench_from(
        {
            "name": "shed",
            "input": {**DONGLE, "path": [pad(20.0)], "unit_path": [pad(60.0)]},
            "output": {**DONGLE, "path": [pad(30.0), pad(10.5, name="cable")]},
        }
    )
    assert bench.input is not None
    assert bench.output is not None
    assert bench.input.port_offset_db == 20.0 - 60.0
    assert bench.output.port_offset_db == 40.5
    assert bench.receiver("input") is bench.input
    assert bench.receiver("output") is bench.output
    assert bench.receiver("audio") is None


def test_contributions_carry_name_sign_and_source():
    bench = bench_from(
        {
            "name": "shed",
            "input": {**DONGLE, "path": [pad(20.0, 0.1)], "unit_path": [pad(60.0, 0.4)]},
        }
    )
    assert bench.input is not None
    parts = bench.input.level_contributions(bench.name)
    assert [(p.name, p.effect, p.kind, p.source) for p in parts] == [
        ("shed.input.full_scale_dbm", 0.3, "B", "bench file"),
        ("shed.input.path.pad", 0.1, "B", "bench file"),
        ("shed.input.unit_path.pad", -0.4, "B", "bench file"),
    ]
    # 0.3, 0.1 and 0.4 add to the root of 0.26; rounding of a few additions.
    assert combine(parts).standard_uncertainty == pytest.approx(math.sqrt(0.26), rel=1e-12)
    # One calibration drops out of a difference: exact.
    assert combine(difference(parts, parts)).standard_uncertainty == 0.0


def test_a_connection_counts_once_in_each_level_and_only_when_declared():
    shed = {"name": "shed", "input": DONGLE, "output": DONGLE}
    plain = bench_from(shed)
    told = bench_from({**shed, "connection_uncertainty_db": 0.07})
    assert plain.level_contributions("output") == plain.output.level_contributions("shed")
    for role in ("input", "output"):
        extra = set(told.level_contributions(role)) - set(plain.level_contributions(role))
        assert [(part.name, part.effect) for part in extra] == [(f"shed.{role}.connection", 0.07)]
    # Without a scale there is no level to be uncertain of.
    bare = bench_from(
        {"name": "b", "output": {"source": "rtlsdr"}, "connection_uncertainty_db": 0.07}
    )
    assert bare.level_contributions("output") == ()


def test_clock_and_skew_contribute_only_when_declared():
    told = {"clock_error_ppm": 38.6, "clock_uncertainty_ppm": 0.05}
    skew = {"skew_s": 0.01, "skew_uncertainty_s": 2e-5}
    bench = bench_from({"name": "shed", "output": {**DONGLE, **told, **skew}, "input": DONGLE})
    assert bench.output is not None
    assert bench.input is not None
    (clock,) = bench.output.clock_contributions("shed")
    (late,) = bench.output.skew_contributions("shed")
    assert (clock.name, clock.effect) == ("shed.output.clock_error_ppm", 0.05)
    assert (late.name, late.effect) == ("shed.output.skew_s", 2e-5)
    assert bench.input.clock_contributions("shed") == ()
    assert bench.input.skew_contributions("shed") == ()


def test_the_pad_at_the_unit_is_one_quantity_for_generator_and_input_receiver():
    bench = bench_from(
        {
            "name": "shed",
            "input": {**DONGLE, "unit_path": [pad(60.0, 0.4)]},
            "generator": {
                "source": "by hand",
                "level_uncertainty_db": 0.5,
                "path": [pad(3.0, 0.1, "cable")],
            },
        }
    )
    assert bench.input is not None
    stimulus = bench.stimulus_contributions()
    assert [(p.name, p.effect) for p in stimulus] == [
        ("shed.generator.level_dbm", 0.5),
        ("shed.generator.path.cable", -0.1),
        ("shed.input.unit_path.pad", -0.4),
    ]
    left = difference(stimulus, bench.input.level_contributions("shed"))
    # The shared 0.4 is gone: 0.5, 0.1 and the receiver's 0.3 stay.
    assert combine(left).standard_uncertainty == pytest.approx(math.sqrt(0.35), rel=1e-12)


def test_the_step_between_marks_needs_the_uncertainty_of_the_scale():
    by_hand = {"source": "by hand", "level_step_db": 1.0}
    bench = bench_from({"name": "shed", "generator": {**by_hand, "level_uncertainty_db": 0.5}})
    assert bench.generator is not None
    assert bench.generator.level_step_db == 1.0
    with pytest.raises(BadInput, match="has level_step_db and no level_uncertainty_db"):
        bench_from({"name": "shed", "generator": by_hand})


@pytest.mark.parametrize(
    ("table", "line"),
    [
        (
            {"output": {"source": "simulated"}},
            '[output] has source = "simulated", but there is no [simulated]',
        ),
        (
            {"input": {"source": "rtlsdr"}, "output": {"source": "rtlsdr", "serial": "1"}},
            "[input] and [output] are two dongles; give each its serial",
        ),
        (
            {
                "input": {"source": "rtlsdr", "serial": "1"},
                "output": {"source": "rtlsdr", "serial": "1"},
            },
            '[input] and [output] both have serial = "1"',
        ),
    ],
)
def test_parts_that_do_not_go_together(table, line):
    with pytest.raises(BadInput) as caught:
        bench_from({"name": "shed", **table}, "bench.toml")
    assert str(caught.value) == f"bench.toml: {line}. {AGAIN}"


def test_a_bench_comes_back_as_it_went_in():
    bench = load_bench(example_path("packing-shed.toml"))
    assert bench.calibrated == date(2026, 11, 20)
    assert bench_from(bench.plain()) == bench
    assert not bench.live
    assert bench.note is not None
    assert "invented" in bench.note


def test_another_unit_on_the_same_bench():
    bench = load_bench(example_path("packing-shed.toml"))
    other = bench.with_simulated_unit("frost-watch-1")
    assert other.simulated is not None
    assert other.simulated.unit == "frost-watch-1"
    assert other.with_simulated_unit("frost-watch-2") == bench
    with pytest.raises(ValueError, match="not simulated"):
        bench_from({"name": "shed"}).with_simulated_unit("frost-watch-1")


def test_an_example_that_does_not_exist_is_the_callers_mistake():
    assert all(example_path(name).is_file() for name in EXAMPLES)
    with pytest.raises(ValueError, match="barn"):
        example_path("barn.toml")
