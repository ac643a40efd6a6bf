"""How a test types a command."""

import sys
from dataclasses import dataclass
from pathlib import Path

import pytest
import typer

from harness.commands.app import main


@dataclass
class Typed:
    """What a command left on the terminal."""

    status: int
    out: str
    err: str

    def is_one_plain_line(self, status: int = 2) -> None:
        """Require what DESIGN section 6 says of an error."""
        assert self.status == status, self.err
        assert self.out == ""
        assert len(self.err.splitlines()) == 1, self.err
        assert "Traceback" not in self.err


def _terminal(monkeypatch, capsys, program: typer.Typer | None, name: str):
    """Type ``NAME WORDS`` into a terminal of 80 columns that is none."""
    monkeypatch.setenv("COLUMNS", "80")

    def run(*words: object) -> Typed:
        monkeypatch.setattr(sys, "argv", [name, *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main(program, name)
        printed = capsys.readouterr()
        return Typed(ended.value.code or 0, printed.out, printed.err)

    return run


@pytest.fixture
def typed(monkeypatch, capsys):
    """Type ``harness WORDS``."""
    return _terminal(monkeypatch, capsys, None, "harness")


@pytest.fixture
def captured(monkeypatch, capsys):
    """Type ``capture WORDS``."""
    from scripts.captures.__main__ import app

    return _terminal(monkeypatch, capsys, app, "capture")


def left(folder: Path) -> dict[str, bytes]:
    """Give all files below a folder, by name, with what is in them."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.fixture(name="left")
def _left():
    return left
