"""Formulas of the service room against published values.

Values and their sources: reference/worked-examples.md, by section as named beside each row, and the
tables mpe_limits.csv, noise_p372.csv and battery_voltages.csv there. Tolerance, unless said: half a
unit of the last printed digit.
"""

import csv
import math

import numpy as np
import pytest

from harness.describe import CHEMISTRIES
from harness.service import exposure, hydrogen, noise, path_loss, peukert
from harness.units import thermal_noise_dbm

FOOT_M = 0.3048


def rows(reference, name):
    with (reference / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize(
    ("label_ah", "current_a", "exponent", "hours", "half"),
    [
        pytest.param(250, 20, 1.3, 5.0886, 5e-5, id="9.1, stored page, read"),
        pytest.param(100, 5, 1.2, 14.4956, 5e-5, id="9.1, stored page says 14.5"),
    ],
)
def test_peukert_referred_to_1_a(label_ah, current_a, exponent, hours, half):
    assert peukert.run_time_by_1_a_h(current_a, label_ah, exponent) == pytest.approx(
        hours, abs=half
    )


RATED = [
    pytest.param(100, 5, 1.2, 20.0, 5e-4, id="9.2, the rated current"),
    pytest.param(100, 10, 1.2, 8.7055, 5e-5, id="9.2, twice the rated current"),
    pytest.param(9, 0.45, 1.15, 20.0, 5e-4, id="9.2, small battery"),
    pytest.param(9, 0.9, 1.15, 9.0125, 5e-5, id="9.2, twice"),
    pytest.param(9, 1.8, 1.15, 4.0613, 5e-5, id="9.2, four times"),
    pytest.param(9, 4.5, 1.15, 1.4159, 5e-5, id="9.2, ten times"),
]


@pytest.mark.parametrize(("label_ah", "current_a", "exponent", "hours", "half"), RATED)
def test_peukert_referred_to_the_rated_time(label_ah, current_a, exponent, hours, half):
    assert peukert.run_time_h(current_a, label_ah, 20.0, exponent) == pytest.approx(hours, abs=half)


@pytest.mark.parametrize(("label_ah", "current_a", "exponent", "hours", "half"), RATED)
def test_drain_and_capacity_say_the_same_as_the_formula(label_ah, current_a, exponent, hours, half):
    """The drain empties the label in that time, and the time gives the label back: exact."""
    one, current = np.ones(1), np.array([float(current_a)])
    drained_a = peukert.mean_drain_a(one, current, label_ah, 20.0, exponent)
    exact_h = label_ah / drained_a
    assert exact_h == pytest.approx(hours, abs=half)
    back_ah = peukert.capacity_from_run_ah(one, current, exact_h, 20.0, exponent)
    assert back_ah == pytest.approx(label_ah, rel=1e-9)


def test_the_two_forms_differ_for_one_label():
    """9.2: the first answers 14.5 h where the second answers 20 h."""
    assert peukert.run_time_by_1_a_h(5, 100, 1.2) == pytest.approx(14.5, abs=0.05)
    assert peukert.run_time_h(5, 100, 20.0, 1.2) == pytest.approx(20.0, abs=0.05)


def test_slow_discharge_gains_nothing():
    """Chosen: below the rated current the drain is the current, where Peukert would claim less."""
    assert peukert.drain_a(0.1, 9.0, 20.0, 1.2) == 0.1
    assert peukert.run_time_h(0.1, 9.0, 20.0, 1.2) > 9.0 / 0.1


@pytest.mark.parametrize(
    ("frequency_hz", "exact_db", "printed_db"),
    [(150e6, 95.970, 95.922), (158.425e6, 96.444, 96.396)],
)
def test_free_space(frequency_hz, exact_db, printed_db):
    """7.1, ITU-R P.525-5, 10 km."""
    assert path_loss.free_space_db(10e3, frequency_hz) == pytest.approx(exact_db, abs=5e-4)
    printed = path_loss.free_space_as_printed_db(10e3, frequency_hz)
    assert printed == pytest.approx(printed_db, abs=5e-4)


def test_plane_earth_and_the_two_rays_that_it_comes_from():
    """7.2: 30 m, 1.5 m, 5 km, 150 MHz."""
    assert path_loss.plane_earth_db(5e3, 30.0, 1.5) == pytest.approx(114.895, abs=5e-4)
    assert path_loss.two_ray_db(5e3, 150e6, 30.0, 1.5) == pytest.approx(114.896, abs=5e-4)
    assert path_loss.usual_db(5e3, 150e6, 30.0, 1.5) == pytest.approx(114.895, abs=5e-4)


def test_two_rays_of_rappaport():
    """7.3: 900 MHz, 5 km, 50 m and 1.5 m; 1 mV/m at 1 km, gain 2.55 dB: -92.68 dBm (memory).

    Given as a received power; the transmitter's EIRP of 1 mV/m at 1 km is E^2 d^2 / 30.
    """
    eirp_dbm = 10 * math.log10((1e-3 * 1e3) ** 2 / 30.0) + 30.0
    received_dbm = eirp_dbm + 2.55 - path_loss.plane_earth_db(5e3, 50.0, 1.5)
    assert received_dbm == pytest.approx(-92.68, abs=5e-3)


@pytest.mark.parametrize(("height_m", "km"), [(100.0, 41.22), (30.0, 22.58), (1.0, 4.1218)])
def test_horizon(height_m, km):
    """7.4, 4/3 of 6371 km."""
    half = 5e-5 if height_m == 1.0 else 5e-3
    assert path_loss.horizon_m(height_m) / 1e3 == pytest.approx(km, abs=half)


def test_horizon_of_the_glossary():
    """7.4: 2.23 sqrt(h[m]) and 1.23 sqrt(h[ft]) nautical miles (read); true earth 3.5696 km."""
    assert path_loss.horizon_m(1.0) / 1852.0 == pytest.approx(2.23, abs=5e-3)
    assert path_loss.horizon_m(FOOT_M) / 1852.0 == pytest.approx(1.23, abs=5e-3)
    assert path_loss.horizon_m(1.0, bending=1.0) / 1e3 == pytest.approx(3.5696, abs=5e-5)


@pytest.mark.parametrize("loss_db", [80.0, 100.0, 120.0, 140.0])
def test_a_range_loses_what_it_was_asked_for(loss_db):
    """Exact: the inverse of the same formula."""
    distance_m = path_loss.usual_range_m(loss_db, 150e6, 8.0, 1.5)
    assert path_loss.usual_db(distance_m, 150e6, 8.0, 1.5) == pytest.approx(loss_db, abs=1e-9)
    distance_m = path_loss.free_space_range_m(loss_db, 150e6)
    assert path_loss.free_space_db(distance_m, 150e6) == pytest.approx(loss_db, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "median_db", "kelvin", "in_11_khz_dbm"),
    [
        ("city", 16.522, 13020, -117.04),
        ("residential", 12.222, 4838, -121.34),
        ("rural", 6.922, 1428, -126.64),
    ],
)
def test_man_made_noise_at_150_mhz(name, median_db, kelvin, in_11_khz_dbm):
    """3.3; the power is the external noise alone, T0 = 290 K."""
    found_db = noise.ENVIRONMENTS[name].median_db(150e6)
    assert found_db == pytest.approx(median_db, abs=5e-4)
    assert noise.antenna_temperature_k(found_db) == pytest.approx(kelvin, abs=0.5)
    power_dbm = thermal_noise_dbm(11e3, noise.antenna_temperature_k(found_db))
    assert power_dbm == pytest.approx(in_11_khz_dbm, abs=5e-3)


def test_man_made_noise_is_that_of_the_table(reference):
    ours = {"city (business)": "city"}
    for row in rows(reference, "noise_p372.csv"):
        name = ours.get(row["environment"], row["environment"])
        if name == "galactic":
            assert name not in noise.ENVIRONMENTS, "from memory only: not used"
            continue
        for mhz in (30, 100, 150, 160, 250):
            told = row[f"fam_{mhz}_mhz"]
            found_db = noise.ENVIRONMENTS[name].median_db(mhz * 1e6)
            if not told:
                assert found_db is None, "outside the range that it holds for"
            else:
                assert found_db == pytest.approx(float(told), abs=5e-4)
    assert noise.ENVIRONMENTS["rural"].median_db(251e6) is None


def test_sensitivity_speaks_of_a_noise_figure():
    """2.4: noise figure 6 dB, deviation 1500 Hz, flat audio: -117.23 dBm, clicks left out."""
    found_db = noise.noise_figure_db(-117.23, 2500.0, de_emphasis=False)
    assert found_db == pytest.approx(6.0, abs=5e-3)
    found_db = noise.noise_figure_db(-123.25, 5000.0, de_emphasis=False)
    assert found_db == pytest.approx(6.0, abs=5e-3)


def test_de_emphasis_by_the_same_integral():
    """S/N of 2.1 with the noise density f^2 (1 kHz / f)^2, summed numerically: 0.01 dB."""
    f = np.linspace(300.0, 3000.0, 20001)
    better_db = 10 * np.log10(np.trapezoid(f**2, f) / np.trapezoid(np.full_like(f, 1e6), f))
    flat, shaped = (
        noise.needed_carrier_to_noise_dbhz(1500.0, de_emphasis=each) for each in (False, True)
    )
    assert flat - shaped == pytest.approx(better_db, abs=0.01)


def test_an_antenna_at_290_k_raises_nothing_and_a_loud_one_by_the_ratio():
    """290 K is what the bench had: 0 dB. Far above the receiver's noise only the ratio counts."""
    assert noise.raised_by_db(0.0, 3.0, 6.0) == pytest.approx(0.0, abs=1e-12)
    assert noise.raised_by_db(60.0, 3.0, 6.0) == pytest.approx(51.0, abs=1e-3)


@pytest.mark.parametrize(
    ("e_v_per_m", "mw_per_cm2"), [(61.4, 1.0), (27.5, 0.2)], ids=["occupational", "public"]
)
def test_the_limits_in_field_and_power_agree(e_v_per_m, mw_per_cm2):
    """6.1: 1.0007 and 0.2007 mW/cm2 by 376.73 ohm; 0.4 %, as the rule's figures are rounded."""
    assert e_v_per_m**2 / 376.73 / exposure.MW_PER_CM2 == pytest.approx(mw_per_cm2, rel=4e-3)


@pytest.mark.parametrize(
    ("power_w", "occupational_ft", "public_ft"),
    [(500, 166.0, 371.1), (1500, 287.4, 642.7), (150, 90.9, 203.3)],
)
def test_exposure_of_the_published_table(power_w, occupational_ft, public_ft):
    """6.3: 144 MHz, 24 dBi, factor 2.56."""
    eirp_w = power_w * 10**2.4
    for public, feet in (("occupational", occupational_ft), ("general public", public_ft)):
        limit = exposure.exposure_limit(public, 144e6).at(144e6)
        found_m = exposure.exposure_distance_m(eirp_w, limit, 2.56)
        assert found_m / FOOT_M == pytest.approx(feet, abs=0.05)


@pytest.mark.parametrize(
    ("public", "metres"),
    [("general public", (0.511, 0.818, 1.022)), ("occupational", (0.229, 0.366, 0.457))],
)
def test_exposure_of_a_small_repeater(public, metres):
    """6.4: 4 W into 2.15 dBi at 150 MHz, EIRP 6.562 W; free space, 2.56, 4."""
    limit = exposure.exposure_limit(public, 150e6).at(150e6)
    found = [exposure.exposure_distance_m(6.562, limit, k) for k in exposure.REFLECTIONS]
    assert found == pytest.approx(metres, abs=5e-4)


def test_erp_form():
    """6.2: S[uW/cm2] = 33.41 ERP[W] / R[m]^2 with 2.56 (ERP: 1.64 times less than EIRP)."""
    erp_w = 10.0
    distance_m = exposure.exposure_distance_m(1.64 * erp_w, 0.2, 2.56)
    assert 33.41 * erp_w / distance_m**2 == pytest.approx(200.0, abs=0.05)


def test_keyed_for_a_quarter_of_the_time_halves_the_distance():
    """Power density goes by the mean power and 1/R^2: exact."""
    whole, quarter = (exposure.exposure_distance_m(6.5, 0.2, share=s) for s in (1.0, 0.25))
    assert quarter == pytest.approx(whole / 2.0, rel=1e-12)


def test_exposure_limits_are_those_of_the_table(reference):
    """mpe_limits.csv, every row: constants and forms in f, at three frequencies within each."""
    for row in rows(reference, "mpe_limits.csv"):
        low, high = (float(end) for end in row["band_mhz"].split("-"))
        for mhz in (low * 1.01, math.sqrt(low * high), high * 0.99):
            told = row["power_density_mw_per_cm2"].replace("^", "**")
            expected = eval(told, {"f": mhz})
            limit = exposure.exposure_limit(row["class"], mhz * 1e6)
            assert limit.at(mhz * 1e6) == pytest.approx(expected, rel=1e-9)
            assert limit.averaging_min == float(row["averaging_min"])
    assert exposure.exposure_limit("occupational", 0.2e6) is None


def test_hydrogen():
    """9.3: 1 Ah through one cell: 0.018656 mol; 0.4181 L at 0 degC, 0.4564 L at 25 degC."""
    assert hydrogen.hydrogen_mol(1.0) == pytest.approx(0.018656, abs=5e-7)
    assert hydrogen.hydrogen_litres(1.0, temperature_degc=0.0) == pytest.approx(0.4181, abs=5e-5)
    assert hydrogen.hydrogen_litres(1.0) == pytest.approx(0.4564, abs=5e-5)
    assert hydrogen.hydrogen_litres(1.0) == pytest.approx(0.46, abs=5e-3)  # published, read


def test_ventilation():
    """9.4: 0.46 L/Ah x dilution 26 x safety 5 / 3600 = 0.0166 L/s, used as 0.017."""
    assert 0.46 * 26 * 5 / 3600 == pytest.approx(hydrogen.VENTILATION_L_PER_S_A, abs=5e-4)
    assert hydrogen.ventilation_l_per_s(1.0, 6) == pytest.approx(0.017 * 6)
    assert hydrogen.ventilation_l_per_s(1.0, 6, hydrogen.VALVE_REGULATED) == pytest.approx(0.0204)


def test_the_rate_effect_of_lead_acid_is_that_of_the_table(reference):
    """battery_voltages.csv: usual range of Peukert's exponent, and C20 as the rated capacity."""
    of = {row["quantity"]: row for row in rows(reference, "battery_voltages.csv")}
    usual = of["Peukert exponent, usual range"]
    for name in ("lead-acid AGM", "lead-acid gel"):
        held = CHEMISTRIES[name].rate_exponent
        assert f"{held.low:g}-{held.high:g}" == usual["value"]
        assert held.verified == usual["verified"]
        rated = CHEMISTRIES[name].rated_time
        assert f"C{rated.hours:g}" == of["rated capacity"]["value"]
        assert rated.verified == of["rated capacity"]["verified"]


def test_every_chemistry_tells_its_rate_effect_and_where_it_is_from():
    wanted = {"lead-acid AGM", "lead-acid gel", "LiFePO4", "NiMH", "Li-ion"}
    assert wanted <= set(CHEMISTRIES)
    for chemistry in CHEMISTRIES.values():
        assert 1.0 <= chemistry.rate_exponent.low <= chemistry.rate_exponent.high <= 2.0
        assert chemistry.rate_exponent.source
        assert chemistry.rated_time.hours > 0.0
        assert chemistry.rated_time.source
        assert chemistry.end
        assert all(cell.source and cell.volts > 0.0 for cell in chemistry.end)
