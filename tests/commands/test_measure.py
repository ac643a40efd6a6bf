"""``harness measure`` on real recordings, as typed, and the truths that their README states.

Source of every truth: captures/README.md, under the heading of the file; its tolerances are kept
and, where the bench promises less (DESIGN section 3: edges 0.2 ms), the promise is added. The form
of the JSON is DESIGN section 6.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from harness.commands.app import main
from tests.truth.battery import BatteryRun
from tests.truth.files import write_pair
from tests.truth.signals import Carrier, Dongle, Sine

EDGE_GOAL_S = 0.2e-3


@pytest.fixture
def measure(monkeypatch, capsys):
    """Type ``harness measure ... --json``; give what was printed, as an object."""

    def typed(*words: object, status: int = 0) -> dict:
        monkeypatch.setattr(sys, "argv", ["harness", "measure", *map(str, words), "--json"])
        with pytest.raises(SystemExit) as ended:
            main()
        printed = capsys.readouterr()
        assert ended.value.code == status, printed.err
        if status == 2:
            assert printed.out == ""
            assert len(printed.err.splitlines()) == 1
            assert "Traceback" not in printed.err
            return {"line": printed.err}
        return json.loads(printed.out)

    return typed


def pick(answer: dict, name: str) -> dict:
    (found,) = (reading for reading in answer["readings"] if reading["name"] == name)
    return found


def series(answer: dict, name: str) -> tuple[np.ndarray, np.ndarray]:
    (found,) = (s for s in answer["series"] if s["name"] == name)
    return (
        np.array(found["axes"][0]["values"], dtype=float),
        np.array(found["values"], dtype=float),
    )


def edges_s(answer: dict, role: str = "output") -> tuple[np.ndarray, np.ndarray]:
    """Times at which the carrier came up and went down."""
    time_s, direction = series(answer, f"{role}_keying")
    return time_s[direction > 0], time_s[direction < 0]


def test_ook_carrier_offset(measure, captures: Path) -> None:
    answer = measure("carrier", captures / "ook_433m92_250k.sigmf-meta")
    error = pick(answer, "frequency_error")
    # +6.08 kHz +/- 0.03 from the recording's centre.
    assert error["value"] == pytest.approx(6080.0, abs=30.0)
    assert "clipped" in error["flags"]
    assert pick(answer, "carrier_power")["value"] is None


def test_ook_keyed_part(measure, captures: Path) -> None:
    answer = measure("timing", captures / "ook_433m92_250k.sigmf-meta")
    up_s, down_s = edges_s(answer)
    # 64 pulses with the blip of 0.13 ms at 0.2846 s, which a channel of 12.5 kHz may not show.
    assert len(up_s) == len(down_s)
    assert len(up_s) in (63, 64)
    first = up_s[up_s > 0.2852][0]
    assert first == pytest.approx(0.28568, abs=0.05e-3 + EDGE_GOAL_S)
    assert down_s[-1] == pytest.approx(0.48427, abs=0.05e-3 + EDGE_GOAL_S)
    # Symbols of 1007.96 us: every time between rising edges is a whole number of them.
    symbols = np.diff(up_s[up_s > 0.2852]) / 1007.96e-6
    assert symbols == pytest.approx(np.round(symbols), abs=0.15)


def test_wmbus_bursts(measure, captures: Path) -> None:
    meta = captures / "wmbus_t1_868m95_1m6.sigmf-meta"
    up_s, down_s = edges_s(measure("timing", meta, "--spacing", 250000))
    tolerance = 0.03e-3 + EDGE_GOAL_S
    assert up_s == pytest.approx([0.23932, 0.45566], abs=tolerance)
    assert down_s == pytest.approx([0.24599, 0.47028], abs=tolerance)


@pytest.mark.parametrize("span", ["0.2394:0.2459", "0.4558:0.4702", "0:0.655"])
def test_wmbus_deviation(span: str, measure, captures: Path) -> None:
    """Two-level FSK: half the distance of its levels, 40 to 65 kHz accepted."""
    meta = captures / "wmbus_t1_868m95_1m6.sigmf-meta"
    answer = measure("carrier", meta, "--spacing", 250000, "--at", 868.95e6, "--span", span)
    frequency_hz, share = series(answer, "frequency_distribution")
    middle_hz = pick(answer, "frequency_error")["value"]
    levels_hz = []
    for side in (frequency_hz < middle_hz, frequency_hz > middle_hz):
        total = np.cumsum(share[side])
        levels_hz.append(frequency_hz[side][np.searchsorted(total, total[-1] / 2)])
    assert 40e3 < (levels_hz[1] - levels_hz[0]) / 2 < 65e3
    # It is data, not a tone: a peak can only be bounded, and no lower than the levels.
    peak = pick(answer, "deviation_peak")
    assert peak["bound"] == "upper"
    assert peak["value"] > 40e3


def test_pocsag_preamble(measure, captures: Path) -> None:
    flac = captures / "pocsag1200_discriminator.flac"
    answer = measure("audio", flac, "--span", "0.6:0.9")
    # 600.03 Hz +/- 0.1.
    assert pick(answer, "tone_frequency")["value"] == pytest.approx(600.03, abs=0.1)


@pytest.mark.parametrize("weighting", ["flat", "psophometric", "c-message"])
def test_the_weighting_asked_for_is_the_first(weighting: str, measure, captures: Path) -> None:
    flac = captures / "pocsag1200_discriminator.flac"
    words = ("--span", "0.6:0.9", "--weighting", weighting, "--standard-span", "0:0.2")
    found = [r for r in measure("audio", flac, *words)["readings"] if r["name"] == "sinad"]
    assert len(found) == 3
    assert found[0]["conditions"]["weighting"] == weighting


@pytest.mark.parametrize(
    "name",
    ["pocsag1200_discriminator.flac", "aprs1200_discriminator.au", "afsk1200_sr6sat.wav"],
)
def test_data_are_no_stimulus_of_a_response(name: str, measure, captures: Path) -> None:
    answer = measure("audio", captures / name)
    assert not [r for r in answer["readings"] if r["name"] == "audio_response"]


@pytest.mark.parametrize(
    ("name", "on_s", "off_s"),
    [
        ("pocsag1200_discriminator.flac", 0.494, 2.027),
        ("aprs1200_discriminator.au", 1.263, 2.166),
    ],
)
def test_quieting_edges(name: str, on_s: float, off_s: float, measure, captures: Path) -> None:
    up_s, down_s = edges_s(measure("timing", captures / name), "audio")
    assert up_s == pytest.approx([on_s], abs=0.005)
    assert down_s == pytest.approx([off_s], abs=0.005)


def test_a_carrier_that_is_on_throughout_has_no_edge(measure, captures: Path) -> None:
    answer = measure("timing", captures / "afsk1200_sr6sat.wav")
    up_s, down_s = edges_s(answer, "audio")
    assert len(up_s) == len(down_s) == 0
    assert all(r["value"] is None for r in answer["readings"])
    # The file is whole.
    assert not any("missing" in caution for caution in answer["cautions"])


BATTERY = [
    # file, hours, Ah, Wh, hours to 12.0, 11.5, 11.0 V
    ("3a", 6.486, 19.74, 235.0, (3.112, 5.079, 6.187)),
    ("1a5", 12.554, 19.28, 231.4, (6.776, 10.334, 12.084)),
    ("0a5", 34.827, 18.46, 222.2, (19.335, 29.518, 33.894)),
]
COLUMNS = "voltage_v=voltage,current_a=current,temperature_degc=temperature,time=time"


@pytest.mark.parametrize(("name", "hours", "ah", "wh", "to_volts"), BATTERY)
def test_battery_runs(name, hours, ah, wh, to_volts, measure, captures: Path) -> None:
    log = captures / f"sla12v_17ah_{name}.csv"
    answer = measure("discharge", log, "--columns", COLUMNS)
    assert pick(answer, "run_time")["value"] == pytest.approx(3600 * hours, abs=60.0)
    assert pick(answer, "charge_delivered")["value"] == pytest.approx(ah, rel=0.01)
    assert pick(answer, "energy_delivered")["value"] == pytest.approx(wh, rel=0.01)
    for end_v, to_hours in zip((12.0, 11.5, 11.0), to_volts, strict=True):
        answer = measure("discharge", log, "--columns", COLUMNS, "--end-v", end_v)
        assert pick(answer, "run_time")["value"] == pytest.approx(3600 * to_hours, abs=60.0)


@pytest.mark.parametrize(
    ("column", "first_v", "last_v"), [("Battery-2", 12.54, 12.17), ("Battery-1", 4.37, 4.34)]
)
def test_a_log_of_voltages_with_checksums(column, first_v, last_v, measure, captures) -> None:
    log = captures / "sla_two_batteries_crc8.txt"
    answer = measure("discharge", log, "--columns", f"voltage_v={column},time_s=every:300")
    time_s, voltage_v = series(answer, "voltage")
    assert len(voltage_v) == 2040
    assert time_s[-1] - time_s[0] == pytest.approx(2039 * 300.0)
    assert (voltage_v[0], voltage_v[-1]) == pytest.approx((first_v, last_v), abs=0.005)


@pytest.mark.parametrize("gaps_s", [(), ((7000.0, 7300.0),)])
def test_a_battery_run_of_known_course(gaps_s, measure, tmp_path: Path) -> None:
    run = BatteryRun()
    answer = measure("discharge", run.write(tmp_path / "log.csv", gaps_s))
    if gaps_s:
        # A gap is not interpolated over: what was delivered in it is not counted, and it says so.
        for name, whole in (
            ("charge_delivered", run.charge_ah),
            ("energy_delivered", run.energy_wh),
        ):
            reading = pick(answer, name)
            assert reading["bound"] == "lower"
            assert "lost samples" in reading["flags"]
            assert 0.97 * whole < reading["value"] < whole
        return
    # One logging interval, 10 s; energy and charge 0.5 %; drift 0.05 dB (DESIGN).
    assert pick(answer, "run_time")["value"] == pytest.approx(run.run_s, abs=10.0)
    for name, drop_db in (("time_to_minus_1db", 1.0), ("time_to_minus_3db", 3.0)):
        assert pick(answer, name)["value"] == pytest.approx(run.time_to_s(drop_db), abs=10.0)
    assert pick(answer, "charge_delivered")["value"] == pytest.approx(run.charge_ah, rel=0.005)
    assert pick(answer, "energy_delivered")["value"] == pytest.approx(run.energy_wh, rel=0.005)


def made(tmp_path: Path) -> Path:
    dongle = Dongle(
        sample_rate_hz=250e3,
        noise_dbfs_hz=-95.0,
        carriers=(
            Carrier(
                frequency_hz=153.825e6 + 40_025.0,
                sines=(Sine(frequency_hz=1000.0, deviation_hz=1500.0),),
            ),
        ),
    )
    fields = {"role": "output", "full_scale_dbm": -20.0}
    return write_pair(
        tmp_path / "r", dongle.chunks(300_000), "cu8", 250e3, 153.825e6, fields=fields
    )


def test_json_has_the_promised_form(measure, tmp_path: Path) -> None:
    answer = measure("carrier", made(tmp_path), "--at", 153.865e6)
    assert answer["schema"] == 1
    assert answer["kind"] == "carrier"
    (used,) = answer["recordings"]
    assert set(used) == {"path", "role", "sha512"}
    assert len(used["sha512"]) == 128
    for reading in answer["readings"]:
        assert set(reading) >= {
            "name", "value", "unit", "expanded_uncertainty", "coverage_factor", "interval",
            "bound", "count", "conditions", "flags", "verdict", "note",
        }  # fmt: skip
    for one in answer["series"]:
        assert set(one) >= {"name", "axes", "values"}
        assert all(axis["unit"] is not None for axis in one["axes"])
    assert isinstance(answer["cautions"], list)
    assert pick(answer, "frequency_error")["value"] == pytest.approx(25.0, abs=0.5)
    assert pick(answer, "carrier_power")["value"] == pytest.approx(-26.0, abs=0.1)


@pytest.mark.parametrize(
    "words",
    [
        ("carier", "{r}"),
        ("carrier", "{r}", "--at", "nan"),
        ("carrier", "{r}", "--at", "1e6"),
        ("carrier", "{r}", "--span", "2:1"),
        ("carrier", "{r}", "--span", "abc"),
        ("carrier", "{r}", "--spacing", "0"),
        ("carrier", "{r}", "--spacing", "-12500"),
        ("carrier", "{r}", "--columns", "a=b"),
        ("carrier", "{r}", "--unit", "none.toml"),
        ("carrier", "none.sigmf-meta"),
        ("carrier", "{r}", "--weighting", "loud"),
        ("audio", "{r}", "--at", "1e6"),
        ("audio", "{r}", "--standard-span", "now"),
        ("discharge", "{r}"),
        ("discharge", "{r}", "--at", "1e6"),
    ],
)
def test_bad_usage_gets_one_plain_line(words, measure, tmp_path: Path) -> None:
    path = made(tmp_path)
    measure(*(word.format(r=path) for word in words), status=2)


def test_as_a_process_output_is_the_object_and_nothing_else(tmp_path: Path) -> None:
    path = made(tmp_path)
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    command = [sys.executable, "-m", "harness", "measure", "carrier", str(path)]
    done = subprocess.run(
        [*command, "--json"], capture_output=True, text=True, check=False, env=environment
    )
    assert done.returncode == 0
    assert json.loads(done.stdout)["kind"] == "carrier"
    assert "Traceback" not in done.stderr
    failed = subprocess.run(
        [*command, "--at", "1", "--json"],
        capture_output=True,
        text=True,
        check=False,
        env=environment,
    )
    assert failed.returncode == 2
    assert failed.stdout == ""
    assert len(failed.stderr.splitlines()) == 1


def test_the_table_is_shown_without_json(monkeypatch, capsys, tmp_path: Path) -> None:
    monkeypatch.setattr(sys, "argv", ["harness", "measure", "carrier", str(made(tmp_path))])
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code
    shown = capsys.readouterr().out
    assert "frequency" in shown.lower()
    assert "Hz" in shown
