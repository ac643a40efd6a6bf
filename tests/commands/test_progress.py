"""How a long run is told of: a row of a battery run as it comes, lines where no bar can be."""

from harness.commands.progress import TerminalWatcher


def test_lines_tell_of_a_long_run_at_each_tenth(capsys, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    with TerminalWatcher() as watcher:
        watcher.step("Sensitivity")
        watcher.progress(0.5)
        for number in range(101):
            watcher.step(f"Squelch at 12:00, piece {number} of 100")
            watcher.progress(number / 100)
            watcher.progress(number / 100)
    lines = capsys.readouterr().err.splitlines()
    assert lines[:3] == [
        "Sensitivity",
        "Squelch at 12:00, piece 0 of 100",
        "Squelch at 12:00, piece 10 of 100, 10 %",
    ]
    assert lines[-1] == "Squelch at 12:00, piece 100 of 100, 100 %"
    assert len(lines) == 2 + 10


def test_each_row_of_a_battery_run_is_a_line(capsys, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    with TerminalWatcher() as watcher:
        watcher.row("Battery run, 0:05:00, 36.02 dBm", 0.01)
        watcher.row("Battery run, 0:05:01, 36.01 dBm", 0.01)
    assert capsys.readouterr().err.splitlines() == [
        "Battery run, 0:05:00, 36.02 dBm",
        "Battery run, 0:05:01, 36.01 dBm",
    ]
