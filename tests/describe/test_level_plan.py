"""The level plan against arithmetic by hand and circuits of real resistors.

By hand: 4 W is 10 lg 4000 = 36.0206 dBm; behind 30.1 dB 5.9206 dBm, which is 3.9089 mW, so
3.99609 W stay in the pad. Tables: reference/pads_50ohm.csv and reference/levels_50ohm.csv.
"""

import csv
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.describe import (
    CAUTIONS,
    LOCAL_RULES,
    Bench,
    LevelLine,
    Unit,
    bench_from,
    cautions_for,
    example_path,
    level_plan,
    load_bench,
    load_unit,
    unit_from,
)
from harness.errors import BadInput, Unsafe
from harness.units import uv_from_dbm

UNIT = load_unit(example_path("frost-watch-2.toml"))
SHED = load_bench(example_path("packing-shed.toml"))


def unit(**changes: object) -> Unit:
    return unit_from({**UNIT.plain(), **changes})


def pad(loss_db: float, rating_w: float | None = 10.0, name: str = "pad") -> dict[str, object]:
    table: dict[str, object] = {"element": name, "loss_db": loss_db, "uncertainty_db": 0.1}
    return table if rating_w is None else {**table, "rating_w": rating_w}


def bench(*path: dict[str, object], live: bool = True, **more: object) -> Bench:
    """A bench whose output receiver overloads at 0 dBm and stands the usual 10 dBm."""
    output = {
        "source": "rtlsdr" if live else "simulated",
        "serial": "2",
        "full_scale_dbm": 0.0,
        "full_scale_uncertainty_db": 0.3,
        "path": list(path),
    }
    simulated = {} if live else {"simulated": {"unit": "any", "seed": 1}}
    return bench_from({"name": "shed", "output": output, **simulated, **more})


def line(a_bench: Bench, name: str, a_unit: Unit = UNIT) -> LevelLine:
    (found,) = [one for one in level_plan(a_unit, a_bench).lines if one.name == name]
    return found


def test_four_watts_through_a_30_db_pad_by_hand():
    found = line(bench(pad(30.1), pad(10.0, name="second")), "output path: pad")
    # Half a unit in the last printed digit of the hand calculation.
    assert found.level_dbm == pytest.approx(36.0206, abs=5e-5)
    assert found.power_w == pytest.approx(4.0, rel=1e-12)
    assert found.out_dbm == pytest.approx(5.9206, abs=5e-5)
    assert found.dissipated_w == pytest.approx(3.99609, abs=5e-6)
    assert (found.limit_dbm, found.limit, found.safe) == (40.0, "10 W continuous", True)


def test_the_second_element_gets_what_the_first_lets_through():
    a_bench = bench(pad(30.1), pad(10.0, name="second"))
    second = line(a_bench, "output path: second")
    assert second.level_dbm == pytest.approx(5.9206, abs=5e-5)
    assert line(a_bench, "output receiver").level_dbm == pytest.approx(-4.0794, abs=5e-5)


def test_dissipation_is_that_of_a_pad_of_resistors(reference):
    """Solve the pi pad of the published resistors for 4 W at 50 ohm."""
    with (reference / "pads_50ohm.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 22
    for row in rows:
        shunt, series = float(row["pi_shunt_ohm"]), float(row["pi_series_ohm"])
        volts_in = math.sqrt(4.0 * 50.0)
        loaded = 1.0 / (1.0 / shunt + 1.0 / 50.0)
        volts_out = volts_in * loaded / (series + loaded)
        inside_w = (volts_in**2 + volts_out**2) / shunt + (volts_in - volts_out) ** 2 / series
        found = line(
            bench(pad(float(row["attenuation_db"])), pad(40.0, name="rest")), "output path: pad"
        )
        # Printed to 0.0005 ohm of at least 5.769 ohm: 9e-5 of each branch.
        assert found.dissipated_w == pytest.approx(inside_w, rel=1e-4)
        assert found.out_dbm is not None
        assert uv_from_dbm(found.out_dbm) == pytest.approx(1e6 * volts_out, rel=1e-4)


def test_levels_are_those_of_the_published_table(reference):
    """20 mW at 50 ohm is 1 V; behind 20 lg (1 V / V) of loss stand V and its dBm."""
    with (reference / "levels_50ohm.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 16
    for row in rows:
        volts_uv = float(row["microvolt_pd"])
        loss_db = 20.0 * math.log10(1e6 / volts_uv)
        found = line(bench(pad(loss_db)), "output receiver", unit(rated_power_w=0.02))
        # Half a unit in the last printed digit.
        assert found.level_dbm == pytest.approx(float(row["dbm"]), abs=5.1e-4)


REFUSED = [
    (
        "a transmitter straight into a receiver",
        bench(),
        "output receiver gets 36.0 dBm and stands 10 dBm without damage",
    ),
    (
        "enough rating, too little loss",
        bench(pad(20.0)),
        "output receiver gets 16.0 dBm and stands 10 dBm without damage",
    ),
    (
        "no damage, but overload",
        bench(pad(30.1)),
        "output receiver, full scale gets 5.9 dBm and is overloaded above 0 dBm",
    ),
    (
        "a pad of 1 W for 4 W",
        bench(pad(40.0, 1.0)),
        "output path: pad gets 4 W and is rated 1 W",
    ),
    (
        "the second pad takes what the first leaves",
        bench(pad(3.0), pad(40.0, 1.0, "second")),
        "output path: second gets 2 W and is rated 1 W",
    ),
    (
        "a pad that nobody knows the rating of",
        bench(pad(40.0, None)),
        "output path: pad gets 4 W and has no rating_w",
    ),
    (
        "back through a shared port into the generator",
        bench(pad(40.0), generator={"source": "by hand", "reverse_power_w": 0.5}),
        "generator output gets 36.0 dBm and stands 0.5 W",
    ),
    (
        "a generator that nobody knows the reverse power of",
        bench(pad(40.0), generator={"source": "by hand", "path": [pad(20.0)]}),
        "generator output gets 16.0 dBm and has no reverse_power_w",
    ),
    (
        "a generator pad that stands the generator but not the transmitter",
        bench(pad(40.0), generator={"source": "by hand", "path": [pad(60.0, 0.5)]}),
        "back through generator path: pad gets 4 W and is rated 0.5 W",
    ),
    (
        "back through a shared port into the input receiver",
        bench(
            pad(40.0),
            input={"source": "rtlsdr", "serial": "1", "unit_path": [pad(20.0)]},
        ),
        "input receiver gets 16.0 dBm and stands 10 dBm without damage",
    ),
    (
        "the generator's own highest level into the input receiver",
        bench(
            pad(40.0),
            input={"source": "rtlsdr", "serial": "1", "unit_path": [pad(60.0)]},
            generator={"source": "by hand", "maximum_dbm": 13.0},
        ),
        "input receiver gets 13.0 dBm and stands 10 dBm without damage",
    ),
    (
        "nothing that takes the power",
        bench_from({"name": "shed", "generator": {"source": "by hand", "path": [pad(60.0)]}}),
        "no [output] is declared, so what takes the 4 W of the transmitter is unknown",
    ),
]


@pytest.mark.parametrize(
    ("a_bench", "sentence"), [row[1:] for row in REFUSED], ids=[row[0] for row in REFUSED]
)
def test_what_cannot_stand_it_is_refused(a_bench, sentence):
    plan = level_plan(UNIT, a_bench)
    assert plan.unsafe[0] == sentence
    with pytest.raises(Unsafe) as caught:
        plan.require_safe()
    assert str(caught.value) == (
        f"level plan of shed: {sentence}. Change the bench and its file before anything is keyed."
    )
    assert caught.value.exit_status == 2
    if "no [output]" not in sentence:
        assert any(not one.safe for one in plan.lines)


@pytest.mark.parametrize(
    "a_bench",
    [
        bench(pad(40.0)),
        # Exactly its rating.
        bench(pad(40.0, 4.0)),
        # No rating is asked of what gets microwatts.
        bench(pad(40.0), pad(0.5, None, "cable")),
        # Pads enough for any generator.
        bench(pad(40.0), generator={"source": "by hand", "path": [pad(40.0)]}),
        bench(
            pad(40.0),
            generator={"source": "by hand", "path": [pad(20.0)], "reverse_power_w": 0.05},
        ),
    ],
)
def test_what_stands_it_is_let_through(a_bench):
    plan = level_plan(UNIT, a_bench)
    plan.require_safe()
    assert plan.unsafe == []
    assert all(one.safe for one in plan.lines)


def test_with_separate_ports_nothing_runs_back():
    a_bench = bench(pad(40.0), generator={"source": "by hand"})
    plan = level_plan(unit(antenna_port="separate"), a_bench)
    plan.require_safe()
    assert not any(one.signal == "back" for one in plan.lines)
    assert any("belongs on the receiver's port" in note for note in plan.notes)


def test_power_runs_back_through_the_pads_from_the_units_side():
    """The pad at the unit meets the 4 W, the one at the generator what is left."""
    a_bench = bench(
        pad(40.0),
        generator={
            "source": "by hand",
            "reverse_power_w": 1.0,
            "path": [pad(1.0, name="at the generator"), pad(2.0, name="at the tap")],
        },
        input={
            "source": "recording",
            "unit_path": [pad(4.0, name="at the tap"), pad(8.0, name="at the unit")],
            "path": [pad(50.0)],
        },
    )
    back = {
        one.name: round(one.level_dbm - 36.0206, 3)
        for one in level_plan(UNIT, a_bench).lines
        if one.signal == "back"
    }
    assert back == {
        "back through input unit_path: at the unit": 0.0,
        "back through input unit_path: at the tap": -8.0,
        "back through input path: pad": -12.0,
        "input receiver": -62.0,
        "back through generator path: at the tap": -12.0,
        "back through generator path: at the generator": -14.0,
        "generator output": -15.0,
    }


def test_an_unknown_rating_is_refused_only_where_power_is_real():
    simulated = level_plan(UNIT, bench(pad(40.0, None), live=False))
    simulated.require_safe()
    assert "output path: pad gets 4 W and has no rating_w" in simulated.notes
    # What is known to be too much is refused there too.
    assert level_plan(UNIT, bench(pad(20.0), live=False)).unsafe


def test_the_usual_safe_input_is_said_to_have_no_source():
    assert any("no source" in note for note in level_plan(UNIT, bench(pad(40.0))).notes)
    declared = bench_from(
        {
            "name": "shed",
            "output": {"source": "rtlsdr", "safe_input_dbm": 10.0, "path": [pad(40.0)]},
        }
    )
    assert not any("no source" in note for note in level_plan(UNIT, declared).notes)


def test_the_packing_shed_is_safe_and_arrives_well_inside_full_scale():
    plan = level_plan(UNIT, SHED)
    plan.require_safe()
    assert not plan.live
    full_scale = line(SHED, "output receiver, full scale")
    assert full_scale.limit_dbm is not None
    # Chosen: between 3 and 15 dB below clipping.
    assert 3.0 < full_scale.limit_dbm - full_scale.level_dbm < 15.0


@given(losses_db=st.lists(st.floats(0.0, 40.0), max_size=5), power_w=st.floats(0.01, 200.0))
def test_no_power_is_lost_or_made(losses_db, power_w):
    """What stays in the elements and what arrives at the end is what went in."""
    path = [pad(loss, name=str(number)) for number, loss in enumerate(losses_db)]
    plan = level_plan(unit(rated_power_w=power_w), bench(*path))
    elements = [one for one in plan.lines if one.name.startswith("output path")]
    (end,) = [one for one in plan.lines if one.name == "output receiver"]
    # Rounding: a few conversions to dB and back, each some 1e-14 of the power.
    assert sum(one.dissipated_w for one in elements) + end.power_w == pytest.approx(
        power_w, rel=1e-11
    )


def test_cautions_are_whole_sentences_and_lead_acid_only_where_there_is_some():
    assert cautions_for(UNIT) == CAUTIONS
    battery = {"chemistry": "LiFePO4", "nominal_v": 12.8, "capacity_ah": 9.0, "end_v": 10.0}
    other = cautions_for(unit(battery=battery))
    assert [text for text in CAUTIONS if text not in other] == [
        text for text in CAUTIONS if "hydrogen" in text
    ]
    mains = {key: value for key, value in UNIT.plain().items() if key != "battery"}
    assert cautions_for(unit_from(mains)) == other
    assert all(text.endswith(".") for text in (*CAUTIONS, LOCAL_RULES))
    for words in (
        "load or an antenna",
        "straight into",
        "licensed",
        "1.1310",
        "fuse",
        "rated gear",
    ):
        assert any(words in text for text in CAUTIONS)
    assert "check your local rule" in LOCAL_RULES


def test_unsafe_is_bad_input_to_those_who_catch_that():
    assert issubclass(Unsafe, BadInput)
