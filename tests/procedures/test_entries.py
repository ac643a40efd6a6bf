"""What was typed is on the disk at once, and found again after any end."""

import os

import pytest

from harness.errors import BadInput, Damaged
from harness.procedures.entries import Entries


def test_entries_come_back_the_last_one_counting(tmp_path) -> None:
    path = tmp_path / "entries.csv"
    entries = Entries(path)
    assert entries.resuming == "Nothing had been typed yet."
    assert not path.exists()
    for question, answer in (("a, b", "12.53 V"), ("a, b", '12.6 "V"'), ("c", "1 A")):
        entries.keep(question, answer)
        # Whatever happens from here on: it is in the file.
        assert path.read_text().count("\n") == entries.kept + 1
    assert str(path) in entries.resuming
    again = Entries(path, resume=True)
    assert again.recall("a, b") == '12.6 "V"'
    assert again.recall("a, b") is None
    assert again.recall("d") is None
    again.keep("d", "2 A")
    assert Entries(path, resume=True).recall("d") == "2 A"
    assert len(path.read_text().splitlines()) == 5


@pytest.mark.parametrize("torn", [b"2026-11-28T00:00:00Z,q", b"\0\0\0\0", b'2026,"q'])
def test_a_torn_last_line_is_cut_off(torn, tmp_path) -> None:
    path = tmp_path / "entries.csv"
    Entries(path).keep("q", "1 V")
    whole = path.read_bytes()
    path.write_bytes(whole + torn)
    entries = Entries(path, resume=True)
    assert entries.recall("q") == "1 V"
    entries.keep("r", "2 V")
    assert path.read_bytes().startswith(whole + b"2")
    assert Entries(path, resume=True).recall("r") == "2 V"


@pytest.mark.parametrize("torn", [b"", b"time_u", b"\0\0"])
def test_a_file_that_was_cut_before_its_first_entry_begins_anew(torn, tmp_path) -> None:
    path = tmp_path / "entries.csv"
    path.write_bytes(torn)
    Entries(path, resume=True).keep("q", "1 V")
    assert Entries(path, resume=True).recall("q") == "1 V"


@pytest.mark.parametrize("text", ["name,what\na,b\n", "hello", "time_utc,question,answer\na,b\n"])
def test_another_file_is_refused_and_left_alone(text, tmp_path) -> None:
    path = tmp_path / "notes.csv"
    path.write_text(text)
    with pytest.raises(Damaged, match="is no file of entries"):
        Entries(path, resume=True)
    assert path.read_text() == text


def test_a_name_that_is_taken_is_refused(tmp_path) -> None:
    path = tmp_path / "entries.csv"
    path.write_text("mine")
    with pytest.raises(BadInput, match="not overwritten"):
        Entries(path)


def test_it_is_synced_before_it_returns(tmp_path, monkeypatch) -> None:
    synced = []
    real = os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (synced.append(handle), real(handle)))
    Entries(tmp_path / "entries.csv").keep("q", "1 V")
    # The file, and the folder that has a new name in it.
    assert len(synced) == 2
