"""Battery logs of others: order, blanks, names and units."""

import hashlib
from datetime import UTC, datetime

import numpy as np
import pytest

from harness.errors import BadInput, Damaged
from harness.recordings import read_log

NAN = np.nan


@pytest.fixture
def log(tmp_path):
    """Write a log and read it."""

    def _log(text, columns=None, **more):
        path = tmp_path / "log.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_log(path, columns, **more)

    return _log


def test_plain_words(log):
    table = log("time,voltage,current,temperature\n2017-03-25 07:00:06.900,13.1,0.5,\n"
                "2017-03-25 07:03:24,,,24.5\n")  # fmt: skip
    assert table.start_utc == datetime(2017, 3, 25, 7, 0, 6, 900_000, UTC)
    # Exact to the rounding of seconds since 1970 in a float: 2.4e-7 s.
    assert table.time_s == pytest.approx([0.0, 197.1], abs=1e-6)
    assert np.array_equal(table.voltage_v, [13.1, NAN], equal_nan=True)
    assert np.array_equal(table.current_a, [0.5, NAN], equal_nan=True)
    assert np.array_equal(table.temperature_degc, [NAN, 24.5], equal_nan=True)
    assert np.isnan(table.power_dbm).all()
    assert table.cautions == ()


def test_our_own_names(log):
    table = log("time_s,power_dbm,frequency_error_hz,keyed,power_uncertainty_db\n"
                "10,36.0,-12.5,1,0.2\n20,35.9,,0,0.2\n")  # fmt: skip
    assert table.start_utc is None
    assert np.array_equal(table.time_s, [0, 10])
    assert np.array_equal(table.power_dbm, [36.0, 35.9])
    assert np.array_equal(table.frequency_error_hz, [-12.5, NAN], equal_nan=True)
    assert np.array_equal(table.keyed, [1, 0])


def test_a_map_in_our_names_or_plain_words(log):
    text = "t;U bat;I\n0;12,54;0,5\n1;12,53;0,6\n"
    for ours in ("voltage_v", "voltage"):
        table = log(text, {"time_s": "t", ours: "U bat", "current": "I"})
        assert np.array_equal(table.voltage_v, [12.54, 12.53])
        assert np.array_equal(table.current_a, [0.5, 0.6])


def test_power_in_watts(log):
    # 4 W is 36.0206 dBm, 1 mW is 0 dBm (definition); 0 W has no level.
    table = log("time_s,power_w\n0,4\n1,0.001\n2,0\n")
    assert table.power_dbm == pytest.approx([36.0206, 0.0, NAN], abs=5e-5, nan_ok=True)


def test_a_power_without_a_unit_is_said_to_be_dbm(log):
    table = log("time_s,power\n0,36\n")
    assert table.power_dbm[0] == 36
    assert table.cautions == ("log.csv: the column 'power' names no unit and is taken as dBm",)


def test_rows_are_put_in_order_and_repeated_ones_left_out(log):
    table = log("time_s,voltage\n0,5\n2,7\n1,6\n2,7\n2,8\n3,\n3,\n")
    assert np.array_equal(table.time_s, [0, 1, 2, 2, 3])
    assert np.array_equal(table.voltage_v, [5, 6, 7, 8, NAN], equal_nan=True)
    assert table.cautions == (
        "log.csv: 1 row is out of time order; put in place",
        "log.csv: 2 rows are repeated; left out",
    )


def test_the_first_row_in_time_is_the_start(log):
    table = log("time,voltage\n2025-03-01T06:00:10Z,2\n2025-03-01T06:00:00Z,1\n")
    assert table.start_utc == datetime(2025, 3, 1, 6, tzinfo=UTC)
    assert np.array_equal(table.time_s, [0, 10])
    assert np.array_equal(table.voltage_v, [1, 2])


@pytest.mark.parametrize(
    "text",
    [
        "time_s,voltage\n0,1\n1,2\n",
        "\ufefftime_s,voltage\r\n0,1\r\n1,2\r\n",
        "time_s\tvoltage\n0\t1\n1\t2",
        "time_s;voltage\n\n0;1\n\n1;2\n\n",
        '"time_s","voltage"\n"0","1"\n"1","2"\n',
        " Time_s , Voltage \n 0 , 1 \n 1 , 2 \n",
        "time_s|voltage\n0|1,0\n1|2,0\n",
        "time_s,voltage,note\n0,1,calm\n1,2,calm\n",
        "time_s,voltage,\n0,1,\n1,2,\n",
    ],
)
def test_forms_of_csv(log, text):
    table = log(text)
    assert np.array_equal(table.time_s, [0, 1])
    assert np.array_equal(table.voltage_v, [1, 2])


@pytest.mark.parametrize("blank", ["", "nan", "NaN", "null", "n/a", "-", "--", " "])
def test_blanks(log, blank):
    assert np.isnan(log(f"time_s,voltage,current\n0,{blank},1\n").voltage_v[0])


def test_short_rows_are_filled_and_counted(log):
    table = log("time_s,voltage,current\n0,1\n1,2,3\n")
    assert np.array_equal(table.current_a, [NAN, 3], equal_nan=True)
    assert table.cautions == ("log.csv: 1 row is shorter than the header; filled with blanks",)


@pytest.mark.parametrize(
    ("columns", "more"), [({"time_s": "every:300"}, {}), (None, {"interval_s": 300.0})]
)
def test_a_fixed_interval(log, columns, more):
    assert np.array_equal(log("voltage\n5\n6\n7\n", columns, **more).time_s, [0, 300, 600])


@pytest.mark.parametrize(
    ("text", "columns", "line"),
    [
        ("", None, "log.csv: is empty"),
        ("\n\n", None, "log.csv: is empty"),
        ("time_s,voltage\n", None, "log.csv: holds no rows"),
        ("a,b\n1,2\n", None, "no column holds the time; there are a, b. Name it"),
        ("time_s,b\n1,2\n", None, "no column holds voltage, current or power; there are time_s, b"),
        ("time_s,b\n1,2\n", {"voltage_v": "U"}, "has no column 'U'; there are time_s, b. Name one"),
        (
            "time_s,b\n1,2\n",
            {"volts": "b"},
            "no column of ours is called 'volts'. Did you mean v",
        ),
        ("time_s,b\n1,2\n", {"xyz": "b"}, "no column of ours is called 'xyz'. Use one of time"),
        ("time_s,b\n1,2\n", {"voltage": "b", "voltage_v": "b"}, "voltage_v is given twice"),
        ("time_s,voltage,voltage\n1,2,3\n", None, "has the column 'voltage' twice. Rename one"),
        ("time_s,voltage\n1,2\n2,ERR\n", None, "line 3: voltage_v is 'ERR', not a number. Correct"),
        ("time_s,voltage\n1,inf\n", None, "line 2: voltage_v is 'inf', not a number"),
        ("time_s,keyed\n1,2\n", None, "line 2: keyed is '2', not 1 or 0"),
        ("time_s,voltage\n1,2,3\n", None, "line 2 has 3 cells under 2 names. Correct that line."),
        ("time,voltage\nnoon,2\n", None, "line 2: the time is 'noon', not a date and time"),
        ("time,voltage\n1,2\nnoon,2\n", None, "line 3: the time is 'noon', not seconds"),
        ("time_s,voltage\n,2\n", None, "line 2: the time is '', not seconds"),
        ("time_s,voltage\nnan,2\n", None, "line 2: the time is 'nan', not seconds"),
        ("time_s,voltage\n1e300,2\n", None, "line 2: the time is '1e300', not seconds"),
        ("time,voltage\n2025-01-01T00:00:00Z,2\n7,2\n", None, "the time is '7', not a date and"),
        ("voltage\n2\n", {"time_s": "every:x"}, "every:x is no interval. Write seconds"),
        ("voltage\n2\n", {"time_s": "every:0"}, "0 s is no interval"),
        (
            "time_s,voltage\n1,2\n",
            {"time": "every:5"},
            "has a time column 'time_s' and an int",
        ),
        ("time_s,power_w\n1,-2\n", None, "power_w falls below 0 W. Is that column in watts?"),
        ('time_s,voltage\n1,"2\n', None, "line 2: unexpected end of data. Correct that line."),
    ],
)
def test_what_cannot_be_read(log, text, columns, line):
    with pytest.raises(BadInput) as caught:
        log(text, columns)
    assert line in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("raw", "line"),
    [
        (b"time_s,voltage\n1,2\n2,\xff\n", "log.csv: line 3 is not UTF-8 text. Save it as UTF-8"),
        ("time_s,voltage\n1,2\n".encode("utf-16"), "is not UTF-8 text (there are zero bytes)"),
    ],
)
def test_not_text(log, raw, line):
    with pytest.raises(Damaged) as caught:
        log(raw)
    assert line in str(caught.value)


def test_no_such_file(tmp_path):
    with pytest.raises(BadInput, match=r"none\.csv: there is no such file"):
        read_log(tmp_path / "none.csv")


def _load(table):
    """First and last loaded time, and charge, by the captures README's own rule."""
    both = ~np.isnan(table.voltage_v) & ~np.isnan(table.current_a)
    time_s, current_a = table.time_s[both], table.current_a[both]
    on = np.flatnonzero(current_a > current_a.max() / 2)
    charge_ah = np.trapezoid(current_a[on[0] : on[-1] + 1], time_s[on[0] : on[-1] + 1]) / 3600
    return time_s[on[0]], (time_s[on[-1]] - time_s[on[0]]) / 3600, charge_ah


REAL = [
    # File, temperature-only rows, late rows, load on, hours, Ah: captures README. Times +-60 s
    # (0.017 h), Ah +-1 %: the README's own tolerances.
    ("sla12v_17ah_3a.csv", 26, 1, datetime(2017, 3, 25, 8, 11, 5, tzinfo=UTC), 6.486, 19.74),
    ("sla12v_17ah_1a5.csv", 36, 0, datetime(2017, 3, 29, 0, 34, 38, tzinfo=UTC), 12.554, 19.28),
    ("sla12v_17ah_0a5.csv", 40, 1, datetime(2017, 4, 2, 16, 22, 47, tzinfo=UTC), 34.827, 18.46),
]


def _agrees(path, blank_rows, late, load_on, hours, charge_ah):
    table = read_log(path)
    assert table.sha512 == hashlib.sha512(path.read_bytes()).hexdigest()
    only = np.isnan(table.voltage_v) & np.isnan(table.current_a) & ~np.isnan(table.temperature_degc)
    assert only.sum() == blank_rows
    assert [note for note in table.cautions if "out of time order" in note] == (
        [f"{path.name}: 1 row is out of time order; put in place"] if late else []
    )
    assert (np.diff(table.time_s) >= 0).all()
    on_s, got_hours, got_ah = _load(table)
    assert on_s == pytest.approx((load_on - table.start_utc).total_seconds(), abs=60)
    assert got_hours == pytest.approx(hours, abs=60 / 3600)
    assert got_ah == pytest.approx(charge_ah, rel=0.01)


def test_a_real_run_in_the_repository(data):
    _agrees(data / "faster-lead-acid" / REAL[0][0], *REAL[0][1:])


@pytest.mark.parametrize("row", REAL, ids=[row[0] for row in REAL])
def test_real_runs(captures, row):
    _agrees(captures / row[0], *row[1:])


def test_a_real_log_without_times(captures):
    path = captures / "sla_two_batteries_crc8.txt"
    with pytest.raises(BadInput, match="no column holds the time; there are ADCRef50v, Battery-1"):
        read_log(path, {"voltage_v": "Battery-2"})
    table = read_log(path, {"voltage_v": "Battery-2", "time_s": "every:300"})
    # README: 2040 lines, 5 minutes apart, 12.54 to 12.17 V.
    assert len(table.time_s) == 2040
    assert table.time_s[-1] == 2039 * 300
    assert (table.voltage_v[0], table.voltage_v[-1]) == (12.54, 12.17)
