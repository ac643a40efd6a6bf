"""Losses out of Touchstone files, as typed; the truth is the same bench with plain numbers."""

import json
import re

import pytest

from harness.describe import example_path, load_bench
from tests.describe.test_touchstone import two_port
from tests.measure.test_calibrate import made

UNIT = example_path("frost-watch-2.toml")
SHED = example_path("packing-shed.toml").read_text(encoding="utf-8")


@pytest.fixture
def benches(tmp_path):
    """The packing shed with 30.1 dB and 60 dB as numbers, and out of files."""
    # 29.7175 + 0.3825 dB at 153.825 MHz; 59.1575 + 0.8425 dB at 158.425 MHz.
    (tmp_path / "out.s2p").write_text(two_port(29.7175, slope_db=1.0))
    (tmp_path / "in.s2p").write_text(two_port(59.1575, slope_db=1.0))
    text = SHED
    for plain, name in (("loss_db = 30.1", "out.s2p"), ("loss_db = 60.0", "in.s2p")):
        assert text.count(plain) == 1
        text = text.replace(plain, f'touchstone = "{name}"')
    (tmp_path / "plain.toml").write_text(SHED, encoding="utf-8")
    (tmp_path / "files.toml").write_text(text, encoding="utf-8")
    return tmp_path / "plain.toml", tmp_path / "files.toml"


def test_levels_shows_and_draws_the_loss_of_each_direction(benches, typed, tmp_path):
    drawing = tmp_path / "levels.svg"
    plain, shown = (
        typed("levels", UNIT, b, *more)
        for b, more in zip(benches, ((), ("--drawing", drawing)), strict=True)
    )
    assert shown.status == 0, shown.err
    # The same on both benches but for the way back through 60 dB: 0.46 dB less at 153.825 MHz.
    back = re.compile(r"back through input path: tap +(\S+) dBm")
    assert [back.search(one.out)[1] for one in (plain, shown)] == ["−24.0", "−23.5"]
    for told in ("output receiver +−7.1 dBm", "unit's receiver port +−60.0 dBm"):
        assert re.search(told, plain.out)
        assert re.search(told, shown.out)
    words = drawing.read_text(encoding="utf-8")
    assert "loss 60.0 dB" in words
    assert "to transmit 59.5 dB" in words


def test_measure_takes_the_loss_at_the_unit_s_frequency(benches, typed, tmp_path):
    recording = made(tmp_path, "one", -20.0)
    power = []
    for bench in benches:
        shown = typed("measure", "carrier", recording, "--unit", UNIT, "--bench", bench, "--json")
        assert shown.err == ""
        readings = {one["name"]: one for one in json.loads(shown.out)["readings"]}
        power.append(readings["carrier_power"])
    assert power[0]["unit"] == "dBm"
    # Rounding of the two files' sums alone.
    assert power[1]["value"] == pytest.approx(power[0]["value"], abs=1e-9)
    assert power[1]["expanded_uncertainty"] == pytest.approx(
        power[0]["expanded_uncertainty"], rel=1e-9
    )
    shown = typed("measure", "carrier", recording, "--at", "153.825e6", "--bench", benches[1])
    shown.is_one_plain_line()
    assert "Give the unit file (--unit)" in shown.err


@pytest.mark.parametrize("words", [("--unit", UNIT), ("--output-centre", "153.825e6")])
def test_a_recording_says_the_loss_that_it_was_made_behind(words, benches, typed, tmp_path):
    took = ("--seconds", "0.1", "--role", "output", *words)
    shown = typed("record", tmp_path / "take", "--bench", benches[1], *took)
    assert shown.status == 0, shown.err
    (meta,) = tmp_path.glob("take*.sigmf-meta")
    told = json.loads(meta.read_text())["global"]["harness:port_offset_db"]
    assert told == pytest.approx(load_bench(benches[0]).output.port_offset_db, abs=1e-9)


def test_accept_and_levels_refuse_what_the_file_says_is_not_safe(benches, typed, tmp_path):
    (tmp_path / "out.s2p").write_text(two_port(10.1))
    line = "output receiver gets 12.9 dBm and stands 10 dBm without damage."
    shown = typed("levels", UNIT, benches[1])
    shown.is_one_plain_line()
    assert line in shown.err
    # It shows the plan first, then what is wrong with it.
    shown = typed("accept", UNIT, benches[1], "--out", tmp_path / "accepted")
    assert shown.status == 2
    assert line in shown.err.splitlines()[-1]
    assert not list(tmp_path.rglob("*.sigmf-*"))


def test_instruments_need_the_frequency_alone(benches, typed):
    words = ("--levels=-112:-112:1", "--hold", "0.1")
    shown = typed("instruments", benches[1], "--at", "158.425e6", *words)
    assert shown.status == 0, shown.err
    typed("instruments", benches[1], *words).is_one_plain_line()


@pytest.mark.parametrize(
    ("name", "text", "line"),
    [
        ("out.s2p", "# MHz S DB R 50\n100 -20 0\n", "out.s2p: has other data than those of 2"),
        ("out.s2p", "# MHz S DB R 50\n1 0 0 0 0 0 0 0 0\n", "out.s2p: runs from 1 to 1 MHz"),
        ("in.s2p", two_port(-20.0), "in.s2p: has a gain of 20.00 dB"),
        ("in.s2p", None, "in.s2p: there is no such file. Check the name and run again."),
    ],
)
def test_a_file_that_will_not_do_is_one_plain_line(name, text, line, benches, typed, tmp_path):
    (tmp_path / name).unlink()
    if text is not None:
        (tmp_path / name).write_text(text)
    for words in (
        ("levels", UNIT, benches[1]),
        ("accept", UNIT, benches[1], "--out", tmp_path / "accepted"),
    ):
        shown = typed(*words)
        shown.is_one_plain_line()
        assert line in shown.err
    assert not (tmp_path / "accepted").exists()
