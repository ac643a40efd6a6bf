"""The chains of the level plan, against sums by hand on the packing-shed bench.

4 W is 10 lg 4000 = 36.0206 dBm. Its losses are 30.1, 10 and 3 dB to the output receiver, 60 dB
from the port to the tap, none from there to the generator, 10 dB to the input receiver; the
generator gives 0 dBm at most.
"""

import pytest

from harness.describe import (
    bench_from,
    example_path,
    level_chains,
    level_plan,
    load_bench,
    load_unit,
    unit_from,
)

UNIT = load_unit(example_path("frost-watch-2.toml"))
SHED = load_bench(example_path("packing-shed.toml"))
BY_HAND = [
    ("unit's port", [36.0206, 5.9206, -4.0794, -7.0794], [None] * 4, "output receiver"),
    ("unit's port", [36.0206, -23.9794, -23.9794], [-60.0, 0.0, 0.0], "generator output"),
    ("tap", [-23.9794, -33.9794], [0.0, -10.0], "input receiver"),
]


def chains(a_unit=UNIT, a_bench=SHED):
    return level_chains(a_unit, a_bench, level_plan(a_unit, a_bench))


@pytest.mark.parametrize(("number", "row"), list(enumerate(BY_HAND)))
def test_levels_on_the_wires_are_those_by_hand(number, row):
    start, transmit, receive, end = row
    chain = chains()[number]
    assert (chain.boxes[0].name, chain.boxes[-1].name) == (start, end)
    assert len(chain.boxes) == len(chain.wires) + 1
    # Half a unit in the last printed digit of the hand calculation.
    assert [wire.transmit_dbm for wire in chain.wires] == pytest.approx(transmit, abs=5e-5)
    got = [wire.receive_dbm for wire in chain.wires]
    assert got == (receive if None in receive else pytest.approx(receive, abs=5e-5))


def test_wires_agree_with_the_plan_and_elements_stand_in_its_order():
    """Asymmetric paths: an order turned round shows."""

    def pad(name, loss_db):
        return {"element": name, "loss_db": loss_db, "uncertainty_db": 0.1, "rating_w": 50.0}

    a_bench = bench_from(
        {
            "name": "shed",
            "output": {"source": "recording", "path": [pad("a", 40.0)]},
            "input": {
                "source": "recording",
                "unit_path": [pad("at tap", 4.0), pad("at unit", 8.0)],
                "path": [pad("b", 50.0)],
            },
            "generator": {
                "source": "by hand",
                "maximum_dbm": 0.0,
                "reverse_power_w": 1.0,
                "path": [pad("at generator", 10.0), pad("near tap", 20.0)],
            },
        }
    )
    chain = chains(a_bench=a_bench)[1]
    names = ["unit's port", "at unit", "at tap", "tap", "near tap", "at generator"]
    assert [box.name for box in chain.boxes] == [*names, "generator output"]
    # Exact but for rounding of sums of a few tens of dB.
    assert [wire.receive_dbm for wire in chain.wires] == pytest.approx(
        [-42.0, -34.0, -30.0, -30.0, -10.0, 0.0], abs=1e-9
    )
    assert [round(wire.transmit_dbm - 36.0206, 3) for wire in chain.wires] == [
        0.0,
        -8.0,
        -12.0,
        -12.0,
        -32.0,
        -42.0,
    ]
    port = [one for one in level_plan(UNIT, a_bench).lines if one.name == "unit's receiver port"]
    assert [one.level_dbm for one in port] == pytest.approx([-42.0], abs=1e-9)


def test_with_separate_ports_no_power_of_the_transmitter_is_on_the_generators_side():
    separate = unit_from({**UNIT.plain(), "antenna_port": "separate"})
    for chain in chains(separate)[1:]:
        assert all(wire.transmit_dbm is None for wire in chain.wires)
        assert all(box.inside_w is None for box in chain.boxes)


def test_without_a_highest_level_nothing_is_said_of_receive():
    plain = SHED.generator.model_copy(update={"maximum_dbm": None})
    a_bench = SHED.model_copy(update={"generator": plain})
    assert any("no maximum_dbm" in note for note in level_plan(UNIT, a_bench).notes)
    assert all(
        wire.receive_dbm is None for chain in chains(a_bench=a_bench) for wire in chain.wires
    )


def test_what_is_not_safe_is_marked_where_it_is():
    strong = unit_from({**UNIT.plain(), "rated_power_w": 40.0})
    marked = [box.name for chain in chains(strong) for box in chain.boxes if not box.safe]
    # 46.0 dBm on pads of 10 W; 2.9 dBm where 0 are full scale, -24.0 dBm where -26 are.
    assert marked == ["30 dB pad", "output receiver", "60 dB pad", "input receiver"]
