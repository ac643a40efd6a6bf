"""``harness levels``: the table, the drawing, and the refusal. Figures as in test_level_chains."""

import re
import xml.etree.ElementTree as ElementTree

import pytest

from harness.describe import example_path

UNIT = example_path("frost-watch-2.toml")
SHED = example_path("packing-shed.toml")


@pytest.fixture
def weak_pad(tmp_path):
    """The packing shed with 10.1 dB where 30.1 dB were."""
    path = tmp_path / "bench.toml"
    text = SHED.read_text(encoding="utf-8")
    assert "loss_db = 30.1" in text
    path.write_text(text.replace("loss_db = 30.1", "loss_db = 10.1"), encoding="utf-8")
    return path


def words_in(path) -> str:
    root = ElementTree.parse(path).getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    return "\n".join(root.itertext())


def test_the_table_shows_both_directions_and_the_cautions(typed) -> None:
    shown = typed("levels", UNIT, SHED)
    assert shown.status == 0, shown.err
    assert shown.err == ""
    assert re.search(r"output path: 30 dB pad +36\.0 dBm +4 W +4 W\n +10 W continuous", shown.out)
    assert re.search(r"output receiver, full scale +−7\.1 dBm", shown.out)
    assert re.search(r"unit's receiver port +−60\.0 dBm", shown.out)
    assert shown.out.index("On transmit") < shown.out.index("On receive")
    assert "straight into a receiver" in shown.out
    assert all(len(line) <= 80 for line in shown.out.splitlines())


def test_the_drawing_stands_alone_and_is_the_same_again(typed, tmp_path) -> None:
    path = tmp_path / "levels.svg"
    assert typed("levels", UNIT, SHED, "--drawing", path).status == 0
    first = path.read_bytes()
    words = words_in(path)
    for told in ("36.0 dBm →", "−7.1 dBm →", "← −60.0 dBm", "−10.0 dBm →", "30 dB pad"):
        assert told in words
    assert "NOT SAFE" not in words
    assert not re.search(rb"href|<script|<image", first)
    assert typed("levels", UNIT, SHED, "--drawing", path).status == 0
    assert path.read_bytes() == first


def test_what_is_not_safe_is_refused_and_drawn(typed, weak_pad, tmp_path) -> None:
    path = tmp_path / "levels.svg"
    shown = typed("levels", UNIT, weak_pad, "--drawing", path)
    shown.is_one_plain_line()
    assert shown.err == (
        "level plan of packing-shed bench: output receiver gets 12.9 dBm and stands 10 dBm without"
        " damage. Change the bench and its file before anything is keyed.\n"
    )
    assert "NOT SAFE: do not key." in words_in(path)


def test_names_from_files_cannot_break_the_drawing(typed, tmp_path) -> None:
    bench = tmp_path / "bench.toml"
    hostile = SHED.read_text(encoding="utf-8").replace('"30 dB pad"', "'<b> & \"30\" pad'")
    bench.write_text(hostile, encoding="utf-8")
    path = tmp_path / "levels.svg"
    assert typed("levels", UNIT, bench, "--drawing", path).status == 0
    assert '<b> & "30" pad' in words_in(path)


@pytest.mark.parametrize(
    ("name", "there", "line"),
    [
        ("levels.png", None, "the drawing is SVG. Give a name that ends in .svg."),
        ("other.svg", "<svg/>", "is there already, and no drawing of this program."),
        ("nowhere/levels.svg", None, "the drawing cannot be written"),
    ],
)
def test_a_drawing_goes_over_nothing_else(name, there, line, typed, tmp_path) -> None:
    path = tmp_path / name
    if there is not None:
        path.write_text(there)
    shown = typed("levels", UNIT, SHED, "--drawing", path)
    shown.is_one_plain_line()
    assert line in shown.err
    assert there is None or path.read_text() == there
