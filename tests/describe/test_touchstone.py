"""Losses out of Touchstone files: text by hand, by the Touchstone 1.1 format (from memory).

Two-port data stand as N11 N21 N12 N22. One part, in every unit and format: at 100 MHz |S21| = 0.1,
so 20 dB; at 200 MHz |S21| = 0.01, so 40 dB; by a straight line in dB 30 dB at 150 MHz. |S12| is
0.5 throughout: -20 lg 0.5 = 6.0206 dB.
"""

import math

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
from harness.describe.touchstone import load_loss
from harness.errors import BadInput, Unsafe

UNIT = load_unit(example_path("frost-watch-2.toml"))
BACK_DB = -20.0 * math.log10(0.5)
# Of a logarithm and a straight line in double precision; the texts below are exact.
ROUNDING_DB = 1e-9

MA = "# MHz S MA R 50\n100 0 0 0.1 30 0.5 0 0 0\n200 0 0 0.01 60 0.5 0 0 0\n"
SAME_PART = {
    "magnitude, MHz": MA,
    "decibel, GHz": (
        "# GHz S DB R 50\n0.1 -90 0 -20 30 -6.020599913279624 0 -90 0\n"
        "0.2 -90 0 -40 60 -6.020599913279624 0 -90 0\n"
    ),
    # 0.06 + 0.08i has magnitude 0.1, 0.006 - 0.008i 0.01, 0.3 + 0.4i 0.5.
    "real and imaginary, kHz": (
        "# kHz S RI R 50\n100e3 0 0 0.06 0.08 0.3 0.4 0 0\n200e3 0 0 .006 -.008 0.3 0.4 0 0\n"
    ),
    "Hz": MA.replace("MHz", "HZ").replace("100 ", "100000000 ").replace("200 ", "2e8 "),
    "the option line's usual values": "#\n.1 0 0 0.1 30 0.5 0 0 0\n.2 0 0 .01 60 .5 0 0 0\n",
    "comments, lower case, blank lines": (
        "! gamma 1 2 3\n! Port Impedance\n\n"
        + MA.lower().replace(" r 50", " r 50 ! \N{DEGREE SIGN}")
    ),
    "carriage returns and a byte order mark": "\N{ZERO WIDTH NO-BREAK SPACE}"
    + MA.replace("\n", "\r\n"),
    "noise data behind": MA + "100 1 0.5 30 0.4\n200 1.5 0.5 40 0.4\n",
}


@pytest.mark.parametrize("text", SAME_PART.values(), ids=SAME_PART)
def test_one_part_in_every_spelling(tmp_path, text):
    path = tmp_path / "pad.S2P"
    path.write_text(text, encoding="utf-8", newline="")
    curve = load_loss(path, (1, 2))
    for frequency_hz, loss_db in ((100e6, 20.0), (150e6, 30.0), (175e6, 35.0), (200e6, 40.0)):
        assert curve.at_db(frequency_hz) == pytest.approx(loss_db, abs=ROUNDING_DB)
        assert curve.least_db(frequency_hz) == pytest.approx(BACK_DB, abs=ROUNDING_DB)
    turned = load_loss(path, (2, 1))
    assert turned.at_db(120e6) == pytest.approx(BACK_DB, abs=ROUNDING_DB)
    # The better of both ways is no matter of which end is called the first.
    assert turned.least_db(120e6) == curve.least_db(120e6)


def test_a_letter_of_another_encoding_in_a_comment(tmp_path):
    path = tmp_path / "pad.s2p"
    path.write_bytes(b"! 20 \xb0C\n" + MA.encode())
    assert load_loss(path, (1, 2)).at_db(100e6) == pytest.approx(20.0, abs=ROUNDING_DB)


def test_ports_of_a_three_port(tmp_path):
    """Its matrix runs row by row over several lines: S11 S12 S13, S21 S22 S23, S31 S32 S33."""
    path = tmp_path / "coupler.s3p"
    path.write_text(
        "# MHz S DB R 50\n150 -90 0 -11 0 -12 0\n-21 0 -90 0 -23 0\n-31 0 -32 0 -90 0\n"
    )
    found = {ports: load_loss(path, ports).at_db(150e6) for ports in [(1, 2), (1, 3), (3, 1)]}
    assert found == pytest.approx({(1, 2): 21.0, (1, 3): 31.0, (3, 1): 12.0}, abs=ROUNDING_DB)


FAULTS = [
    ("pad.txt", MA, "does not end in .s2p. Name a Touchstone file of S parameters."),
    ("pad.s2px", MA, "does not end in .s2p. "),
    ("pad.s1p", "# MHz S DB R 50\n100 -20 0\n", "has one port, so nothing passes through it. "),
    ("pad.s2p", "", "has no option line, so its unit of frequency is unknown. "),
    ("pad.s2p", MA.partition("\n")[2], "has no option line, "),
    ("pad.s2p", MA.partition("\n")[0], "holds no data. "),
    ("pad.s2p", MA.replace(" S ", " Z "), "holds Z parameters. Save S parameters."),
    ("pad.s2p", MA.replace("R 50", "R 75"), "is for 75 ohm, a bench for 50. "),
    ("pad.s2p", MA.replace("R 50", "R 50 75"), "is for 50, 75 ohm, a bench for 50. "),
    ("pad.s2p", MA.replace("MHz", "THz"), "cannot be read as Touchstone: illegal frequency_unit"),
    ("pad.s2p", MA.replace("0.01", "o.01"), "cannot be read as Touchstone: could not convert"),
    ("pad.s2p", MA.replace("0.01", "nan"), "holds something that is no number. "),
    ("pad.s2p", MA.replace("0.01", "1e999"), "holds something that is no number. "),
    ("pad.s2p", MA[:-6], "cannot be read as Touchstone: "),
    ("pad.s2p", "# MHz S DB R 50\n100 -20 0\n", "has other data than those of 2 ports. "),
    ("pad.s2p", MA.replace("200 ", "100 "), "has frequencies that do not ascend. "),
    ("pad.s2p", MA.replace("200 ", "50 "), "has frequencies that do not ascend. "),
    ("pad.s2p", MA.replace("100 ", "-100 "), "has frequencies that do not ascend. "),
    ("pad.s2p", "[Version] 2.0\n" + MA, "is Touchstone version 2, which is not read here. "),
    ("pad.s2p", "\0\1\2" * 9, "has no option line, "),
]


@pytest.mark.parametrize(("name", "text", "line"), FAULTS)
def test_each_fault_gives_its_line(tmp_path, name, text, line):
    (tmp_path / name).write_text(text)
    with pytest.raises(BadInput) as caught:
        load_loss(tmp_path / name, (1, 2))
    assert str(caught.value).startswith(f"{tmp_path / name}: {line}")
    assert caught.value.remedy


def test_no_such_port(tmp_path):
    (tmp_path / "pad.s2p").write_text(MA)
    for ports in ((1, 3), (0, 1)):
        with pytest.raises(BadInput, match="has 2 ports, and the bench file asks for ports = "):
            load_loss(tmp_path / "pad.s2p", ports)


@pytest.mark.parametrize("frequency_hz", [99.999e6, 200.001e6])
def test_nothing_is_guessed_beyond_its_ends(tmp_path, frequency_hz):
    (tmp_path / "pad.s2p").write_text(MA)
    with pytest.raises(BadInput, match=r"pad.s2p: runs from 100 to 200 MHz, and its loss is asked"):
        load_loss(tmp_path / "pad.s2p", (1, 2)).at_db(frequency_hz)


def test_where_nothing_passes_there_is_no_loss_to_give(tmp_path):
    (tmp_path / "pad.s2p").write_text(MA.replace("0.01", "0"))
    curve = load_loss(tmp_path / "pad.s2p", (1, 2))
    assert curve.at_db(100e6) == pytest.approx(20.0, abs=ROUNDING_DB)
    with pytest.raises(BadInput, match="nothing passes between its ports at 199 MHz"):
        curve.at_db(199e6)


def two_port(there_db: float, back_db: float | None = None, *, slope_db: float = 0.0) -> str:
    """A part from 150 to 160 MHz whose loss there grows by slope_db on the way."""
    back_db = there_db if back_db is None else back_db
    rows = ((150, 0.0), (160, slope_db))
    lines = [f"{mhz} -90 0 {-there_db - more} 0 {-back_db - more} 0 -90 0" for mhz, more in rows]
    return "\n".join(["# MHz S DB R 50", *lines, ""])


BENCH = """
name = "shed"
[output]
source = "recording"
full_scale_dbm = 0.0
full_scale_uncertainty_db = 0.2
[[output.path]]
element = "30 dB pad"
touchstone = "out.s2p"
uncertainty_db = 0.1
rating_w = 10
[[output.path]]
element = "10 dB pad"
loss_db = 10.0
uncertainty_db = 0.1
[input]
source = "recording"
full_scale_dbm = -26.0
full_scale_uncertainty_db = 0.2
[[input.path]]
element = "tap"
touchstone = "tap.s2p"
uncertainty_db = 0.1
[[input.unit_path]]
element = "60 dB pad"
touchstone = "in.s2p"
uncertainty_db = 0.1
rating_w = 10
[generator]
source = "by hand"
maximum_dbm = 0.0
level_uncertainty_db = 0.2
[[generator.path]]
element = "cable"
touchstone = "cable.s2p"
uncertainty_db = 0.1
"""


@pytest.fixture
def shed(tmp_path):
    """A bench beside whose file the Touchstone files stand."""
    # 1 dB more per 10 MHz: 30 + 0.3825 dB at 153.825 MHz, 60 + 0.8425 dB at 158.425 MHz.
    (tmp_path / "out.s2p").write_text(two_port(30.0, slope_db=1.0))
    (tmp_path / "in.s2p").write_text(two_port(60.0, slope_db=1.0))
    (tmp_path / "tap.s2p").write_text(two_port(10.0))
    (tmp_path / "cable.s2p").write_text(two_port(2.0, 1.0))
    path = tmp_path / "shed.toml"
    path.write_text(BENCH)
    return path


def test_each_path_has_the_loss_at_its_own_frequency(shed):
    bench = load_bench(shed, UNIT)
    assert bench.output.port_offset_db == pytest.approx(40.3825, abs=ROUNDING_DB)
    assert bench.input.port_offset_db == pytest.approx(10.0 - 60.8425, abs=ROUNDING_DB)
    assert bench.generator_loss_db == pytest.approx(62.8425, abs=ROUNDING_DB)
    # Its uncertainty is the bench file's, by the element's name.
    parts = {one.name: one.standard_uncertainty for one in bench.level_contributions("output")}
    assert parts["shed.output.path.30 dB pad"] == 0.1
    # What is kept with the results says both, and reads again without the file.
    again = bench_from(bench.plain())
    assert again.output.path[0].touchstone == "out.s2p"
    assert again.output.port_offset_db == bench.output.port_offset_db


def test_another_unit_on_the_same_bench(shed):
    lower = unit_from({**UNIT.plain(), "transmit_hz": 150.0e6})
    bench = load_bench(shed, UNIT)
    moved = bench.at_frequencies(receive_hz=lower.receive_hz, transmit_hz=lower.transmit_hz)
    assert moved.output.port_offset_db == pytest.approx(40.0, abs=ROUNDING_DB)
    assert moved.generator_loss_db == bench.generator_loss_db


def test_without_a_frequency_there_is_no_loss(shed):
    for bench in (load_bench(shed), load_bench(shed).at_frequencies(receive_hz=158e6)):
        with pytest.raises(BadInput) as caught:
            _ = bench.output.port_offset_db
        assert str(caught.value) == (
            'out.s2p: the loss of "30 dB pad" hangs on the frequency, which is not known.'
            " Give the unit file (--unit), or the frequency."
        )


def test_the_plan_follows_each_signal_at_its_frequency(shed):
    plan = level_plan(UNIT, load_bench(shed, UNIT))
    losses_db = {
        (one.signal, one.name): one.level_dbm - one.out_dbm
        for one in plan.lines
        if one.out_dbm is not None
    }
    assert losses_db == pytest.approx(
        {
            ("transmit", "output path: 30 dB pad"): 30.3825,
            ("transmit", "output path: 10 dB pad"): 10.0,
            # The transmitter's power at its own frequency, and by the better of both ways.
            ("back", "back through input unit_path: 60 dB pad"): 60.3825,
            ("back", "back through input path: tap"): 10.0,
            ("back", "back through generator path: cable"): 1.0,
            ("generator", "generator path: cable"): 2.0,
            ("generator", "input path: tap"): 10.0,
            ("generator", "input unit_path: 60 dB pad"): 60.8425,
        },
        abs=ROUNDING_DB,
    )
    # The same without the losses filled in: the plan has the unit.
    assert level_plan(UNIT, load_bench(shed)).lines == plan.lines


def test_the_chains_carry_the_levels_of_the_plan(shed):
    bench = load_bench(shed, UNIT)
    plan = level_plan(UNIT, bench)
    arriving = {(one.signal, one.name): one.level_dbm for one in plan.lines}
    output, generator, tapped = level_chains(UNIT, bench, plan)
    assert output.wires[-1].transmit_dbm == pytest.approx(arriving["transmit", "output receiver"])
    assert generator.wires[-1].transmit_dbm == pytest.approx(arriving["back", "generator output"])
    assert generator.wires[0].receive_dbm == pytest.approx(
        arriving["generator", "unit's receiver port"]
    )
    assert generator.wires[-1].receive_dbm == pytest.approx(0.0, abs=ROUNDING_DB)
    assert tapped.wires[-1].receive_dbm == pytest.approx(arriving["generator", "input receiver"])
    drawn = {box.name: (box.loss_db, box.transmit_loss_db) for box in generator.boxes}
    assert drawn["60 dB pad"] == pytest.approx((60.8425, 60.3825), abs=ROUNDING_DB)
    assert drawn["cable"] == pytest.approx((2.0, 1.0), abs=ROUNDING_DB)
    assert tapped.boxes[1].transmit_loss_db is None


def test_a_pad_that_lets_too_much_through_is_refused(shed):
    (shed.parent / "out.s2p").write_text(two_port(3.0))
    with pytest.raises(Unsafe, match="output path: 10 dB pad gets 2 W and has no rating_w"):
        level_plan(UNIT, load_bench(shed, UNIT)).require_safe()


def test_a_file_that_does_not_reach_the_transmitter_leaves_the_way_back_unknown(shed):
    """On receive it will do; the plan must know what comes back."""
    (shed.parent / "in.s2p").write_text(two_port(60.0).replace("150 ", "156 "))
    bench = load_bench(shed, UNIT)
    assert bench.generator_loss_db == pytest.approx(62.0, abs=ROUNDING_DB)
    with pytest.raises(BadInput, match=r"in\.s2p: runs from 156 to 160 MHz, .* at 153\.825 MHz"):
        level_plan(UNIT, bench)
    separate = unit_from({**UNIT.plain(), "antenna_port": "separate"})
    plan = level_plan(separate, bench)
    assert len(level_chains(separate, bench, plan)) == 3


def test_a_gain_is_said_or_refused(shed):
    """0.02 dB is what an analyser misses by on a cable; 3 dB is no cable."""
    (shed.parent / "cable.s2p").write_text(two_port(-0.02))
    bench = load_bench(shed, UNIT)
    assert bench.generator.path[0].loss_db == 0.0
    assert bench.path_cautions == level_plan(UNIT, bench).notes[:1]
    assert bench.path_cautions[0].startswith("cable: ")
    assert "a gain of 0.02 dB at 158.425 MHz" in bench.path_cautions[0]
    (shed.parent / "cable.s2p").write_text(two_port(-3.0))
    with pytest.raises(BadInput, match=r"cable\.s2p: has a gain of 3\.00 dB at 158\.425 MHz; an"):
        load_bench(shed, UNIT)


@pytest.mark.parametrize(("marked_db", "fits"), [(30.0, True), (29.5, True), (20.0, False)])
def test_the_mark_on_the_part_guards_against_the_wrong_file(shed, marked_db, fits):
    shed.write_text(BENCH.replace('"out.s2p"', f'"out.s2p"\nloss_db = {marked_db}', 1))
    if fits:
        assert load_bench(shed, UNIT).output.port_offset_db == pytest.approx(40.3825)
        return
    with pytest.raises(BadInput) as caught:
        load_bench(shed, UNIT)
    assert str(caught.value) == (
        f'{shed.parent / "out.s2p"}: has a loss of 30.38 dB at 153.825 MHz, and "30 dB pad" is'
        " said to have loss_db = 20. Name the right file and ports, or correct loss_db."
    )


SLIPS = [
    ('touchstone = "out.s2p"\n', "", "has neither loss_db nor touchstone; write the loss in dB"),
    ('"out.s2p"', '"out.s2p"\nports = [1, 1]', "ports = [1, 1] are not two ports; write [1, 2]"),
    ('"out.s2p"', '"out.s2p"\nports = [1]', "ports = [1] are not two ports; write [1, 2]"),
    ('"out.s2p"', '"out.s2p"\nports = [1, 2, 3]', "ports = [1, 2, 3] are not two ports"),
    ("loss_db = 10.0", "loss_db = 10.0\nports = [1, 2]", "has ports, which only an element with"),
    ('"out.s2p"', '"other.s2p"', "there is no such file"),
    ('"out.s2p"', '"."', "does not end in .s2p"),
]


@pytest.mark.parametrize(("right", "wrong", "line"), SLIPS)
def test_each_slip_in_the_bench_file_gives_its_line(shed, right, wrong, line):
    assert right in BENCH
    shed.write_text(BENCH.replace(right, wrong, 1))
    with pytest.raises(BadInput) as caught:
        load_bench(shed)
    assert line in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1
