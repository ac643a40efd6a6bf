"""What the help says, and how slips of the pen are answered. All rows are exact."""

import json
import re
from pathlib import Path

import numpy as np
import pytest

from harness.commands.words import carrier_hz, column_names, number_hz
from harness.errors import BadInput
from harness.units import mhz_in_words
from tests.commands.test_measure import made
from tests.truth.files import write_pair

COMMANDS = (
    "demo",
    "accept",
    "squelch",
    "discharge",
    "levels",
    "duplexer",
    "field",
    "devices",
    "health",
    "record",
    "calibrate",
    "measure",
    "remeasure",
    "import",
    "report",
    "verify",
    "compare",
    "runs",
    "export",
    "self-check",
)


@pytest.mark.parametrize("words", [(), *((command,) for command in COMMANDS)])
def test_help_speaks_of_the_bench_at_80_columns(words, typed) -> None:
    shown = typed(*words, "--help").out
    assert shown.startswith(" ".join(("Usage: harness", *words)))
    assert "..." not in shown.replace("]...", "").replace("}...", "").replace(",...", "")
    assert not re.search(r"<(str|path|list|int|float)|list\[|python", shown)
    assert all(len(line) <= 80 for line in shown.splitlines())


def test_usage_errors_name_the_program(typed) -> None:
    shown = typed("measure", "--power", "much", "carrier", "x")
    shown.is_one_plain_line()
    assert shown.err == (
        "Invalid value for '--power': not a plain number. Try harness measure --help.\n"
    )


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "153.785",
            "--centre: 153.785 Hz is no radio frequency of this bench (it begins at 0.100 MHz)."
            " Give it in Hz; 153.785 MHz is 153.785e6.",
        ),
        ("153.785M", "--centre: '153.785M' is not a plain number. Write it in Hz: 153.785e6."),
        (
            "153.785 MHz",
            "--centre: '153.785 MHz' is not a plain number. Write it in Hz: 153.785e6.",
        ),
        ("12.5k", "--centre: '12.5k' is not a plain number. Write it in Hz: 12.5e3."),
        ("here", "--centre: 'here' is not a plain number. Give it in Hz, such as 153.825e6."),
    ],
)
def test_a_frequency_in_another_unit_is_told_how_to_be_written(text, line) -> None:
    with pytest.raises(BadInput) as refused:
        carrier_hz(text, "--centre")
    assert str(refused.value) == line


@pytest.mark.parametrize(
    ("text", "value"), [("153.785e6", 153.785e6), ("0", 0.0), ("100000", 1e5), (None, None)]
)
def test_a_frequency_in_hz_is_taken(text, value) -> None:
    assert carrier_hz(text, "--centre") == value


def test_a_spacing_may_be_low() -> None:
    assert number_hz("12500", "--spacing") == 12500.0


@pytest.mark.parametrize("option", ["--at", "--centre"])
def test_both_options_hint_at_mhz(option, typed, tmp_path: Path, left) -> None:
    path = made(tmp_path)
    raw = tmp_path / "in.cu8"
    raw.write_bytes(bytes(1000))
    before = left(tmp_path)
    words = ("measure", "carrier", path) if option == "--at" else ("import", raw, "--rate", "250e3")
    shown = typed(*words, option, "153.785")
    shown.is_one_plain_line()
    assert "153.785e6" in shown.err
    assert left(tmp_path) == before


@pytest.mark.parametrize(
    ("frequency_hz", "words"),
    [(153.825e6, "153.825 MHz"), (153825114.0, "153.825114 MHz"), (1e9, "1000.000 MHz")],
)
def test_errors_show_frequencies_in_mhz(frequency_hz, words) -> None:
    assert mhz_in_words(frequency_hz) == words


def test_a_channel_outside_the_recording_is_told_in_mhz(typed, tmp_path: Path) -> None:
    shown = typed("measure", "carrier", made(tmp_path), "--at", "155.785e6")
    shown.is_one_plain_line()
    assert "155.785 MHz is not within 153." in shown.err


def test_a_recording_is_no_battery_log(typed, tmp_path: Path) -> None:
    shown = typed("measure", "discharge", made(tmp_path))
    shown.is_one_plain_line()
    assert "is a SigMF recording, not a battery log. Give the log of the run" in shown.err


def test_one_battery_log_is_asked_for(typed) -> None:
    shown = typed("measure", "discharge", *(f"{n}.sigmf-meta" for n in range(72)))
    shown.is_one_plain_line()
    assert "72 files" in shown.err
    assert "Give the battery log, such as battery-log.csv, alone." in shown.err


def test_columns_as_the_help_shows_them_are_understood(typed) -> None:
    shown = typed("measure", "--help").out
    (example,) = re.findall(r"voltage_v=\S+[^.\s]", shown)
    assert column_names(example) == {"voltage_v": "Battery-2", "time_s": "every:300"}


@pytest.mark.parametrize("text", ["voltage_v=Battery-2; time_s=every:300", "a", "=b", "a=", ""])
def test_columns_that_say_nothing_are_refused(text) -> None:
    with pytest.raises(BadInput, match=r"commas between, such as voltage_v=Battery-2,time_s"):
        column_names(text)


def test_a_recording_without_radio_frequency_takes_a_low_one(typed, tmp_path: Path) -> None:
    """A baseband recording is tuned to 0: a channel 20 kHz off its middle is one."""
    time_s = np.arange(50_000) / 250e3
    iq = 0.5 * np.exp(2j * np.pi * 20e3 * time_s)
    path = write_pair(tmp_path / "base", [iq], "cf32_le", 250e3, 0.0)
    shown = typed("measure", "carrier", path, "--at", "20000", "--json")
    assert shown.status == 0
    readings = {r["name"]: r["value"] for r in json.loads(shown.out)["readings"]}
    assert abs(readings["frequency_error"]) < 0.5  # DESIGN section 3
