"""The health of dongles that are not there: before a take, beside it, and by itself."""

import io
import json
import sys

import numpy as np
import pytest

from harness.describe import example_path, load_unit
from harness.recordings import open_recording
from tests.instruments.test_record import BENCH
from tests.truth.files import quantise

UNIT = example_path("frost-watch-2.toml")
RATE_HZ = 250e3
COUNT = 250_000
"""One second, begun again at its end: frequencies are whole hertz."""


def signal(amplitude: float = 0.3, spike: float = 0.01) -> np.ndarray:
    """A carrier in the channel, 40 kHz above the dongle, and noise of 2.5 codes."""
    draw = np.random.default_rng(3).normal(scale=0.02, size=(COUNT, 2))
    tone = amplitude * np.exp(2j * np.pi * 40e3 * np.arange(COUNT) / RATE_HZ)
    return quantise(tone + draw[:, 0] + 1j * draw[:, 1] + spike, "cu8")


@pytest.fixture
def shed(dongles, tmp_path):
    """A bench of two dongles, each with its codes; gives a function that gives its file."""

    def plugged(first, second, *lines):
        for index, codes in enumerate((first, second)):
            path = dongles.stream(codes, f"stream-{index}")
            dongles.plug_in(index, f"stream {path}", "repeat 1", *lines)
        file = tmp_path / "shed.toml"
        file.write_text(BENCH, encoding="utf-8")
        return file

    return plugged


def first_number(cell: str) -> float:
    return float(cell.replace("−", "-").split()[0])


def test_health_is_shown_before_a_take(shed, typed, tmp_path) -> None:
    bench = shed(signal(), signal(amplitude=0.1))
    shown = typed("record", tmp_path / "one", "--bench", bench, "--unit", UNIT, "--seconds", "0.5")
    assert shown.status == 0, shown.err
    lines = shown.err.splitlines()
    (heading,) = [at for at, line in enumerate(lines) if "input receiver" in line]
    table = {line[:12].strip(): line[12:].split("  ") for line in lines[heading + 1 : heading + 11]}
    assert "output receiver" in lines[heading]
    # -10.5 and -20 dBFS were put in; [output] has a scale of 0 dBm and 30 dB before it.
    assert first_number(table["level in it"][0]) == pytest.approx(-10.46, abs=0.15)
    assert first_number(table["level in it"][-1]) == pytest.approx(-20.0, abs=0.15)
    assert first_number(table["at the port"][-1]) == pytest.approx(10.0, abs=0.15)
    assert first_number(table["DC spike"][0]) == pytest.approx(-40.0, abs=0.15)
    assert "beside it" in table["DC spike"][0]
    assert table["clipped"][0].strip() == "none"
    assert "Caution" not in shown.err + shown.out
    # It is shown before what is shown of the take.
    assert heading < min(at for at, line in enumerate(lines) if "0 lost" in line)


def test_without_a_look_none_is_shown(shed, typed, tmp_path) -> None:
    bench = shed(signal(), signal())
    words = ("--bench", bench, "--unit", UNIT, "--seconds", "0.5", "--look", "0")
    shown = typed("record", tmp_path / "one", *words)
    assert shown.status == 0, shown.err
    assert "DC spike" not in shown.err


@pytest.mark.parametrize(
    ("codes", "words"),
    [
        (np.full((COUNT, 2), 128, np.uint8), "output receiver: all samples are the same"),
        (signal(amplitude=3.0), "output receiver: clipped through and through"),
    ],
    ids=["dead", "overdriven"],
)
def test_a_receiver_that_gives_nothing_stops_a_take(codes, words, shed, typed, tmp_path) -> None:
    bench = shed(signal(), codes)
    shown = typed("record", tmp_path / "one", "--bench", bench, "--unit", UNIT, "--seconds", "1")
    shown.is_one_plain_line(3)
    assert shown.err.startswith(words)
    assert not list(tmp_path.glob("one*"))


def test_unplugged_while_looked_at_nothing_was_recorded(shed, typed, tmp_path) -> None:
    bench = shed(signal(), signal(), "silent 450000")
    shown = typed("record", tmp_path / "one", "--bench", bench, "--unit", UNIT, "--seconds", "1")
    shown.is_one_plain_line(3)
    assert "Nothing was recorded." in shown.err
    assert "kept" not in shown.err
    assert not list(tmp_path.glob("one*"))


def test_what_was_wrong_is_kept_in_the_recording(shed, typed, tmp_path) -> None:
    """An amplitude of 0.99 and noise of 0.02: three in ten samples are at a rail or near one."""
    bench = shed(signal(), signal(amplitude=0.99))
    shown = typed("record", tmp_path / "one", "--bench", bench, "--unit", UNIT, "--seconds", "0.5")
    assert shown.status == 0, shown.err
    (told,) = [line for line in shown.out.splitlines() if line.startswith("Caution:")]
    assert "output receiver" in told
    notes = {
        role: [
            note.comment
            for note in open_recording(tmp_path / f"one-{role}.sigmf-meta").annotations
            if note.comment
        ]
        for role in ("input", "output")
    }
    assert notes["input"] == []
    (kept,) = notes["output"]
    assert "% of the samples are clipped" in kept
    # A note is no step and no channel: it is measured as before.
    measured = typed("measure", "carrier", tmp_path / "one-output.sigmf-meta", "--unit", UNIT)
    assert measured.status in (0, 4)


def test_a_bench_is_looked_at_by_itself(shed, typed) -> None:
    shown = typed("health", "--bench", shed(signal(), signal()), "--unit", UNIT, "--json")
    assert (shown.status, shown.err) == (0, "")
    told = json.loads(shown.out)
    assert (told["schema"], told["kind"], told["recordings"]) == (1, "health", [])
    first, second = told["receivers"]
    assert (first["name"], second["name"]) == ("input receiver", "output receiver")
    unit = load_unit(UNIT)
    assert second["band"]["channel_hz"] == unit.transmit_hz
    assert second["band"]["channel_dbfs"] == pytest.approx(-10.46, abs=0.1)
    assert second["findings"] == []
    assert second["full_scale_port_dbm"] == 30.0
    assert first["full_scale_port_dbm"] is None


def test_one_receiver_is_tuned_by_at(shed, typed, dongles) -> None:
    bench = shed(signal(), signal())
    shown = typed("health", "--bench", bench, "--role", "output", "--at", "150e6", "--json")
    assert shown.status == 0, shown.err
    assert len(json.loads(shown.out)["receivers"]) == 1
    assert "centre 149960000" in dongles.told(1)
    assert dongles.told(0) == []


def test_a_dead_receiver_is_a_hardware_fault(shed, typed) -> None:
    bench = shed(signal(), np.full((COUNT, 2), 128, np.uint8))
    shown = typed("health", "--bench", bench, "--unit", UNIT, "--json")
    shown.is_one_plain_line(3)


def test_a_pad_is_asked_for(shed, typed, monkeypatch) -> None:
    """Nobody puts one in: nothing moves, and that is said."""
    bench = shed(signal(), signal())
    words = ("--bench", bench, "--role", "output", "--unit", UNIT, "--seconds", "1", "--pad", "6")
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n"))
    shown = typed("health", *words)
    assert shown.status == 0, shown.err
    assert "Put 6 dB more before the receiver" in shown.err
    assert "the receiver's own" in shown.out
    assert "was it put in" in " ".join(shown.out.split())
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    shown = typed("health", *words)
    assert shown.status == 130
    assert shown.out == ""
    assert "nobody pressed Enter" in shown.err.splitlines()[-1]


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ((), "shed: the frequency is not known. Give --unit, or --role and --at."),
        (("--at", "150e6"), "--at: is for one receiver. Say which, with --role."),
        (("--role", "audio"), "--role: no role 'audio'."),
        (("--unit", UNIT, "--seconds", "0"), "--seconds: 0 s."),
        (("--unit", UNIT, "--pad", "1"), "--pad: 1 dB is no pad for this."),
    ],
)
def test_what_cannot_be_looked_at_is_one_line(words, line, shed, typed, dongles) -> None:
    shown = typed("health", "--bench", shed(signal(), signal()), *words)
    shown.is_one_plain_line()
    assert shown.err.startswith(line)
    assert dongles.told(0) == []
