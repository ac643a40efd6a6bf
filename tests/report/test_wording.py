"""How numbers are written: U to two figures, the value to the same place."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.readings import Limit, Reading
from harness.report.thin import columns, thin
from harness.report.wording import conditions_in_words, in_words, limit_in_words, plain, quantity


@pytest.mark.parametrize(
    ("value", "unit", "uncertainty", "written"),
    [
        (-116.4237, "dBm", 0.384, "−116.42 ± 0.38 dBm"),
        (1500.34, "Hz", 2.14, "1500.3 ± 2.1 Hz"),
        (0.02034, "s", 0.0002, "20.34 ± 0.20 ms"),
        (1.2031, "s", 0.0004, "1.20310 ± 0.00040 s"),
        # Rounding U up to a third figure takes a place away.
        (1.0, "dB", 0.0996, "1.00 ± 0.10 dB"),
        (1.0, "dB", 0.996, "1.0 ± 1.0 dB"),
        (12345.0, "Hz", 996.0, "12300 ± 1000 Hz"),
        (12345.0, "Hz", 1234.0, "12300 ± 1200 Hz"),
        (0.0, "dB", 0.5, "0.00 ± 0.50 dB"),
        (-0.001, "dB", 0.5, "0.00 ± 0.50 dB"),
        (3.14159, "dB", None, "3.14 dB"),
        (3.14159, "dB", 0.0, "3.14 dB"),
        (float("inf"), "dB", None, "∞ dB"),
        (24072.0, "s", 5.8, "6 h 41 min 12 s ± 6 s"),
        (24072.0, "s", 96.0, "6 h 41 min 12 s ± 1 min 36 s"),
        (24072.0, "s", 1234.0, "6 h 41 min 40 s ± 20 min"),
        (3600.0, "s", None, "1 h"),
        (0.3, "1/h", 0.1, "0.30 ± 0.10 per hour"),
    ],
)
def test_a_value_with_its_uncertainty(value, unit, uncertainty, written):
    assert quantity(value, unit, uncertainty) == written


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e5))
def test_what_is_written_lies_within_half_a_step_of_what_is_meant(value, uncertainty):
    number, _, rest = quantity(value, "Hz", uncertainty).replace("−", "-").partition(" ± ")
    half = rest.split()[0]
    assert len(half.replace(".", "").strip("0")) <= 2
    # Two figures: a step is at most a tenth of U, and U is rounded by at most a twentieth.
    assert abs(float(number) - value) <= 0.06 * uncertainty
    assert float(half) == pytest.approx(uncertainty, rel=0.051)


def reading(**more):
    return Reading(**{"name": "false_keying_rate", "unit": "1/h", "count": 1, **more})


@pytest.mark.parametrize(
    ("given_reading", "written"),
    [
        (reading(value=0.0, interval=(0.0, 3.6889)), "0.0 (0.0 to 3.7) per hour"),
        (reading(value=10.0, interval=(4.7954, 18.3904)), "10.0 (4.8 to 18.4) per hour"),
        (reading(value=5.0, bound="upper"), "at most 5.0 per hour"),
        (Reading(name="keying_state", unit="", value="chatters"), "chatters"),
        (reading(value=None, verdict="not measured"), "not measured"),
    ],
)
def test_what_is_no_plain_number(given_reading, written):
    assert in_words(given_reading) == written


@pytest.mark.parametrize(
    ("limit", "written"),
    [
        ({"maximum": -116.0, "unit": "dBm"}, "at most −116 dBm"),
        ({"minimum": 35.5, "maximum": 36.5, "unit": "dBm"}, "35.5 to 36.5 dBm"),
        ({"minimum": -200.0, "maximum": 200.0, "unit": "Hz"}, "within ± 200 Hz"),
        ({"minimum": 0.5, "maximum": 3.0, "unit": "s"}, "0.5 to 3 s"),
        ({"allowed": ("normal", "chatters"), "unit": ""}, "normal or chatters"),
    ],
)
def test_limits(limit, written):
    assert limit_in_words(Limit(reading="sinad", source="", **limit)) == written


def test_conditions():
    given_conditions = {
        "knob": "3:30",
        "input_level_port_dbm": -90.0,
        "de_emphasis": False,
        "supply_v": 12.5,
    }
    assert conditions_in_words(given_conditions) == (
        "knob at 3:30, −90 dBm at the input, without de-emphasis, supply 12.5 V"
    )
    assert conditions_in_words({"input_level_port_dbm": (-91.0, -89.0)}) == (
        "−91 to −89 dBm at the input"
    )


def test_an_exact_value_has_no_needless_figures():
    assert plain(384.6, "Hz") == "384.6 Hz"
    assert plain(0.02, "s") == "20 ms"


# Thinning for plots.


@given(st.integers(0, 2**32 - 1), st.integers(1, 20000))
def test_thinning_keeps_extremes_and_order(seed, length):
    y = np.random.default_rng(seed).normal(size=length)
    x = np.arange(float(length))
    thin_x, thin_y = thin(x, y, 300)
    assert len(thin_x) <= 302
    assert (np.diff(thin_x) > 0).all()
    assert (thin_y.min(), thin_y.max()) == (y.min(), y.max())
    np.testing.assert_array_equal(y[thin_x.astype(int)], thin_y)


def test_thinning_keeps_a_gap():
    y = np.zeros(10000)
    y[5000] = np.nan
    assert np.isnan(thin(np.arange(10000.0), y, 300)[1]).sum() == 1


def test_columns_keep_extremes_and_gaps():
    y = np.arange(1000.0)
    y[100:200] = np.nan
    given_columns = columns(np.arange(1000.0), y, 10)
    assert np.isnan(given_columns.middle).tolist() == [False, True] + [False] * 8
    assert (np.nanmin(given_columns.lowest), np.nanmax(given_columns.highest)) == (0.0, 999.0)
    assert given_columns.middle[0] == 49.5
