"""The index of runs: what it finds is what lies there, whatever became of it since.

All rows are exact. That it is fast is no matter of a test: benchmarks/runs_index.py prints it; here
it is held to opening no file that it knows.
"""

import os
import sqlite3
from datetime import UTC, datetime, timedelta

import h5py
import pytest

from harness.errors import BadInput
from harness.results import index
from harness.results.head import RunHead, read_head
from harness.results.index import find_runs
from harness.results.wanted import Wanted, moment_of
from tests.results.many_runs import START, write_small


@pytest.fixture(autouse=True)
def kept(tmp_path, monkeypatch):
    """Where the index of the test is kept."""
    path = tmp_path / "cache" / "runs.sqlite"
    monkeypatch.setattr(index, "index_path", lambda: path)
    return path


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return write_small(tmp_path_factory.mktemp("small") / "run.h5").read_bytes()


@pytest.fixture
def tree(tmp_path, small):
    """Three runs at three depths; the name of one is no text."""
    folder = tmp_path / "tree"
    for place in (b"a.h5", b"deep/b.H5", b"deep/deeper/\xff\n.hdf5"):
        path = os.fsencode(folder) + b"/" + place
        os.makedirs(os.path.dirname(path), exist_ok=True)
        with open(path, "wb") as file:
            file.write(small)
    (folder / "notes.txt").write_text("no results")
    return folder


def test_all_of_a_tree_is_found_by_the_name_that_it_was_given(tree, monkeypatch):
    monkeypatch.chdir(tree.parent)
    search = find_runs("tree")
    assert {os.fsencode(run.path) for run in search.runs} == {
        b"tree/a.h5",
        b"tree/deep/b.H5",
        b"tree/deep/deeper/\xff\n.hdf5",
    }
    assert {run.head for run in search.runs} == {read_head(tree / "a.h5")}
    assert (search.unreadable, search.foreign, search.remarks) == ((), 0, ())


def test_a_head_says_what_the_run_is(tree):
    head = read_head(tree / "a.h5")
    assert (head.unit_name, head.unit_serial) == ("Frost Watch 2", "FW-0118")
    assert (head.title, head.verdict, head.started_utc) == (
        "Acceptance of Frost Watch 2",
        "pass",
        START,
    )
    assert RunHead.from_plain(head.plain()) == head


def test_what_is_known_is_not_opened_again(tree):
    assert find_runs(tree).opened == 3
    assert find_runs(tree).opened == 0
    assert find_runs(tree / "deep").opened == 0
    assert find_runs(tree, rebuild=True).opened == 3
    assert len(find_runs(tree).runs) == 3


def test_what_changed_is_read_anew_and_what_is_gone_is_not_shown(tree):
    find_runs(tree)
    (tree / "a.h5").unlink()
    write_small(tree / "a.h5", name="Frost Watch 1", verdict="fail")
    (tree / "deep" / "b.H5").unlink()
    search = find_runs(tree)
    assert search.opened == 1
    assert sorted(run.head.unit_name for run in search.runs) == ["Frost Watch 1", "Frost Watch 2"]
    write_small(tree / "deep" / "b.H5")
    assert (find_runs(tree).opened, len(find_runs(tree).runs)) == (1, 3)


def test_a_folder_beside_of_a_longer_name_is_another(tree, small):
    beside = tree.with_name("tree0")
    beside.mkdir()
    (beside / "c.h5").write_bytes(small)
    assert len(find_runs(beside).runs) == 1
    assert len(find_runs(tree, rebuild=True).runs) == 3
    assert find_runs(beside).opened == 0


def test_runs_stand_in_the_order_of_their_beginning(tmp_path):
    for name, days in (("z", 0), ("a", 2), ("m", 1)):
        write_small(tmp_path / "runs" / f"{name}.h5", when=START + timedelta(days=days))
    assert [run.path.stem for run in find_runs(tmp_path / "runs").runs] == ["z", "m", "a"]


# Files that are none.


def test_what_cannot_be_read_is_one_line_and_stops_nothing(tree):
    (tree / "cut.h5").write_bytes((tree / "a.h5").read_bytes()[:2000])
    (tree / "gone.h5").symlink_to(tree / "nowhere")
    with h5py.File(tree / "other.h5", "w") as file:
        file["x"] = 1.0
    for _ in range(2):
        search = find_runs(tree)
        assert len(search.runs) == 3
        assert search.foreign == 1
        cut, gone = search.unreadable
        assert "cut.h5: is no results file, or is damaged or cut short" in cut
        assert "gone.h5: cannot be read (No such file" in gone
        assert all("\n" not in line for line in search.unreadable)


def test_a_run_that_was_cut_since_is_not_shown_as_it_was(tree):
    find_runs(tree)
    (tree / "a.h5").write_bytes(b"cut")
    search = find_runs(tree)
    assert (len(search.runs), len(search.unreadable)) == (2, 1)


def test_a_link_to_a_folder_is_not_followed(tree):
    (tree / "round").symlink_to(tree)
    assert len(find_runs(tree).runs) == 3


@pytest.mark.parametrize(("name", "words"), [("none", "no such folder"), ("a.h5", "is a file")])
def test_no_folder(tree, name, words):
    with pytest.raises(BadInput, match=words):
        find_runs(tree / name)


# An index that is none.


def garbage(path):
    path.write_bytes(b"this is no index" * 1000)


def torn(path):
    data = bytearray(path.read_bytes())
    data[4096:8192] = bytes(4096)
    path.write_bytes(data)


def shortened(path):
    path.write_bytes(path.read_bytes()[:5000])


def of_another_version(path):
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()


def without_table(path):
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TABLE files")
    connection.close()


@pytest.mark.parametrize(
    "spoil", [garbage, torn, shortened, of_another_version, without_table], ids=lambda s: s.__name__
)
def test_a_spoilt_index_is_made_anew_and_it_is_said(tree, kept, spoil):
    find_runs(tree)
    spoil(kept)
    search = find_runs(tree)
    assert (len(search.runs), search.opened) == (3, 3)
    (remark,) = search.remarks
    assert remark.endswith("and is made anew.")
    again = find_runs(tree)
    assert (len(again.runs), again.opened, again.remarks) == (3, 0, ())


def test_a_spoilt_row_is_read_anew(tree, kept):
    find_runs(tree)
    with sqlite3.connect(kept) as connection:
        connection.execute("UPDATE files SET head = '{}' WHERE CAST(path AS TEXT) LIKE '%a.h5'")
    connection.close()
    assert (find_runs(tree).opened, len(find_runs(tree).runs)) == (1, 3)


def test_where_no_index_can_be_kept_the_files_are_read(tree, kept):
    kept.parent.parent.joinpath("cache").write_text("a file where the folder should be")
    for _ in range(2):
        search = find_runs(tree)
        assert (len(search.runs), search.opened) == (3, 3)
        assert "cannot be kept" in search.remarks[0]


def test_an_index_that_another_writes_to_is_waited_for_and_then_done_without(
    tree, kept, monkeypatch
):
    find_runs(tree)
    monkeypatch.setattr(index, "_WAIT_S", 0.01)
    other = sqlite3.connect(kept, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    search = find_runs(tree)
    other.close()
    assert len(search.runs) == 3
    assert "cannot be kept" in search.remarks[0]
    # It was not thrown away.
    assert find_runs(tree).opened == 0


# Which are wanted.


def head(**more):
    plain = {
        "title": "t",
        "procedure": "p",
        "verdict": "pass",
        "started_utc": START,
        "ended_utc": START,
        "source": "",
        "unit_name": "Frost Watch 2",
        "unit_serial": "FW-0118",
        "schema": 2,
        "fingerprint": "",
    }
    return RunHead(**{**plain, **more})


@pytest.mark.parametrize(
    ("asked", "meets"),
    [
        ({}, True),
        ({"unit": "frost watch 2"}, True),
        ({"unit": "fw-0118"}, True),
        ({"unit": "Frost*"}, True),
        ({"unit": "Frost Watch ?"}, True),
        ({"unit": "Frost Watch"}, False),
        ({"unit": "Frost Watch 22"}, False),
        ({"since": START}, True),
        ({"since": START + timedelta(microseconds=1)}, False),
        ({"until": START}, False),
        ({"until": START + timedelta(microseconds=1)}, True),
        ({"verdicts": ("fail", "pass")}, True),
        ({"verdicts": ("fail",)}, False),
        ({"unit": "Frost*", "verdicts": ("fail",)}, False),
    ],
)
def test_which_runs_are_wanted(asked, meets):
    assert Wanted(**asked).meets(head()) is meets


def test_a_unit_without_a_name_is_not_any_unit():
    assert not Wanted(unit="*").meets(head(unit_name="", unit_serial=""))


@pytest.mark.parametrize(
    ("text", "end", "moment"),
    [
        ("2026-03-14", False, datetime(2026, 3, 14, tzinfo=UTC)),
        ("2026-03-14", True, datetime(2026, 3, 15, tzinfo=UTC)),
        ("2026-03-14T12:00", True, datetime(2026, 3, 14, 12, tzinfo=UTC)),
        ("2026-03-14T12:00+05:45", False, datetime(2026, 3, 14, 6, 15, tzinfo=UTC)),
    ],
)
def test_days_and_moments(text, end, moment):
    assert moment_of(text, end=end) == moment
