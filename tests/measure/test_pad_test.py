"""What a pad tells of where an emission is made.

Truths by construction: a receiver with a known cubic and square term after the pad, spurs of its
own after that, signals before it. Two signals of amplitude a through ``z + c z |z|^2`` make
products at 2 f1 - f2 and 2 f2 - f1 of amplitude c a^3, so that they fall by three times the pad;
``d z^2`` makes 2 f1, 2 f2 and f1 + f2, which fall by twice. Tolerances: each row's own U, which is
what is judged by; levels to 0.3 dB.
"""

import math

import numpy as np
import pytest

from harness.blocks import Block
from harness.errors import BadInput
from harness.measure.health import HealthWatch, Watched
from harness.measure.pad_test import pad_test
from tests.measure.test_health import RATE_HZ, TIME_S, noise
from tests.truth.files import quantise

CENTRE_HZ = 150e6
FIRST_HZ, SECOND_HZ, SPUR_HZ = 20e3, 32e3, -70e3


def tone(offset_hz: float, amplitude: float) -> np.ndarray:
    return amplitude * np.exp(2j * np.pi * offset_hz * TIME_S)


def look(
    pad_db: float,
    *,
    amplitude: float = 0.2,
    cubic: float = 0.0,
    square: float = 0.0,
    noise_rms: float = 1e-3,
    spike: float = 0.0,
    datatype: str = "ci16_le",
    samples: int = len(TIME_S),
    rate_hz: float = RATE_HZ,
) -> HealthWatch:
    at_aerial = tone(FIRST_HZ, amplitude) + tone(SECOND_HZ, amplitude)
    z = at_aerial * 10.0 ** (-pad_db / 20.0)
    z = z + cubic * z * np.abs(z) ** 2 + square * z * z
    z = z + tone(SPUR_HZ, 3e-3) + noise(noise_rms, round(10 * pad_db) + 1) + spike
    watch = HealthWatch(
        Watched(name=f"{pad_db} dB", datatype=datatype, sample_rate_hz=rate_hz, centre_hz=CENTRE_HZ)
    )
    watch.push(Block(quantise(z[:samples], datatype), 0, rate_hz))
    watch.finish()
    return watch


def origins(test) -> dict[float, str]:
    """By offset from the centre, in kHz."""
    return {round((each.frequency_hz - CENTRE_HZ) / 1e3, 1): each.origin for each in test.moved}


@pytest.mark.parametrize("pad_db", [3.0, 6.0, 10.0])
@pytest.mark.parametrize("datatype", ["ci16_le", "cf32_le"])
def test_each_is_told_by_how_far_it_moves(pad_db, datatype) -> None:
    """Levels: 0.05 times 0.2 cubed is -68 dBFS, and 0.01 times 0.2 squared -68 dBFS too."""
    how = {"cubic": 0.05, "square": 0.01, "noise_rms": 1e-4, "datatype": datatype, "spike": 0.01}
    test = pad_test(look(0.0, **how), look(pad_db, **how), pad_db)
    assert origins(test) == {
        20.0: "signal",
        32.0: "signal",
        -70.0: "receiver's own",
        0.0: "receiver's own",
        8.0: "third order",  # 2 f1 - f2
        44.0: "third order",  # 2 f2 - f1
        40.0: "second order",  # 2 f1
        64.0: "second order",  # 2 f2
        52.0: "second order",  # f1 + f2
    }
    assert [each.is_centre for each in test.moved].count(True) == 1
    assert test.cautions == ()
    for each in test.moved:
        order = {"signal": 1, "receiver's own": 0, "second order": 2, "third order": 3}[each.origin]
        assert abs(each.moved_db - order * pad_db) <= each.expanded_uncertainty_db + 0.2 * order
    levels = {round((each.frequency_hz - CENTRE_HZ) / 1e3): each.level_dbfs for each in test.moved}
    third_db = 20.0 * math.log10(0.05 * 0.2**3)
    assert levels[8] == pytest.approx(third_db, abs=0.3)
    assert levels[40] == pytest.approx(20.0 * math.log10(0.01 * 0.2**2), abs=0.3)


def test_a_linear_receiver_makes_nothing() -> None:
    test = pad_test(look(0.0), look(6.0), 6.0)
    assert origins(test) == {20.0: "signal", 32.0: "signal", -70.0: "receiver's own"}


def test_eight_bits_will_do() -> None:
    """With noise of two thirds of a code; the products are at -58 dBFS."""
    how = {"cubic": 0.15, "noise_rms": 0.005, "datatype": "cu8"}
    found = origins(pad_test(look(0.0, **how), look(3.0, **how), 3.0))
    assert found[8.0] == found[44.0] == "third order"
    assert found[20.0] == "signal"
    assert found[-70.0] == "receiver's own"


def test_what_is_lost_in_the_noise_is_a_bound() -> None:
    """The products are 15 dB above the noise of a line and fall by 30 dB."""
    how = {"cubic": 0.1, "noise_rms": 0.003}
    test = pad_test(look(0.0, **how), look(10.0, **how), 10.0)
    product = next(each for each in test.moved if round(each.frequency_hz - CENTRE_HZ, -2) == 8e3)
    assert product.is_bound
    assert product.expanded_uncertainty_db is None
    assert product.origin == "second order or higher"
    assert product.moved_db < 30.0


def test_a_weak_signal_that_is_lost_is_not_called_a_product() -> None:
    """It falls by the 30 dB of the pad, 10 dB under the noise of a line."""
    test = pad_test(
        look(0.0, amplitude=0.001, noise_rms=0.003),
        look(30.0, amplitude=0.001, noise_rms=0.003),
        30.0,
    )
    moved = {round((each.frequency_hz - CENTRE_HZ) / 1e3): each for each in test.moved}
    assert moved[20].is_bound
    assert 10.0 < moved[20].moved_db < 30.0
    assert moved[20].origin == "undecided"


def test_a_pad_that_was_not_put_in_is_told() -> None:
    test = pad_test(look(0.0), look(0.0, noise_rms=1.001e-3), 6.0)
    assert set(origins(test).values()) == {"receiver's own"}
    assert "was it put in" in test.cautions[0]


def test_a_wrong_pad_is_undecided() -> None:
    assert origins(pad_test(look(0.0), look(6.0), 4.0))[20.0] == "undecided"
    # 9 dB that is no whole order of 4 dB; 12 dB of 3 would be the fourth.
    assert origins(pad_test(look(0.0), look(9.0), 4.0))[20.0] == "undecided"
    assert origins(pad_test(look(0.0), look(12.0), 3.0))[20.0] == "higher order"


def test_a_pad_that_is_badly_known_decides_less() -> None:
    how = {"cubic": 0.05, "noise_rms": 1e-4}
    test = pad_test(look(0.0, **how), look(3.0, **how), 3.0, pad_uncertainty_db=1.0)
    assert origins(test)[8.0] == "undecided"


def test_noise_alone_has_nothing_to_move() -> None:
    def silent(random: int) -> HealthWatch:
        watch = HealthWatch(
            Watched(name="x", datatype="cf32_le", sample_rate_hz=RATE_HZ, centre_hz=CENTRE_HZ)
        )
        watch.push(Block(quantise(noise(0.01, random), "cf32_le"), 0, RATE_HZ))
        watch.finish()
        return watch

    test = pad_test(silent(1), silent(2), 6.0)
    assert test.moved == ()
    assert "nothing to move" in test.cautions[0]


@pytest.mark.parametrize(
    ("pad_db", "uncertainty_db", "second", "words"),
    [
        (1.0, 0.1, {}, "no pad for this"),
        (float("nan"), 0.1, {}, "no pad for this"),
        (6.0, -0.1, {}, "no uncertainty"),
        (6.0, 0.1, {"samples": 20_000}, "too short"),
        (6.0, 0.1, {"rate_hz": 1e6}, "another rate"),
    ],
)
def test_what_tells_nothing_is_refused(pad_db, uncertainty_db, second, words) -> None:
    with pytest.raises(BadInput, match=words):
        pad_test(look(0.0), look(6.0, **second), pad_db, uncertainty_db)
