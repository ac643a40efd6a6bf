"""A meter from a CSV file that another program appends to, whatever that program does to it.

Truth by construction: rows that are written here, on clocks that are set here. All rows are exact.
"""

import math
import os
from dataclasses import dataclass

import pytest

from harness.describe import bench_from, load_bench
from harness.devices import LaggingMeter
from harness.errors import BadInput
from harness.instruments.csv_meter import CsvMeter

NOON_S = 1_780_315_200.0
"""2026-06-01 12:00:00 UTC."""
HEADER = "when,volts,amps,warm\n"
TIMED = 'clock = "utc"\n[meter.columns]\ntime = "when"\n'
NAMED = 'voltage_v = "volts"\ncurrent_a = "amps"\ntemperature_degc = "warm"\n'
BENCH = 'name = "bench"\n[meter]\nsource = "csv"\npath = "supply.csv"\n'
UNTIMED = "[meter.columns]\n"


def row(second, volts="12.5", amps="1.4", warm="21"):
    return f"2026-06-01 12:{second // 60:02d}:{second % 60:02d},{volts},{amps},{warm}\n"


@dataclass
class Logged:
    """A file that is logged into, a meter that reads it, and the clocks of both."""

    path: object
    meter: CsvMeter | None = None
    at_s: float = 0.0

    def write(self, text, mode="a"):
        with self.path.open(mode, newline="") as file:
            file.write(text)

    def open(self, keys=TIMED, columns=NAMED, at_s=0.0):
        self.at_s = at_s
        (self.path.parent / "bench.toml").write_text(BENCH + keys + columns)
        described = load_bench(self.path.parent / "bench.toml").meter
        self.meter = CsvMeter(
            described, utc_s=lambda: NOON_S + self.at_s, counted_s=lambda: 500.0 + self.at_s
        )
        return self.meter

    def shows(self, at_s, within_s=None):
        self.at_s = at_s
        if within_s is None:
            supply = self.meter.read_supply()
        else:
            supply = self.meter.read_supply_within(within_s)
        values = (supply.voltage_v, supply.current_a, supply.temperature_degc)
        return tuple(None if math.isnan(value) else value for value in values)


NOTHING = (None, None, None)


@pytest.fixture
def logged(tmp_path):
    made = Logged(tmp_path / "supply.csv")
    made.write(HEADER)
    return made


def test_the_newest_row_counts_until_it_is_stale(logged) -> None:
    logged.write(row(0) + row(10, "12.4", "1.3", "22"))
    meter = logged.open(at_s=10)
    assert isinstance(meter, LaggingMeter)
    assert logged.shows(11) == (12.4, 1.3, 22.0)
    logged.write(row(20, "12.3"))
    assert logged.shows(21) == (12.3, 1.4, 21.0)
    assert meter.news() == []
    # No row for more than the 60 s that are allowed: nothing is carried on, and it is told once.
    assert logged.shows(80) == (12.3, 1.4, 21.0)
    assert logged.shows(81) == NOTHING
    assert logged.shows(200) == NOTHING
    assert meter.news() == ["supply.csv: no row within 60 s; what it would show is left blank."]
    logged.write(row(201, "11.9"))
    assert logged.shows(202) == (11.9, 1.4, 21.0)
    assert meter.news() == ["supply.csv: rows come again."]


def test_what_was_read_before_a_moment_belongs_to_what_was_before(logged) -> None:
    logged.write(row(0))
    logged.open()
    assert logged.shows(5, within_s=5.0) == (12.5, 1.4, 21.0)
    assert logged.shows(5, within_s=4.9) == NOTHING
    # That it is not young enough for this is nothing wrong with the meter.
    assert logged.meter.news() == []


def test_a_half_written_row_waits_for_its_end(logged) -> None:
    logged.write(row(0))
    logged.open()
    text = row(10, "11.75")
    for length in range(len(text)):
        logged.write(HEADER + row(0) + text[:length], "w")
        assert logged.shows(11)[0] == 12.5, text[:length]
    logged.write(HEADER + row(0) + text, "w")
    assert logged.shows(11)[0] == 11.75
    # Whether it is written over or appended to is the same; so is each single byte.
    for letter in row(20, "11.5"):
        assert logged.shows(20)[0] == 11.75
        logged.write(letter)
    assert logged.shows(20)[0] == 11.5
    assert not any("cannot be read" in text for text in logged.meter.news())


@pytest.mark.parametrize("how", ["cut short", "moved away"])
def test_a_file_that_is_begun_anew_is_read_from_its_beginning(how, logged) -> None:
    logged.write("".join(row(second) for second in range(30)))
    logged.open(at_s=30)
    if how == "moved away":
        logged.path.rename(logged.path.with_suffix(".1"))
        assert logged.shows(30) == (12.5, 1.4, 21.0)
        assert logged.meter.news() == ["supply.csv: is gone."]
    # Another order of columns is another header.
    logged.write("volts,when,warm,amps\n11.6,2026-06-01 12:00:31,25,1.1\n", "w")
    assert logged.shows(32) == (11.6, 1.1, 25.0)
    news = logged.meter.news()
    assert "supply.csv: was begun anew; read from its beginning." in news
    assert ("supply.csv: is there again." in news) == (how == "moved away")


def test_a_new_header_without_the_columns_is_told_and_nothing_is_guessed(logged) -> None:
    logged.write(row(0) * 3)
    logged.open()
    logged.write("a,b\n1,2\n", "w")
    assert logged.shows(61) == NOTHING
    assert any("has no column when, volts, amps, warm any more" in t for t in logged.meter.news())


@pytest.mark.parametrize(
    "bad",
    [
        "2026-06-01 12:00:10,twelve,1.4,21\n",
        "2026-06-01 12:00:10\n",
        "no time,11.0,1.4,21\n",
        "2026-06-01 12:00:10,nan,1.4,21\n",
        "2026-06-01 12:00:10,1e9,1.4,21\n",
        "\xff\xfe\0,11.0,1,1\n",
        '"2026-06-01 12:00:10,11.0,1,1\n',
    ],
)
def test_a_row_that_cannot_be_read_is_left_out_and_told(bad, logged) -> None:
    logged.write(row(0))
    logged.open()
    with logged.path.open("ab") as file:
        file.write(bad.encode("latin-1"))
    assert logged.shows(12)[0] == 12.5
    assert logged.meter.news() == ["supply.csv: 1 row cannot be read and is left out."]
    logged.write(row(13, "12.2"))
    assert logged.shows(14)[0] == 12.2


def test_voltage_and_current_may_come_in_rows_of_their_own(logged) -> None:
    logged.write(row(0, "12.5", "", "") + row(1, "", "1.4", "") + row(30, "12.4", "", ""))
    logged.open(at_s=30)
    assert logged.shows(31) == (12.4, 1.4, None)
    # The current is of 61 s ago, the voltage of 32.
    assert logged.shows(62) == (12.4, None, None)
    assert logged.meter.news() == []


def test_rows_out_of_order_and_repeated_ones(logged) -> None:
    logged.write(row(20, "12.3") + row(10, "12.4") + row(20, "12.3"))
    logged.open(at_s=20)
    assert logged.shows(21)[0] == 12.3


@pytest.mark.parametrize(
    ("keys", "moment", "age_s"),
    [
        ('clock = "utc"\n', "2026-06-01T12:00:00Z", 50.0),
        # The zone that it names counts, whatever the clock is said to be.
        ('clock = "local"\n', "2026-06-01 14:00:00+02:00", 50.0),
        ('clock = "utc"\n', "2026/06/01 12:00:00.5", 49.5),
        ('clock = "utc"\n', f"{NOON_S:.1f}", 50.0),
        # A logger that is 20 s fast wrote this 20 s earlier than it says.
        ('clock = "utc"\nclock_error_s = 20\n', "2026-06-01 12:00:20", 50.0),
    ],
)
def test_the_age_of_a_row_goes_by_its_own_clock(keys, moment, age_s, logged) -> None:
    logged.write(f"{moment},12.5,1.4,21\n")
    logged.open(keys + TIMED.partition("\n")[2], at_s=20)
    assert logged.shows(50, within_s=age_s + 0.01)[0] == 12.5
    assert logged.shows(50, within_s=age_s - 0.01)[0] is None


def test_a_clock_of_the_place_is_heeded(logged, monkeypatch) -> None:
    import time

    monkeypatch.setenv("TZ", "UTC+3")
    time.tzset()
    try:
        logged.write("2026-06-01 09:00:00,12.5,1.4,21\n")
        logged.open(TIMED.replace("utc", "local"))
        assert logged.shows(10, within_s=10.1)[0] == 12.5
        assert logged.shows(10, within_s=9.9)[0] is None
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_row_ahead_of_the_clock_tells_nothing(logged) -> None:
    logged.write(row(0))
    logged.open()
    logged.write(row(40, "11.0"))
    assert logged.shows(10)[0] == 12.5
    (told,) = logged.meter.news()
    assert told.startswith("supply.csv: its clock is 30 s ahead, so its rows are left out;")
    # As far ahead as clocks may be apart, it is now.
    logged.write(row(14, "11.9"))
    assert logged.shows(10)[0] == 11.9


def test_without_a_time_the_age_counts_from_when_a_row_came(logged) -> None:
    logged.write("x,12.5,1.4,21\n")
    os.utime(logged.path, (NOON_S - 40.0, NOON_S - 40.0))
    logged.open(UNTIMED)
    assert logged.shows(20)[0] == 12.5
    assert logged.shows(21)[0] is None
    logged.write("x,12.4,1.4,21\n")
    assert logged.shows(30)[0] == 12.4
    assert logged.shows(90)[0] == 12.4
    assert logged.shows(91)[0] is None


def test_columns_by_number_semicolons_and_decimal_commas(logged) -> None:
    logged.write("12,75;1,25\n", "w")
    os.utime(logged.path, (NOON_S, NOON_S))
    logged.open(UNTIMED, "voltage_v = 1\ncurrent_a = 2\n")
    assert logged.shows(1) == (12.75, 1.25, None)
    logged.write("12,50;1,25\n")
    assert logged.shows(2) == (12.5, 1.25, None)
    assert logged.meter.news() == []


def test_of_a_long_file_the_end_is_read(logged) -> None:
    logged.write("".join(row(0) for _ in range(20_000)) + row(1, "11.8"))
    logged.open()
    assert logged.shows(2)[0] == 11.8
    assert logged.meter.news() == []


def test_no_such_file_and_no_such_column_are_refused(logged, tmp_path) -> None:
    with pytest.raises(BadInput, match=r'has no column "volt"; did you mean "volts"\?'):
        logged.open(columns='voltage_v = "volt"\n')
    logged.path.unlink()
    with pytest.raises(BadInput, match=r"there is no such file.*Start the logger first"):
        logged.open()


@pytest.mark.parametrize(
    ("meter", "told"),
    [
        ({"source": "csv"}, 'has source = "csv" and no path'),
        ({"source": "csv", "path": "a.csv"}, "and no columns"),
        (
            {"source": "csv", "path": "a.csv", "columns": {}},
            "names neither voltage_v nor current_a",
        ),
        (
            {"source": "csv", "path": "a.csv", "columns": {"voltag_v": "U"}},
            'unknown key "voltag_v"; did you mean "voltage_v"',
        ),
        (
            {"source": "csv", "path": "a.csv", "columns": {"voltage_v": "U", "current_a": 2}},
            "has names and numbers",
        ),
        (
            {"source": "csv", "path": "a.csv", "columns": {"voltage_v": "U", "time": "t"}},
            'no clock; write clock = "utc" or "local"',
        ),
        (
            {"source": "csv", "path": "a", "clock": "utc", "columns": {"voltage_v": "U"}},
            "has clock, and columns names no time",
        ),
        ({"source": "by hand", "path": "a.csv"}, 'has path, which only source = "csv" takes'),
        ({"source": "by hand", "stale_s": 9.0}, 'has stale_s, which only source = "csv" takes'),
    ],
)
def test_what_a_bench_file_may_not_say(meter, told) -> None:
    with pytest.raises(BadInput, match=told.replace("[", r"\[")):
        bench_from({"name": "bench", "meter": meter})


def test_a_generator_is_set_by_no_file() -> None:
    with pytest.raises(BadInput, match=r"which only \[meter\] takes"):
        bench_from({"name": "bench", "generator": {"source": "csv"}})
