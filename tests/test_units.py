"""Conversions against tables computed from the SI: tolerances are half a unit as printed."""

import csv

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness import units


def rows(path):
    with open(path, encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_levels_across_50_ohm(reference):
    table = rows(reference / "levels_50ohm.csv")
    assert len(table) >= 16
    for row in table:
        level_dbm, voltage_uv = float(row["dbm"]), float(row["microvolt_pd"])
        assert units.dbm_from_uv(voltage_uv) == pytest.approx(level_dbm, abs=6e-4)
        # 0.5e-3 dB of level is 0.6e-4 of voltage.
        assert units.uv_from_dbm(level_dbm) == pytest.approx(voltage_uv, rel=7e-5)


def test_thermal_noise(reference):
    table = rows(reference / "thermal_noise.csv")
    assert len(table) >= 10
    for row in table:
        noise_dbm = units.thermal_noise_dbm(float(row["bandwidth_hz"]), float(row["temperature_k"]))
        assert noise_dbm == pytest.approx(float(row["noise_dbm"]), abs=6e-5)


@pytest.mark.parametrize(
    ("got", "expected"),
    [
        (units.db_from_ratio(100.0), 20.0),
        (units.dbm_from_w(1.0), 30.0),
        (units.dbm_from_w(0.001), 0.0),
        (units.w_from_dbm(36.0), 3.981071705534972),  # 10^0.6, computed
        (units.db_from_ratio(0.0), -np.inf),
        (units.ppm_from_ratio(2.5e-6), 2.5),
    ],
)
def test_by_definition(got, expected):
    assert got == pytest.approx(expected, rel=1e-12)


@given(st.floats(-200.0, 100.0))
def test_there_and_back(level_dbm):
    # A few roundings: some ulp of 200 dB.
    assert units.dbm_from_w(units.w_from_dbm(level_dbm)) == pytest.approx(level_dbm, abs=1e-11)
    assert units.dbm_from_uv(units.uv_from_dbm(level_dbm)) == pytest.approx(level_dbm, abs=1e-11)


def test_arrays_and_numbers_agree():
    ratios = np.array([0.5, 1.0, 20.0])
    np.testing.assert_array_equal(
        units.db_from_ratio(ratios), [units.db_from_ratio(float(ratio)) for ratio in ratios]
    )
    assert isinstance(units.db_from_ratio(2.0), float)
