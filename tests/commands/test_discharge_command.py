"""``harness discharge``, as typed, on the simulated bench."""

import pytest

from harness.commands.progress import TerminalWatcher
from harness.describe import example_path
from harness.recordings import read_log
from harness.results import read_run

UNIT = example_path("frost-watch-2.toml")
BENCH = example_path("packing-shed.toml")


def test_it_says_first_what_it_does_and_at_the_end_what_to_do_next(typed, left, tmp_path) -> None:
    out = tmp_path / "run"
    words = ("discharge", UNIT, BENCH, "--every", "20s", "--for", "1m", "--out", out)
    shown = typed(*words)
    # The unit file asks for four hours of run time: a minute decides nothing.
    assert shown.status == 4, shown.err
    told = " ".join(shown.err.split())
    assert "Battery run: keyed all the time, a sample every 20 s, until 10.5 V, loss of" in told
    # Each row is told of, with an outlook, and stands in the log.
    log = read_log(out / "battery-log.csv")
    assert told.count("Battery run, 0:0") == sum(log.keyed == 1.0) == 4
    assert "36.06 dBm, drift +0.00 dB, 12.64 V, end at about" in told
    assert "Stopped after 60 s, as asked." in told
    for word in ("Run time", "Report:", "Results:", "battery-log.csv", "harness field"):
        assert word in shown.out
    assert (out / "report.html").exists()
    assert log.deviation_hz[1] == pytest.approx(1440.0, abs=30.0)
    before = left(out)
    typed(*words).is_one_plain_line()
    assert left(out) == before


def test_stopped_by_hand_it_keeps_what_it_has_and_goes_on(typed, monkeypatch, tmp_path) -> None:
    out = tmp_path / "run"
    words = ("discharge", UNIT, BENCH, "--schedule", "10-10-80", "--for", "65s", "--no-tone")
    rows, show = [], TerminalWatcher.row

    def stop(watcher, line, share):
        show(watcher, line, share)
        rows.append(line)
        if len(rows) == 2:
            raise KeyboardInterrupt

    monkeypatch.setattr(TerminalWatcher, "row", stop)
    shown = typed(*words, "--out", out)
    assert shown.status == 130
    told = " ".join(shown.err.split())
    assert "It goes on at" in told
    assert "--schedule 10-10-80 --every 5m --keep-step 0.5 --no-tone --for 65s --resume" in told
    # What was logged until then is analysed too.
    early = read_run(out / "results.h5")
    assert "stopped by the operator" in early.notes
    assert any(found.kind == "discharge" for found in early.findings)
    before = read_log(out / "battery-log.csv")
    assert "is done" not in typed(*words, "--resume", out).err
    after = read_log(out / "battery-log.csv")
    count = len(before.time_s)
    assert after.voltage_v[:count].tolist() == before.voltage_v.tolist()
    assert len(after.time_s) > count
    assert typed(*words, "--resume", out).is_one_plain_line() is None
    typed(*words[:3], "--resume", out).is_one_plain_line()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--schedule", "5-5-9"), "Did you mean 5-5-90"),
        (("--every", "often"), "is no time"),
        (("--for", "0s"), "is no time"),
        (("--to-power", "3"), "Write 3dB, below the start, or 2W"),
        (("--to-power", "0dB"), "Write 3dB"),
        (("--to-power", "..W"), "Write 3dB"),
        (("--keep-step", "0"), "is not above 0"),
        (("--keep-step", "nan"), "is not above 0"),
        (("--keep-every", "1x"), "is no time"),
        (("--resume", "elsewhere", "--for", "1m"), "goes without --out"),
    ],
    ids=str,
)
def test_bad_input_is_one_plain_line_and_leaves_nothing(words, told, typed, tmp_path) -> None:
    out = tmp_path / "run"
    shown = typed("discharge", UNIT, BENCH, *words, "--out", out)
    shown.is_one_plain_line()
    assert told in shown.err
    assert not out.exists()
