"""docs/bench.md: its drawings are those that the script draws, and its levels those of the plan.

The plan itself is held to arithmetic by hand in tests/describe/test_level_plan.py.
"""

import importlib.util
import itertools
import re
import sys
import tomllib
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from harness.describe import bench_from, example_path, level_plan, load_unit, unit_from
from harness.units import dbm_from_w

DOCS = Path(__file__).resolve().parents[2] / "docs"
DOCUMENT = (DOCS / "bench.md").read_text(encoding="utf-8")
BLOCKS = [tomllib.loads(text) for text in re.findall(r"```toml\n(.*?)```", DOCUMENT, re.DOTALL)]
SHARED = load_unit(example_path("frost-watch-2.toml"))
SEPARATE = unit_from({**SHARED.plain(), "antenna_port": "separate"})


@pytest.fixture(scope="module")
def drawings():
    spec = importlib.util.spec_from_file_location("drawings_of_docs", DOCS / "drawings.py")
    module = importlib.util.module_from_spec(spec)
    # Its dataclasses look for their own module there.
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_the_drawings_are_those_that_the_script_draws(drawings, tmp_path):
    drawings.main(tmp_path)
    drawn = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    kept = {path.name: path.read_bytes() for path in DOCS.glob("wiring-*.svg")}
    assert drawn == kept
    assert set(re.findall(r"\]\(([\w-]+\.svg)\)", DOCUMENT)) == set(kept)


def test_a_drawing_needs_nothing_else(drawings):
    for drawing in drawings.DRAWINGS:
        text = drawings.svg(drawing)
        assert ElementTree.fromstring(text).tag == "{http://www.w3.org/2000/svg}svg"
        assert not re.search(r"href|<script|<image", text)


def test_no_box_lies_on_another_and_no_wire_runs_through_one(drawings):
    for drawing in drawings.DRAWINGS:
        boxes = drawing.boxes
        places = [(box.column, box.row) for box in boxes.values()]
        assert len(set(places)) == len(places), drawing.name
        # A line of more letters would stand out of its box at this size.
        assert all(len(line) <= 20 for box in boxes.values() for line in box.lines)
        for wire, (name, box) in itertools.product(drawing.wires, boxes.items()):
            if name in (wire.begin, wire.end):
                continue
            (x1, y1), (x2, y2) = boxes[wire.begin].middle, boxes[wire.end].middle
            x, y = box.middle
            between = min(x1, x2) <= x <= max(x1, x2) and min(y1, y2) <= y <= max(y1, y2)
            assert not between, f"{drawing.name}: {wire} runs through {name}"


def numbers(labels):
    """The levels that stand on a drawing's wires."""
    found = [re.search(r"[−\d.]+", label) for label in labels if label]
    return {float(one[0].replace("−", "-")) for one in found}


@pytest.mark.parametrize(
    ("block", "unit", "name"),
    [
        (BLOCKS[0], SHARED, "wiring-shared"),
        (BLOCKS[1], SEPARATE, "wiring-separate"),
        (BLOCKS[2], SHARED, "wiring-desensitisation"),
    ],
    ids=["shared", "separate", "coupler"],
)
def test_a_bench_of_the_document_is_safe_and_its_drawing_shows_the_levels(
    block, unit, name, drawings
):
    bench = bench_from(block)
    assert bench.live
    plan = level_plan(unit, bench)
    plan.require_safe()
    (drawing,) = (one for one in drawings.DRAWINGS if one.name == name)
    # Drawn to 0.1 dB, so rounded alike.
    for drawn, is_ours in (
        ((wire.transmit for wire in drawing.wires), lambda line: line.signal != "generator"),
        ((wire.receive for wire in drawing.wires), lambda line: line.signal == "generator"),
    ):
        planned = {round(line.level_dbm, 1) for line in plan.lines if is_ours(line)}
        assert numbers(drawn) == planned


def test_the_figures_of_the_text_are_those_of_the_plan():
    plan = level_plan(SHARED, bench_from(BLOCKS[0]))
    (pad,) = (one for one in plan.lines if one.name == "output path: power attenuator")
    assert f"{pad.dissipated_w:.3f} W of it become heat" in DOCUMENT
    generator = next(one for one in plan.lines if one.name == "generator output")
    assert f"{generator.power_w * 1e6:.1f} µW" in DOCUMENT
    assert f"For 25 W ({dbm_from_w(25.0):.1f} dBm)" in DOCUMENT
    highest = next(one for one in plan.lines if one.name == "unit's receiver port")
    at_generator_dbm = -120.0 - highest.level_dbm
    assert f"for −120 dBm the generator gives −{-at_generator_dbm:.0f} dBm" in DOCUMENT


def test_the_coupler_lets_back_what_it_takes_off_and_no_directivity_is_counted_on():
    """4 W is 36.02 dBm: less 20 dB of coupling 16.02 dBm, 40 mW, at a generator without its pad."""
    coupler = BLOCKS[2]
    bare = {**coupler["generator"], "path": coupler["generator"]["path"][1:]}
    for reverse_w, is_safe in ((0.041, True), (0.039, False), (None, False)):
        generator = {**bare, "reverse_power_w": reverse_w}
        if reverse_w is None:
            del generator["reverse_power_w"]
        plan = level_plan(SHARED, bench_from({**coupler, "generator": generator}))
        assert bool(plan.unsafe) != is_safe
        if not is_safe:
            assert plan.unsafe[0].startswith("generator output gets 16.0 dBm")
    # Its main line has to stand the transmitter, seen from either side.
    weak = [dict(element) for element in coupler["generator"]["path"]]
    weak[1]["rating_w"] = 3.0
    plan = level_plan(
        SHARED, bench_from({**coupler, "generator": {**coupler["generator"], "path": weak}})
    )
    assert any("coupler, coupled gets 4 W and is rated 3 W" in text for text in plan.unsafe)


def test_the_figures_of_the_coupler_are_those_of_the_plan():
    plan = level_plan(SHARED, bench_from(BLOCKS[2]))
    arriving = {line.name: line for line in plan.lines}
    assert f"35.5 dBm, {arriving['output path: power attenuator'].power_w:.2f} W" in DOCUMENT
    pad = arriving["back through generator path: 20 dB pad"]
    assert f"{pad.level_dbm:.1f} dBm, {pad.power_w * 1e3:.0f} mW" in DOCUMENT
    highest_dbm = arriving["unit's receiver port"].level_dbm
    assert f"the generator gives −{120 + highest_dbm:.0f} dBm" in DOCUMENT
