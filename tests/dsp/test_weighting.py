"""Weightings against the published tables and noise bandwidths.

Published: weighting_psophometric_o41.csv (ITU-T O.41, read second-hand), weighting_c_message.csv
(as given in O.41, read second-hand), emphasis_6db_per_octave.csv (definition); losses of noise from
worked example 4.3 (computed there to +/- 0.02 dB by interpolation; CCITT's 2.5 dB and Bell's 2 dB
from memory).
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from harness.dsp.weighting import WEIGHTINGS, de_emphasis_weight

FILES = {
    "psophometric": "weighting_psophometric_o41.csv",
    "c-message": "weighting_c_message.csv",
}


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


@pytest.mark.parametrize("name", FILES)
def test_points_are_the_published_ones(name: str, reference: Path) -> None:
    table = rows(reference / FILES[name])
    frequency_hz = np.array([float(row["frequency_hz"]) for row in table])
    weight_db = [float(row["weight_db"]) for row in table]
    assert len(table) == 24
    got = 10 * np.log10(WEIGHTINGS[name].power_weight(frequency_hz))
    # Exact: the same decimals, through a logarithm and back.
    assert got == pytest.approx(weight_db, abs=1e-9)


def loss_db(name: str, low_hz: float, high_hz: float, power: int) -> float:
    """Weighted to unweighted power of noise whose density goes as f^power."""
    f = np.linspace(max(low_hz, 1e-3), high_hz, 300_001)
    density = f**power
    return -10 * np.log10(np.sum(density * WEIGHTINGS[name].power_weight(f)) / np.sum(density))


@pytest.mark.parametrize(
    ("name", "low_hz", "high_hz", "power", "published_db"),
    [
        ("psophometric", 300, 3400, 0, 2.508),
        ("psophometric", 300, 3000, 0, 2.124),
        ("psophometric", 300, 3400, 2, 4.082),
        ("psophometric", 300, 3000, 2, 3.247),
        ("c-message", 300, 3400, 0, 1.908),
        ("c-message", 300, 3000, 0, 1.638),
        ("c-message", 0, 3000, 0, 2.093),
        ("c-message", 300, 3400, 2, 2.181),
        ("c-message", 300, 3000, 2, 1.446),
    ],
)
def test_loss_of_noise(name: str, low_hz, high_hz, power, published_db) -> None:
    # Half a unit in the last printed digit: the same interpolation.
    assert loss_db(name, low_hz, high_hz, power) == pytest.approx(published_db, abs=0.001)


def test_noise_bandwidth_of_the_psophometer() -> None:
    """Worked example 4.3: 1740 Hz for white noise from 300 to 3400 Hz."""
    bandwidth_hz = 3100 * 10 ** (-loss_db("psophometric", 300, 3400, 0) / 10)
    assert bandwidth_hz == pytest.approx(1740, abs=0.5)


def test_de_emphasis_is_the_line(reference: Path) -> None:
    table = rows(reference / "emphasis_6db_per_octave.csv")
    f = np.array([float(row["frequency_hz"]) for row in table])
    wanted = [float(row["deemphasis_db"]) for row in table]
    # Half a unit in the last printed digit.
    assert 10 * np.log10(de_emphasis_weight(f)) == pytest.approx(wanted, abs=5e-5)


def test_between_points_decibels_run_straight_against_log_frequency() -> None:
    curve = WEIGHTINGS["psophometric"]
    middle = np.sqrt(100.0 * 200.0)
    assert 10 * np.log10(curve.power_weight(middle)) == pytest.approx(-31.0, abs=1e-9)
