"""A duplexer from Touchstone files, against circuits solved by hand and published relations.

The circuits are in ``tests/truth/duplexer.py``. Sums of noise powers: 10 lg(1 + 10^(x/10)) for x =
-6 dB is 0.97 dB, the "about 1 dB" of Rec. ITU-R M.1461 for I/N = -6 dB (memory); for x = 0 dB it is
10 lg 2 = 3.0103 dB.
"""

import math

import numpy as np
import pytest

from harness.describe import example_path, load_unit
from harness.describe.touchstone import load_parameters
from harness.errors import BadInput
from harness.measure.duplexer import duplexer_findings, loss_by_noise_db
from harness.measure.duplexer_loss import duplexer_of
from harness.readings import judged
from tests.truth.duplexer import Cavity, joined, touchstone, two_ports

UNIT = load_unit(example_path("frost-watch-2.toml"))
SEND_HZ, RECEIVE_HZ = UNIT.transmit_hz, UNIT.receive_hz
MIDDLE_HZ = (SEND_HZ + RECEIVE_HZ) / 2.0
GRID_HZ = np.linspace(150e6, 162e6, 2401)  # 5 kHz apart: both frequencies stand on it
TRANSMIT, RECEIVE = Cavity(RECEIVE_HZ, SEND_HZ, 0.02), Cavity(SEND_HZ, RECEIVE_HZ, 0.03)
# Twelve digits in the text of the file, and logarithms of them.
ROUNDING_DB = 1e-6


def db(s) -> float:
    return -20.0 * math.log10(abs(s))


def files(folder, transmit, receive, unit="MHz", grid_hz=GRID_HZ):
    """Write both branches, and read them again."""
    paths = [folder / "transmit.s2p", folder / "receive.s2p"]
    for path, s in zip(paths, (transmit, receive), strict=True):
        path.write_text(touchstone(grid_hz, s, unit))
    return [load_parameters(path) for path in paths]


def both(folder, **more):
    """Give both branches of the joined circuit, and its S parameters on the two frequencies."""
    s = joined(TRANSMIT, RECEIVE, GRID_HZ, MIDDLE_HZ)
    at = [int(np.argmin(abs(GRID_HZ - hz))) for hz in (SEND_HZ, RECEIVE_HZ)]
    parts = files(folder, two_ports(s, (0, 1)), two_ports(s, (1, 2)), **more)
    return parts, s[at[0]], s[at[1]]


def flat(folder, passed_db=(1.0, 1.0), rejected_db=(70.0, 70.0), back=0.0):
    """Write branches of three points each, the middle one beside the point."""
    grid_hz = np.array([150e6, SEND_HZ, RECEIVE_HZ, 162e6])

    def s(low_db, high_db):
        through = 10.0 ** (-np.array([low_db, low_db, high_db, high_db]) / 20.0)
        ends = np.full(4, back)
        return np.moveaxis(np.array([[ends, through], [through, ends]]), 2, 0).astype(complex)

    return files(
        folder,
        s(passed_db[0], rejected_db[0]),
        s(rejected_db[1], passed_db[1]),
        grid_hz=grid_hz,
    )


def found(parts, unit=UNIT, uncertainty_db=None, ports=None):
    findings, limits = duplexer_findings(duplexer_of(parts, ports), unit, uncertainty_db)
    return findings, judged(findings.readings, limits)


def pick(readings, name, **held):
    """Give the one reading of a name and conditions."""
    (one,) = [
        r
        for r in readings
        if r.name == name and all(r.conditions[key] == value for key, value in held.items())
    ]
    return one


def duplex(**keys):
    return UNIT.model_copy(update={"duplex": UNIT.model_validate(_unit(keys)).duplex})


def _unit(keys):
    return {
        "name": "unit",
        "receive_hz": RECEIVE_HZ,
        "transmit_hz": SEND_HZ,
        "channel_spacing_hz": 12500,
        "rated_deviation_hz": 2500,
        "rated_power_w": 4.0,
        "emphasis": True,
        "duplex": keys,
    }


@pytest.mark.parametrize("unit", ["Hz", "kHz", "MHz", "GHz"])
def test_losses_of_a_circuit(tmp_path, unit) -> None:
    parts, sending, receiving = both(tmp_path, unit=unit)
    _, readings = found(parts)
    for name, held, truth in (
        ("insertion_loss", {"branch": "transmit"}, db(sending[1, 0])),
        ("insertion_loss", {"branch": "receive"}, db(receiving[2, 1])),
        ("branch_rejection", {"branch": "transmit"}, db(receiving[1, 0])),
        ("branch_rejection", {"branch": "receive"}, db(sending[2, 1])),
        ("return_loss", {"branch": "transmit", "port": "transmitter"}, db(sending[0, 0])),
        ("return_loss", {"branch": "transmit", "port": "antenna"}, db(sending[1, 1])),
        ("return_loss", {"branch": "receive", "port": "antenna"}, db(receiving[1, 1])),
        ("return_loss", {"branch": "receive", "port": "receiver"}, db(receiving[2, 2])),
    ):
        assert pick(readings, name, **held).value == pytest.approx(truth, abs=ROUNDING_DB), held


def test_depth_of_a_notch_by_the_published_formula(tmp_path) -> None:
    """20 lg(1 + Z0 / 2R) of a resonance across a line; 0.02 ohm gives 61.9 dB.

    What takes the susceptance away on the other frequency is some 1/9 S: in parallel with 1/R it
    moves the depth by 20 lg|1 + j R / 9| or 2e-5 dB.
    """
    _, readings = found(files(tmp_path, TRANSMIT.s(GRID_HZ), RECEIVE.s(GRID_HZ)))
    for branch, cavity in (("transmit", TRANSMIT), ("receive", RECEIVE)):
        truth = 20.0 * math.log10(1.0 + 50.0 / (2.0 * cavity.resistance_ohm))
        rejection = pick(readings, "branch_rejection", branch=branch)
        assert rejection.value == pytest.approx(truth, abs=1e-3)
        assert "just there" in rejection.note


def test_three_ports_hold_the_isolation_itself(tmp_path) -> None:
    s = joined(TRANSMIT, RECEIVE, GRID_HZ, MIDDLE_HZ)
    parts, sending, receiving = both(tmp_path)
    _, of_two = found(parts)
    # Any order of the ports, once it is told.
    for order, ports in (((0, 1, 2), None), ((2, 0, 1), (2, 3, 1))):
        path = tmp_path / f"all{order[0]}.s3p"
        path.write_text(touchstone(GRID_HZ, two_ports(s, order)))
        _, readings = found([load_parameters(path)], ports=ports)
        for hz, truth in ((SEND_HZ, db(sending[2, 0])), (RECEIVE_HZ, db(receiving[2, 0]))):
            direct = pick(readings, "duplexer_isolation", frequency_hz=hz)
            assert direct.value == pytest.approx(truth, abs=ROUNDING_DB)
            # The sum of both branches misses it by the mismatch of the antenna's port: 0.7 dB here.
            summed = pick(of_two, "duplexer_isolation", frequency_hz=hz)
            assert 0.5 < abs(summed.value - truth) < summed.expanded_uncertainty
        for name in ("insertion_loss", "branch_rejection"):
            for branch in ("transmit", "receive"):
                one, other = (pick(r, name, branch=branch) for r in (readings, of_two))
                assert one.value == pytest.approx(other.value, abs=ROUNDING_DB)


def test_the_mismatch_of_the_antenna_covers_what_the_sum_misses(tmp_path) -> None:
    """With the analyser without error, a plain rectangle about it aside: truth lies within U."""
    s = joined(TRANSMIT, RECEIVE, GRID_HZ, MIDDLE_HZ)
    parts, sending, _ = both(tmp_path)
    _, readings = found(parts, uncertainty_db=0.0)
    summed = pick(readings, "duplexer_isolation", frequency_hz=SEND_HZ)
    assert abs(summed.value - db(sending[2, 0])) < summed.expanded_uncertainty
    # Its algebra, which the docstring of the module gives, is that of the circuit.
    assert np.allclose(s[:, 2, 0], s[:, 2, 1] * s[:, 1, 0] / (1.0 + s[:, 1, 1]), rtol=1e-9)


@pytest.mark.parametrize("pad_db", [0.5, 3.0, 10.0])
def test_a_pad_in_a_branch_moves_both_its_losses_by_as_much(tmp_path, pad_db) -> None:
    _, before = found(flat(tmp_path))
    _, after = found(flat(tmp_path, (1.0 + pad_db, 1.0), (70.0 + pad_db, 70.0)))
    for name, moved_db in (
        ("insertion_loss", pad_db),
        ("branch_rejection", pad_db),
    ):
        one, other = (pick(r, name, branch="transmit").value for r in (before, after))
        assert other - one == pytest.approx(moved_db, abs=ROUNDING_DB)
        same = [pick(r, name, branch="receive").value for r in (before, after)]
        assert same[1] == pytest.approx(same[0], abs=ROUNDING_DB)
    # The rated power leaves the antenna all the same, so the transmitter before the pad is as much
    # stronger as the isolation is larger.
    for hz in (SEND_HZ, RECEIVE_HZ):
        one, other = (pick(r, "isolation_margin", frequency_hz=hz).value for r in (before, after))
        assert other == pytest.approx(one, abs=ROUNDING_DB)


def test_margins_by_hand(tmp_path) -> None:
    """4 W is 36.0206 dBm at the antenna, 37.0206 dBm before 1 dB of loss: 5.0357 W.

    Carrier: 37.0206 - 71 = -33.9794 dBm; blocking at -30 dBm leaves 3.9794 dB. Noise: 37.0206 - 135
    - 71 = -168.9794 dBm/Hz against -173.9752 + 5 (k 290 K 1 Hz) = -168.9752: N/N0 = -0.0042 dB,
    10 lg(1 + 0.99903) = 3.0082 dB. For 3 dB it may be 10 lg(10^0.3 - 1) = -0.0206 dB.
    """
    unit = duplex(
        transmitter_noise_dbc_per_hz=-135.0,
        noise_figure_db=5.0,
        blocking_dbm=-30.0,
        tolerated_loss_db=3.0,
        rating_w=5.0,
    )
    findings, readings = found(flat(tmp_path), unit, uncertainty_db=0.0)
    # Half a unit in the last place printed above, twice for the differences.
    last = 1e-4
    power = pick(readings, "transmitter_port_power")
    assert power.value == pytest.approx(5.0357, abs=last)
    assert power.verdict == "fail"
    carrier = pick(readings, "isolation_margin", frequency_hz=SEND_HZ)
    noise = pick(readings, "isolation_margin", frequency_hz=RECEIVE_HZ)
    assert (carrier.value, carrier.verdict) == (pytest.approx(3.9794, abs=last), "pass")
    assert (noise.value, noise.verdict) == (pytest.approx(-0.0164, abs=2 * last), "fail")
    expected = pick(readings, "desensitisation_expected")
    assert expected.value == pytest.approx(3.0082, abs=last)
    assert not any("[duplex]" in caution for caution in findings.cautions)


def test_the_usual_numbers_are_told_with_their_source(tmp_path) -> None:
    findings, _ = found(flat(tmp_path))
    (told,) = [caution for caution in findings.cautions if "[duplex]" in caution]
    for words in (
        "-140 dBc/Hz (chosen)",
        "4 dB (common practice, no source)",
        "EN 300 086",
        "1 dB",
    ):
        assert words in told
    findings, _ = found(flat(tmp_path), duplex(noise_figure_db=6.0))
    (told,) = [caution for caution in findings.cautions if "[duplex]" in caution]
    assert "noise figure" not in told


@pytest.mark.parametrize(("ratio_db", "loss_db"), [(-6.0, 0.97), (0.0, 3.01), (10.0, 10.41)])
def test_noise_that_adds_to_the_receivers_own(ratio_db, loss_db) -> None:
    assert loss_by_noise_db(ratio_db) == pytest.approx(loss_db, abs=0.005)  # of two places


def test_what_both_share_drops_out_of_the_carriers_margin(tmp_path) -> None:
    """The transmit branch's own loss makes the transmitter stronger and the isolation larger.

    Left are the rejection of the receive branch, 2 dB, and the blocking level, 1.5 dB: U = 5 dB.
    """
    unit = duplex(blocking_dbm=-20.0, blocking_uncertainty_db=1.5)
    _, readings = found(flat(tmp_path), unit, uncertainty_db=2.0)
    carrier = pick(readings, "isolation_margin", frequency_hz=SEND_HZ)
    assert carrier.expanded_uncertainty == pytest.approx(5.0, abs=1e-9)
    isolation = pick(readings, "duplexer_isolation", frequency_hz=SEND_HZ)
    assert isolation.expanded_uncertainty == pytest.approx(2.0 * math.sqrt(8.0), abs=1e-9)


def test_the_ends_of_the_expected_loss_are_those_of_its_margin(tmp_path) -> None:
    unit = duplex(
        transmitter_noise_dbc_per_hz=-135.0,
        transmitter_noise_uncertainty_db=3.0,
        noise_figure_db=5.0,
        noise_figure_uncertainty_db=0.5,
        tolerated_loss_db=3.0,
    )
    _, readings = found(flat(tmp_path), unit, uncertainty_db=0.5)
    expected = pick(readings, "desensitisation_expected")
    # Of the three losses the transmit branch's own, the other two, noise and figure.
    half_db = 2.0 * math.sqrt(3 * 0.5**2 + 3.0**2 + 0.5**2)
    ends = [loss_by_noise_db(-0.0042 + side * half_db) for side in (-1.0, 1.0)]
    assert expected.interval == pytest.approx(ends, abs=1e-4)  # of the figure printed above
    assert expected.interval[0] > 0.0
    margin = pick(readings, "isolation_margin", frequency_hz=RECEIVE_HZ)
    assert margin.verdict == "undecided"


@pytest.mark.parametrize("apart_hz", [20e3, 50e3, 100e3, 200e3])
@pytest.mark.parametrize("off_hz", [100e3, 300e3, 1e6])
def test_between_points_no_more_is_promised_than_the_truth_and_u(
    tmp_path, off_hz, apart_hz
) -> None:
    """The flank of a notch that is off, the analyser itself without error, any place of the points.

    The line between two points gives too much there: what is promised less U is there in truth.
    """
    transmit = Cavity(RECEIVE_HZ + off_hz, SEND_HZ, 0.02)
    truth = db(transmit.s(np.array([RECEIVE_HZ]))[0, 1, 0])
    for share in np.linspace(0.03, 0.97, 9):
        grid_hz = RECEIVE_HZ + apart_hz * (share + np.arange(-40, 40))
        if apart_hz * 39 < RECEIVE_HZ - SEND_HZ:
            grid_hz = np.concatenate([[SEND_HZ - 1e3, SEND_HZ + 1e3], grid_hz])
        parts = files(tmp_path, transmit.s(grid_hz), RECEIVE.s(grid_hz), grid_hz=grid_hz)
        findings, readings = found(parts, uncertainty_db=0.0)
        rejection = pick(readings, "branch_rejection", branch="transmit")
        assert rejection.value - rejection.expanded_uncertainty <= truth
        assert rejection.expanded_uncertainty > 0.0
        at = np.searchsorted(grid_hz, RECEIVE_HZ)
        step_db = abs(np.diff([db(s[1, 0]) for s in transmit.s(grid_hz[at - 1 : at + 1])]).item())
        told = any("far apart at 158.425 MHz" in caution for caution in findings.cautions)
        assert told == (step_db > 1.0)


def test_a_detuned_notch_is_told_with_its_place(tmp_path) -> None:
    transmit = Cavity(RECEIVE_HZ + 300e3, SEND_HZ, 0.02)
    _, readings = found(files(tmp_path, transmit.s(GRID_HZ), RECEIVE.s(GRID_HZ)))
    note = pick(readings, "branch_rejection", branch="transmit").note
    assert note == "most, 61.9 dB, at 158.725 MHz, 300 kHz above it"


def test_ways_that_differ_and_a_floor_are_told(tmp_path) -> None:
    parts = flat(tmp_path, rejected_db=(110.0, 70.0))
    text = (tmp_path / "receive.s2p").read_text()
    findings, _ = found(parts)
    assert any("110 dB at 158.425 MHz may be the floor" in c for c in findings.cautions)
    lines = text.splitlines()
    words = lines[2].split()
    words[3] = str(float(words[3]) * 10.0 ** (-3.0 / 20.0))  # S21 of the line on 153.825 MHz
    lines[2] = " ".join(words)
    (tmp_path / "receive.s2p").write_text("\n".join(lines))
    parts[1] = load_parameters(tmp_path / "receive.s2p")
    findings, readings = found(parts)
    assert any("differ by 3.0 dB at 153.825 MHz" in c for c in findings.cautions)
    rejection = pick(readings, "branch_rejection", branch="receive")
    assert rejection.value == pytest.approx(70.0, abs=ROUNDING_DB), "the smaller one counts"


def test_a_column_of_noughts_was_not_measured(tmp_path) -> None:
    findings, readings = found(flat(tmp_path))
    assert not [r for r in readings if r.name == "return_loss"]
    assert any("taken to be matched" in caution for caution in findings.cautions)
    for path in tmp_path.glob("*.s2p"):
        lines = path.read_text().splitlines()
        rows = [line.split() for line in lines[1:]]
        path.write_text(
            "\n".join([lines[0], *(" ".join([*r[:5], "0", "0", *r[7:]]) for r in rows)])
        )
    parts = [load_parameters(tmp_path / f"{name}.s2p") for name in ("transmit", "receive")]
    one_way, _ = found(parts)
    assert not any("differ by" in caution for caution in one_way.cautions)


def test_branches_exchanged_are_refused(tmp_path) -> None:
    parts = flat(tmp_path)
    with pytest.raises(BadInput, match="the branches are exchanged") as caught:
        found(parts[::-1])
    assert str(tmp_path / "receive.s2p") in str(caught.value)


@pytest.mark.parametrize(("low", "high", "word"), [(1, 4, "sends"), (0, 3, "receives")])
def test_files_that_do_not_reach_are_refused(tmp_path, low, high, word) -> None:
    grid_hz = np.array([150e6, 154e6, 158e6, 162e6])[low:high]
    s = TRANSMIT.s(grid_hz)
    with pytest.raises(BadInput, match=f"and the unit {word} on 15"):
        found(files(tmp_path, s, s, grid_hz=grid_hz))


def test_gain_is_refused(tmp_path) -> None:
    with pytest.raises(BadInput, match=r"has a gain of 1.00 dB at 153.825 MHz"):
        found(flat(tmp_path, passed_db=(-1.0, 1.0)))
